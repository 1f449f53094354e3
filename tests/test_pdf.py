"""The PDF read back: attachments, tags, alternative text, selectable text."""

import shutil
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest

import matchlib
from matchlib.errors import ReportError
from matchlib.reporting import words
from matchlib.reporting.pdf import write_report

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a room, its drawings, and the folder of its report."""
    room = matchlib.match_room(DATA, "attic")
    drawings = [drawing for name in matchlib.FIGURES for drawing in matchlib.draw(room, name)]
    out = tmp_path_factory.mktemp("report")
    write_report(room, drawings, out)
    return room, drawings, out


def walk(node, found):
    """Collect the structure elements of a tagged PDF."""
    if isinstance(node, pikepdf.Dictionary):
        if "/S" in node:
            found.append(node)
        children = node.get("/K")
        for child in children if isinstance(children, pikepdf.Array) else [children]:
            walk(child, found)
    return found


def test_the_numbers_are_attached_as_they_stand(made):
    _, _, out = made
    with pikepdf.open(out / "match.pdf") as pdf:
        for name in ("match.json", "targets.csv"):
            attached = pdf.attachments[name].get_file().read_bytes()
            assert attached == (out / name).read_bytes()


def test_it_declares_pdf_ua_1_and_pdf_a_3a_and_is_tagged(made):
    # ISO 14289-1:2014, 5: pdfuaid:part; ISO 19005-3:2012, 6.6.4: pdfaid:part and conformance
    _, _, out = made
    with pikepdf.open(out / "match.pdf") as pdf:
        metadata = pdf.open_metadata()
        assert metadata["pdfuaid:part"] == "1"
        assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.Root.Lang).startswith("en")
        assert "attic" in str(metadata["dc:title"])


def test_every_figure_has_its_alternative_text(made):
    _, drawings, out = made
    with pikepdf.open(out / "match.pdf") as pdf:
        elements = walk(pdf.Root.StructTreeRoot, [])
        texts = {str(element.Alt) for element in elements if element.S == "/Figure" and "/Alt" in element}
    assert {drawing.alt for drawing in drawings} <= texts
    assert len(drawings) == 1 + 5 * 3


def test_headings_begin_at_level_one_and_tables_have_header_cells(made):
    _, _, out = made
    with pikepdf.open(out / "match.pdf") as pdf:
        kinds = [str(element.S) for element in walk(pdf.Root.StructTreeRoot, [])]
    assert next(kind for kind in kinds if kind.startswith("/H")) == "/H1"
    assert "/TH" in kinds


def test_pages_are_a4_and_one_a_monitor(made):
    room, _, out = made
    with pikepdf.open(out / "match.pdf") as pdf:
        assert len(pdf.pages) == 4 + len(room.monitors)  # one for all, the sheet, two on the method
        for page in pdf.pages:
            width, height = (float(value) for value in page.mediabox[2:])
            assert (width, height) == pytest.approx((595.28, 841.89), abs=0.1)


def test_a_missing_drawing_is_refused_by_name(made, tmp_path):
    room, drawings, _ = made
    kept = [drawing for drawing in drawings if (drawing.name, drawing.subject) != ("tone", "A2")]
    with pytest.raises(ReportError, match="drawings are missing: tone of A2"):
        write_report(room, kept, tmp_path)
    assert not list(tmp_path.iterdir())


def test_text_reaches_the_page_as_data_never_as_markup(made, tmp_path):
    room, drawings, _ = made
    odd = room.monitors[0]
    row = replace(odd.row, location='#panic("x") *bold* $x$ \\ <a> [b] "q" \ue000\x07')
    changed = replace(room, monitors=(replace(odd, row=row), *room.monitors[1:]), facility="#let x = 1 漢字")
    write_report(changed, drawings, tmp_path)
    assert (tmp_path / "match.pdf").stat().st_size > 10_000
    assert words.clean("\ue000\x07") == "\ufffd\ufffd"


def own_font(path):
    """Write a font called Quince Own that has one letter the bundled fonts lack."""
    import matplotlib as mpl
    from fontTools.ttLib import TTFont

    font = TTFont(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf")
    for record in font["name"].names:
        if record.nameID in {1, 3, 4, 6, 16}:
            record.string = "QuinceOwn" if record.nameID == 6 else "Quince Own"
    for table in font["cmap"].tables:
        table.cmap[ord("漢")] = "A"
    path.parent.mkdir(parents=True)
    font.save(path)


def test_a_font_of_the_facility_sets_what_the_bundled_ones_lack(made, tmp_path):
    """A facility's own font is found in any depth, embedded, and part of what the report depends on."""
    room, drawings, _ = made
    folder = tmp_path / "studio"
    shutil.copytree(DATA, folder)
    own_font(folder / "fonts" / "more" / "own.TTF")
    found = matchlib.match_room(folder, "attic")
    assert found.hash != room.hash
    write_report(replace(found, facility="漢"), drawings, tmp_path / "out")
    with pikepdf.open(tmp_path / "out" / "match.pdf") as pdf:
        fonts = {str(font.BaseFont) for page in pdf.pages for font in page.Resources.Font.values()}
    assert any("QuinceOwn" in name for name in fonts)
