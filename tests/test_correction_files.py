"""Corrections as Common LUT Format files: read back by OpenColorIO, an independent reader of the format.

SMPTE ST 2136-1, public committee draft of 2025-02-06 (the published edition may differ). The samples below
are written after its figures.
"""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813 (its own documents call it so)
import pytest

from matchlib.displays.clf import NAMESPACE, PROVENANCE, Provenance, clf_bytes
from matchlib.displays.correction import (
    Curves,
    Table,
    clamp,
    cube,
    drive_matrix,
    half_domain_curves,
    power,
    signal_cube,
    uniform_curves,
)
from matchlib.displays.nodes import HALF_CODES, Lut1D, Lut3D, Matrix, Range, single
from matchlib.errors import InputError
from matchlib.perception.difference import xyz_to_lab

AGREES = 1e-5  # of full signal: a hundredth of a 10-bit code
ROUNDED = 1e-6  # a few last bits of 32-bit float
PROVENANCE_OF = Provenance(
    facility="Quince Orchard Pictures (invented)",
    room="attic",
    monitor="A2",
    level="curves",
    matchlib="0.1.0",
    sessions={"readings/b.csv": "22" * 32, "readings/a.csv": "11" * 32},
    target={"luminance": "48 cd/m²", "white": "x 0.3140, y 0.3510"},
)
SHAPES = (lambda x: x ** (1 / 2.2), lambda x: 0.1 * x + 0.9 * x**0.45, lambda x: np.sin(np.pi / 2 * x) ** 0.5)
MIX = np.array([[0.80, 0.11, 0.02], [0.03, 0.85, 0.06], [0.01, -0.02, 0.90]])
OFFSET = [2e-4, -1e-4, 3e-4]


def corrections():
    random = np.random.default_rng(71)
    values = np.clip(signal_cube(17) + random.normal(0, 0.05, size=(17**3, 3)), 0, 1)
    tones = tuple(lambda x, g=g: x**g * (1 + 0.1 * np.sin(6 * x)) / (1 + 0.1 * np.sin(6)) for g in (2.3, 2.4, 2.6))
    matrix = drive_matrix(MIX, OFFSET)
    return {
        "gamma in, half domain out": Curves(power([2.6, 2.4, 2.5]), matrix, clamp(0.9), half_domain_curves(SHAPES)),
        "gammas alike, one column out": Curves(power(2.6), matrix, clamp(), half_domain_curves(SHAPES[:1] * 3)),
        "curves in, gamma out": Curves(uniform_curves(tones), matrix, clamp(0.8), power(1 / 2.2)),
        "table": Table(cube(values)),
        "table between curves": Table(cube(values), uniform_curves(SHAPES), uniform_curves(SHAPES[1:2] * 3)),
    }


CORRECTIONS = corrections()


def parsed(content):
    return ET.fromstring(content)  # noqa: S314 (our own bytes)


def through_ocio(file, signal, optimisation=ocio.OPTIMIZATION_NONE):
    """Return what OpenColorIO makes of signals, shape (n, 3), with the interpolation that the file declares."""
    transform = ocio.FileTransform(src=str(file))
    processor = ocio.Config.CreateRaw().getProcessor(transform)
    depth = ocio.BIT_DEPTH_F32
    pixels = np.array(signal, dtype=np.float32, order="C")
    processor.getOptimizedCPUProcessor(depth, depth, optimisation).applyRGB(pixels)
    return pixels.astype(np.float64)


def written(folder, content, name="correction.clf"):
    file = folder / name
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return file


@pytest.mark.parametrize("name", CORRECTIONS)
def test_an_independent_reader_agrees(name, tmp_path):
    """10,000 random signals, the corners, greys, and signals beyond 0 and 1."""
    random = np.random.default_rng(72)
    greys = np.repeat(np.linspace(0, 1, 1_024)[:, None], 3, axis=1)
    signal = np.vstack(
        [random.uniform(size=(10_000, 3)), signal_cube(2), greys, random.uniform(-0.2, 1.2, size=(1_000, 3))]
    )
    file = written(tmp_path, clf_bytes(CORRECTIONS[name], PROVENANCE_OF))
    ours = CORRECTIONS[name].apply(signal)
    assert np.ptp(ours) > 0.8
    assert np.abs(through_ocio(file, signal) - ours).max() <= AGREES
    # With its usual optimisation the reader takes powers in a quicker, less exact way.
    assert np.abs(through_ocio(file, signal, ocio.OPTIMIZATION_DEFAULT) - ours).max() <= 3 * AGREES


def test_the_table_declares_tetrahedral_and_is_not_read_as_trilinear(tmp_path):
    file = written(tmp_path, clf_bytes(CORRECTIONS["table"], PROVENANCE_OF))
    group = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(src=str(file))).createGroupTransform()
    assert [type(node) for node in group] == [ocio.Lut3DTransform]
    assert group[0].getInterpolation() == ocio.INTERP_TETRAHEDRAL
    signal = np.random.default_rng(73).uniform(size=(1_000, 3))
    trilinear = written(tmp_path, file.read_bytes().replace(b"tetrahedral", b"trilinear"), "other.clf")
    assert np.abs(through_ocio(trilinear, signal) - CORRECTIONS["table"].apply(signal)).max() > 1e-3


def test_the_file_says_what_both_kinds_of_readers_ask_for():
    content = clf_bytes(CORRECTIONS["table"], PROVENANCE_OF)
    root = parsed(content)
    names = [child.tag.removeprefix(f"{{{NAMESPACE}}}") for child in root]
    assert root.tag == f"{{{NAMESPACE}}}ProcessList"
    assert names == ["Id", "Description", "InputDescriptor", "OutputDescriptor", "Info", "LUT3D"]
    assert root.get("compCLFversion") == "3.0"
    assert root.get("id") == root[0].text
    assert root[0].text.startswith("urn:uuid:")
    said = [(child.tag.removeprefix(f"{{{PROVENANCE}}}"), child.text, dict(child.attrib)) for child in root[4]]
    assert ("session", "readings/a.csv", {"sha256": "11" * 32}) in said
    assert ("target", "48 cd/m²", {"figure": "luminance"}) in said
    assert ("monitor", "A2", {}) in said


def test_blue_changes_fastest():
    """ST 2136-1, the 2×2×2 sample: 000, 001, 010, 011, 100, 101, 110, 111."""
    root = parsed(clf_bytes(Table(cube(signal_cube(2))), PROVENANCE_OF))
    array = root[-1][0]
    assert array.get("dim") == "2 2 2 3"
    rows = [line.split() for line in array.text.strip().splitlines()]
    assert ["".join(str(int(float(cell))) for cell in row) for row in rows] == [f"{place:03b}" for place in range(8)]


@pytest.mark.parametrize("name", CORRECTIONS)
def test_the_same_bytes_twice_and_an_id_of_the_content(name):
    once, again = (clf_bytes(corrections()[name], PROVENANCE_OF) for _ in range(2))
    with np.printoptions(precision=3, suppress=True):  # a library may have set them
        assert clf_bytes(CORRECTIONS[name], PROVENANCE_OF) == once
    assert once == again
    other = clf_bytes(CORRECTIONS[name], replace(PROVENANCE_OF, monitor="A3"))
    assert parsed(other)[0].text != parsed(once)[0].text


def test_numbers_come_back_as_the_same_32_bit_floats():
    root = parsed(clf_bytes(CORRECTIONS["gamma in, half domain out"], PROVENANCE_OF))
    array = root[-1][0]
    read = np.array(array.text.split(), dtype=np.float32).reshape(-1, 3)
    assert array.get("dim") == f"{HALF_CODES} 3"
    assert np.array_equal(read, CORRECTIONS["gamma in, half domain out"].output.values)


def test_names_with_markup_and_unprintable_characters_are_text(tmp_path):
    wicked = 'R&D </Info><Matrix a="1"> ]]> \'"'
    said = Provenance(
        wicked, wicked, "M\x00\ud800\uffff1", "table", "0.1.0", wicked, {wicked: wicked}, {wicked: wicked}
    )
    content = clf_bytes(Table(cube(signal_cube(2))), said)
    root = parsed(content)
    info = {child.tag.removeprefix(f"{{{PROVENANCE}}}"): child for child in root[4]}
    assert len(root) == 6
    assert info["facility"].text == info["preset"].text == info["session"].text == wicked
    assert info["session"].get("sha256") == info["target"].get("figure") == wicked
    assert info["monitor"].text == "M\ufffd\ufffd\ufffd1"
    signal = signal_cube(3)
    assert through_ocio(written(tmp_path, content), signal) == pytest.approx(signal, abs=ROUNDED)


def test_numbers_that_are_none_and_tables_of_odd_shapes_are_refused():
    with pytest.raises(InputError, match="not finite"):
        single([1.0, np.nan])
    with pytest.raises(InputError, match=r"LUT1D of shape \(4, 3\)"):
        Lut1D(single(np.zeros((4, 3))), half_domain=True)
    with pytest.raises(InputError, match="LUT3D of shape"):
        Lut3D(single(np.zeros((2, 3, 2, 3))))


# The draft's own samples, and figures worked out from its scale factors (Table 8: 8i 255, 10i 1023, 12i 4095,
# 16i 65535). The reader is given the file, our nodes the same numbers over their scale factors.


def process_list(*nodes):
    head = f'<ProcessList xmlns="{NAMESPACE}" id="urn:uuid:0" compCLFversion="3.0"><Id>urn:uuid:0</Id>'
    return f'<?xml version="1.0" encoding="UTF-8"?>{head}{"".join(nodes)}</ProcessList>'


def node(name, depths, content, more=""):
    return f'<{name} inBitDepth="{depths[0]}" outBitDepth="{depths[1]}" {more}>{content}</{name}>'


def array(dim, values):
    return f'<Array dim="{dim}">{" ".join(map(str, np.ravel(values).tolist()))}</Array>'


def ours(nodes, signal):
    x = np.asarray(signal, dtype=np.float32)
    for step in nodes:
        x = step.apply(x)
    return x


def matrix_node(values):
    return Matrix(single(values), single(np.zeros(3)))


def test_sample_2136_1e_is_the_identity(tmp_path):
    """Matrix 257·I from 8i to 16i, LUT1D of seven 16i entries from 0 to 65535, matrix I."""
    entries = np.linspace(0, 65_535, 7)
    text = process_list(
        node("Matrix", ("8i", "16i"), array("3 3", 257 * np.eye(3))),
        node("LUT1D", ("16i", "16i"), array("7 1", entries)),
        node("Matrix", ("16i", "16i"), array("3 3", np.eye(3))),
    )
    signal = np.random.default_rng(74).uniform(size=(1_000, 3))
    nodes = (
        matrix_node(257 * np.eye(3) * 255 / 65_535),
        Lut1D(single(entries[:, None] / 65_535)),
        matrix_node(np.eye(3)),
    )
    assert through_ocio(written(tmp_path, text), signal) == pytest.approx(signal, abs=ROUNDED)
    assert ours(nodes, signal) == pytest.approx(signal, abs=ROUNDED)


def test_sample_2136_1b_keeps_white(tmp_path):
    """AP0 to AP1: each row sums to 1."""
    rows = np.array(
        [
            [1.451439316146, -0.236510746894, -0.214928569252],
            [-0.076553773396, 1.176229699834, -0.099675926438],
            [0.008316148426, -0.006032449791, 0.997716301365],
        ]
    )
    text = process_list(node("Matrix", ("16f", "16f"), array("3 3", rows)))
    signal = np.vstack([np.ones(3), np.random.default_rng(75).uniform(size=(100, 3))])
    read = through_ocio(written(tmp_path, text), signal)
    assert read[0] == pytest.approx(np.ones(3), abs=ROUNDED)
    assert read == pytest.approx(signal @ rows.T, abs=ROUNDED)
    assert ours((matrix_node(rows),), signal) == pytest.approx(read, abs=ROUNDED)


def test_sample_2136_1d_gives_cielab(tmp_path):
    """XYZ of D65 to L*, a*, b* over 100 through monCurveRev 3.0, offset 0.16; the reader against our CIELAB."""
    white = np.array([0.95047, 1.0, 1.08883])
    mixing = np.array([[0, 1, 0], [5 / 1.16, -5 / 1.16, 0], [0, 2 / 1.16, -2 / 1.16]])
    text = process_list(
        node("Matrix", ("16f", "16f"), array("3 3", np.diag(1 / white))),
        node("Exponent", ("16f", "16f"), '<ExponentParams exponent="3.0" offset="0.16"/>', 'style="monCurveRev"'),
        node("Matrix", ("16f", "16f"), array("3 3", mixing)),
    )
    xyz = np.random.default_rng(76).uniform(size=(1_000, 3)) ** 3 * white
    read = through_ocio(written(tmp_path, text), xyz)
    assert read == pytest.approx(xyz_to_lab(xyz, white) / 100, abs=AGREES)


def test_a_12_bit_table_of_two_entries_inverts(tmp_path):
    text = process_list(node("LUT1D", ("12i", "12i"), array("2 1", [4095, 0])))
    signal = np.array([[0.0, 1.0, 0.25]])
    assert through_ocio(written(tmp_path, text), signal) == pytest.approx(np.array([[1.0, 0.0, 0.75]]), abs=ROUNDED)
    assert ours((Lut1D(single([[1.0], [0.0]])),), signal) == pytest.approx(np.array([[1.0, 0.0, 0.75]]), abs=ROUNDED)


def test_a_10_bit_range_from_full_to_narrow(tmp_path):
    """0 to 1023 onto 64 to 940: 0 → .0625611, 1 → .9188661, clamped beyond."""
    limits = "".join(
        f"<{name}>{value}</{name}>"
        for name, value in (("minInValue", 0), ("maxInValue", 1023), ("minOutValue", 64), ("maxOutValue", 940))
    )
    text = process_list(node("Range", ("10i", "10i"), limits))
    signal = np.array([[0.0, 1.0, 0.5], [-0.3, 1.7, 0.25]])
    expected = [[0.0625611, 0.9188661, 0.4907136], [0.0625611, 0.9188661, 0.2766373]]
    assert through_ocio(written(tmp_path, text), signal) == pytest.approx(np.array(expected), abs=ROUNDED)
    found = ours((Range(0.0, 1.0, 64 / 1023, 940 / 1023),), signal)
    assert found == pytest.approx(np.array(expected), abs=ROUNDED)
