"""Corrections written as Common LUT Format files.

SMPTE ST 2136-1 (public committee draft, 2025-02-06), with the attributes ``id`` and ``compCLFversion`` that
readers of version 3 of the format ask for, so that both kinds read the file. All numbers are stored as 32f,
so no scale factor applies; nine significant digits give back the same 32-bit float.
"""

import io
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any
from uuid import UUID, uuid5
from xml.sax.saxutils import XMLGenerator
from xml.sax.xmlreader import AttributesImpl

import numpy as np
from numpy.typing import NDArray

from matchlib.displays.correction import Curves, Table
from matchlib.displays.nodes import Exponent, Lut1D, Lut3D, Matrix, Node, Range

NAMESPACE = "http://www.smpte-ra.org/ns/2136-1/2024"
PROVENANCE = "urn:uuid:8d0c4b5e-6f53-4f0a-9a52-0f3b6f1c7e21"  # namespace of what matchlib says under Info
_CORRECTIONS = UUID("f2a7a1de-0f0e-4a59-a6f4-2c6f2f0b9d13")
_UNNAMED = UUID(int=0).urn
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2
_DEPTHS = {"inBitDepth": "32f", "outBitDepth": "32f"}


@dataclass(frozen=True, slots=True)
class Provenance:
    """What a correction is for, and what it was made from.

    Attributes:
        facility: Its name; likewise ``room``, ``monitor`` and ``preset``.
        level: ``curves`` or ``table``.
        matchlib: Version.
        sessions: SHA-256 of each session file by its path in the facility folder.
        target: Figures of the target, as text with their units, by name.
    """

    facility: str
    room: str
    monitor: str
    level: str
    matchlib: str
    preset: str = ""
    sessions: Mapping[str, str] = field(default_factory=dict)
    target: Mapping[str, str] = field(default_factory=dict)


def clf_bytes(correction: Curves | Table, provenance: Provenance) -> bytes:
    """Return the file of a correction; the same bytes for the same input, its Id drawn from the content."""
    content = _document(correction, provenance)
    identity = uuid5(_CORRECTIONS, sha256(content).hexdigest()).urn
    return content.replace(_UNNAMED.encode(), identity.encode(), 2)  # its first two places: the root, and Id


def _document(correction: Curves | Table, provenance: Provenance) -> bytes:
    stream = io.BytesIO()
    xml = _Xml(stream)
    root = {"xmlns": NAMESPACE, "xmlns:m": PROVENANCE, "id": _UNNAMED, "compCLFversion": "3.0"}
    with xml.element("ProcessList", root):
        xml.leaf("Id", _UNNAMED)
        xml.leaf("Description", _title(provenance))
        xml.leaf("InputDescriptor", "Picture signal, full range 0 to 1")
        xml.leaf("OutputDescriptor", "Signal of the native panel, full range 0 to 1")
        _write_info(xml, provenance)
        for node in correction.nodes:
            _WRITERS[type(node)](xml, node)
    xml.end()
    return stream.getvalue()


def _title(provenance: Provenance) -> str:
    preset = f", preset {provenance.preset}" if provenance.preset else ""
    where = f"room {provenance.room}, {provenance.facility}"
    return f"Correction ({provenance.level}) of monitor {provenance.monitor}{preset}; {where}"


def _write_info(xml: "_Xml", provenance: Provenance) -> None:
    with xml.element("Info"):
        for name in ("facility", "room", "monitor", "preset", "level", "matchlib"):
            xml.leaf(f"m:{name}", getattr(provenance, name))
        for file, digest in sorted(provenance.sessions.items()):
            xml.leaf("m:session", file, {"sha256": digest})
        for name, value in provenance.target.items():
            xml.leaf("m:target", value, {"figure": name})


def _write_exponent(xml: "_Xml", node: Exponent) -> None:
    with xml.element("Exponent", _DEPTHS | {"style": "basicFwd"}):
        if len(set(node.powers.tolist())) == 1:
            xml.leaf("ExponentParams", "", {"exponent": _number(node.powers[0])})
            return
        for channel, value in zip("RGB", node.powers, strict=True):
            xml.leaf("ExponentParams", "", {"channel": channel, "exponent": _number(value)})


def _write_matrix(xml: "_Xml", node: Matrix) -> None:
    with xml.element("Matrix", _DEPTHS):
        xml.array("3 4", np.column_stack([node.matrix, node.offset]))


def _write_range(xml: "_Xml", node: Range) -> None:
    with xml.element("Range", _DEPTHS | {"style": "Clamp"}):
        xml.leaf("minInValue", _number(node.low_in))
        xml.leaf("maxInValue", _number(node.high_in))
        xml.leaf("minOutValue", _number(node.low_out))
        xml.leaf("maxOutValue", _number(node.high_out))


def _write_lut1d(xml: "_Xml", node: Lut1D) -> None:
    domain = {"halfDomain": "true"} if node.half_domain else {}
    with xml.element("LUT1D", _DEPTHS | domain):
        xml.array("{} {}".format(*node.values.shape), node.values)


def _write_lut3d(xml: "_Xml", node: Lut3D) -> None:
    with xml.element("LUT3D", _DEPTHS | {"interpolation": "tetrahedral"}):
        xml.array("{} {} {} {}".format(*node.values.shape), node.values.reshape(-1, 3))


_WRITERS: dict[type[Node], Callable[[Any, Any], None]] = {
    Exponent: _write_exponent,
    Matrix: _write_matrix,
    Range: _write_range,
    Lut1D: _write_lut1d,
    Lut3D: _write_lut3d,
}


def _number(value: float) -> str:
    """Return the shortest text of a 32-bit float; ``str`` of it would follow numpy's print options."""
    return np.format_float_positional(np.float32(value), trim="-")


class _Xml:
    """Elements onto a stream, one a line, every text escaped and what XML 1.0 cannot hold as U+FFFD."""

    def __init__(self, stream: io.BytesIO) -> None:
        self._writer = XMLGenerator(stream, encoding="UTF-8", short_empty_elements=True)
        self._writer.startDocument()

    @contextmanager
    def element(self, name: str, attributes: Mapping[str, str] | None = None) -> Iterator[None]:
        """Write an element around what the block writes."""
        self._writer.startElement(name, _clean(attributes))
        self._writer.ignorableWhitespace("\n")
        yield
        self._writer.endElement(name)
        self._writer.ignorableWhitespace("\n")

    def leaf(self, name: str, text: str, attributes: Mapping[str, str] | None = None) -> None:
        """Write an element that holds text."""
        self._writer.startElement(name, _clean(attributes))
        if text:
            self._writer.characters(_NOT_XML.sub("\ufffd", text))
        self._writer.endElement(name)
        self._writer.ignorableWhitespace("\n")

    def array(self, dim: str, rows: NDArray[np.float32]) -> None:
        """Write an Array, a line a row."""
        line = " ".join(["%.9g"] * rows.shape[1])
        text = "\n".join([line] * len(rows)) % tuple(rows.ravel().tolist())
        self.leaf("Array", f"\n{text}\n", {"dim": dim})

    def end(self) -> None:
        """Finish the document."""
        self._writer.endDocument()


def _clean(attributes: Mapping[str, str] | None) -> "AttributesImpl[str]":
    clean = {name: _NOT_XML.sub("\ufffd", value) for name, value in (attributes or {}).items()}
    return AttributesImpl(clean)
