"""The report of a room as PDF/UA-1 and PDF/A-3a, its numbers attached inside."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from matchlib.errors import ReportError
from matchlib.matching.inputs import FONTS, font_files
from matchlib.matching.result import RoomMatch
from matchlib.package import package_folder
from matchlib.reporting import words
from matchlib.reporting.drawing import Drawing
from matchlib.reporting.monitor_page import CAPTIONS, WIDE
from matchlib.reporting.pages import page_data
from matchlib.reporting.sheet import targets_csv

FILES = ("match.json", "targets.csv", "match.pdf")
_FONT = "DejaVu Sans"
_ATTACHED = (
    ("match.json", "source", "application/json", "Every figure of this report, for other programs"),
    ("targets.csv", "data", "text/csv", "What to set on each monitor"),
)


def write_report(room: RoomMatch, drawings: Iterable[Drawing], out: str | Path) -> None:
    """Write ``match.json``, ``targets.csv`` and ``match.pdf`` into a folder.

    Args:
        room: The result, as :func:`matchlib.match_room` returned it.
        drawings: The overview, and every figure of every measured monitor.
        out: Folder; made where it is not there.

    Raises:
        ReportError: A drawing is missing, or the template cannot be set.
    """
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    numbers, sheet = room.to_json().encode(), targets_csv(room).encode()
    pdf = report_pdf(room, drawings, numbers, sheet)
    for name, content in zip(FILES, (numbers, sheet, pdf), strict=True):
        (folder / name).write_bytes(content)


def report_pdf(room: RoomMatch, drawings: Iterable[Drawing], numbers: bytes, sheet: bytes) -> bytes:
    """Return the report as PDF.

    Args:
        room: The result.
        drawings: As for :func:`write_report`.
        numbers: The bytes of ``match.json``.
        sheet: The bytes of ``targets.csv``.

    Raises:
        ReportError: A drawing is missing, or the template cannot be set.
    """
    named = {(drawing.name, drawing.subject): drawing for drawing in drawings}
    _check_complete(room, set(named))
    files = {key: (f"{place}.svg", drawing) for place, (key, drawing) in enumerate(named.items())}
    data = page_data(room, files)
    data["attachments"] = attachments(_ATTACHED)
    parts = {"match.json": numbers, "targets.csv": sheet} | {file: drawing.svg for file, drawing in files.values()}
    return set_pdf(Setting("template.typ", f"room {room.room}", room.date, room.root), data, parts)


def attachments(attached: Iterable[tuple[str, str, str, str]]) -> list[dict[str, str]]:
    """Return files to attach as a template reads them: file, relationship, MIME type, description."""
    names = ("file", "relationship", "mime", "description")
    return [dict(zip(names, entry, strict=True)) for entry in attached]


@dataclass(frozen=True, slots=True)
class Setting:
    """How a PDF is set.

    Attributes:
        template: File name in this folder.
        subject: Whose PDF it is, for messages.
        day: YYYY-MM-DD, the document's date.
        root: The facility folder, for its fonts; None: only the bundled ones.
    """

    template: str
    subject: str
    day: str
    root: Path | None = None


def set_pdf(setting: Setting, data: dict[str, Any], parts: Mapping[str, bytes]) -> bytes:
    """Return a template set with its data as PDF/UA-1 and PDF/A-3a.

    Args:
        setting: Template, date, fonts.
        data: What the template reads as ``data.json``; the names of the fonts are added.
        parts: The other files that it reads or attaches.

    Raises:
        ReportError: It cannot be set.
    """
    import matplotlib as mpl
    import typst

    root = setting.root
    own_fonts = [root / FONTS] if root is not None and font_files(root) else []
    data = _cleaned(data) | {"fonts": [_FONT, *_families(own_fonts)]}
    font_folders = [Path(mpl.get_data_path()) / "fonts" / "ttf", *own_fonts]
    with TemporaryDirectory(prefix="matchlib-") as name:
        folder = Path(name)
        (folder / "main.typ").write_bytes((package_folder() / "reporting" / setting.template).read_bytes())
        (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        for file, content in parts.items():
            (folder / file).write_bytes(content)
        try:
            compiler = typst.Compiler(
                str(folder / "main.typ"),
                root=str(folder),
                font_paths=[str(fonts) for fonts in font_folders],
                ignore_system_fonts=True,
            )
            pdf = compiler.compile(format="pdf", pdf_standards=["ua-1", "a-3a"], timestamp=_noon(setting.day))
        except typst.TypstError as error:
            raise ReportError(f"the PDF of {setting.subject} cannot be set: {error}") from None
    if not isinstance(pdf, bytes):
        raise ReportError(f"the PDF of {setting.subject} came out empty; run again")
    return pdf


def _cleaned(value: Any) -> Any:
    """Return data with every text in it as fonts can set it."""
    if isinstance(value, str):
        return words.clean(value)
    if isinstance(value, dict):
        return {key: _cleaned(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [_cleaned(entry) for entry in value]
    return value


def _noon(day: str) -> datetime:
    return datetime.fromisoformat(f"{day}T12:00:00").replace(tzinfo=UTC)


def _families(folders: list[Path]) -> list[str]:
    """Return the names of the fonts in these folders."""
    import typst

    if not folders:
        return []
    paths = [str(folder) for folder in folders]
    return sorted(typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=paths).families())


def _check_complete(room: RoomMatch, drawn: set[tuple[str, str]]) -> None:
    needed = {
        (name, words.name_of(monitor))
        for monitor in room.monitors
        if monitor.detail is not None
        for name in (*CAPTIONS, WIDE)
    }
    missing = sorted((needed | {("overview", "")}) - drawn)
    if missing:
        listed = ", ".join(f"{name} of {subject}" if subject else name for name, subject in missing)
        raise ReportError(f"drawings are missing: {listed}; make them with matchlib.draw")
