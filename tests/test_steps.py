"""The printed steps and patches of RP 431-2:2011, Annex A, read as if measured, must pass; changed ones must not."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.encoding import STANDARD, xy_to_unit_xyz
from matchlib.facility.rooms import Facility, Instrument
from matchlib.matching.steps import BLACK_TO_DARK_GREY, BLACK_TO_WHITE, PRIMARIES, step_checks
from matchlib.matching.tolerances import REVIEW_ROOM, THEATRE, Sure
from matchlib.readings.formats.recognise import read_session

REFERENCE = Path(__file__).parent / "reference"
A2 = np.loadtxt(REFERENCE / "rp431_2_table_a2.csv", delimiter=",", encoding="utf-8")
A3 = np.loadtxt(REFERENCE / "rp431_2_table_a3.csv", delimiter=",", encoding="utf-8")
A4 = np.genfromtxt(REFERENCE / "rp431_2_table_a4.csv", delimiter=",", dtype=str, encoding="utf-8")
WHITE_XY, BLACK = (0.314, 0.351), 0.024  # RP 431-2:2011, Table A.1: 48.00 cd/m² at 2000:1
EXACT = Sure(luminance=0.0, xy=0.0, gamma=0.0, contrast=0.0, guarded=True)
METER = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 1e-6, contact=False, common_xy=0.5)
FACILITY = Facility(Path(), "printed tables", ZoneInfo("UTC"), {}, {}, {"S1": METER}, ())
KEYS = {"DISPLAY": "P1", "MEASURED": "2026-10-02T09:40:00Z", "INSTRUMENT": "S1"}
FIELDS = "SAMPLE_NAME RGB_R RGB_G RGB_B XYZ_X XYZ_Y XYZ_Z"
GREY = xy_to_unit_xyz(WHITE_XY)


def greys(table, column=4, above=0.0):
    """Return codes and light of a printed table; ``above``: the black to add to Y above black."""
    return [(f"{row[0]:.0f}", row[1:4], (row[column] + above) * GREY) for row in table]


def printed():
    """Return black, Tables A.2 and A.3 as printed (black is in them), and Red-1, Green-1, Blue-1 over the same black.

    Not White-2: its codes are those of the last step, and the two prints (48.00 + .024, 48.02) would be repeats.
    """
    rows = [("black", np.zeros(3), BLACK * GREY)]
    rows += [(f"A.2 {name}", *rest) for name, *rest in greys(A2)]
    rows += [(f"A.3 {name}", *rest) for name, *rest in greys(A3)]
    for entry in A4[:3]:
        codes, x, y, light = entry[1:4].astype(float), *entry[4:].astype(float)
        rows.append((entry[0], codes, light * xy_to_unit_xyz((x, y)) + BLACK * GREY))
    return rows


def cgats(rows, signal_max=4095, encoding="XYZ"):
    """Return a CGATS.17 file of rows: name, code values, X, Y, Z."""
    keys = KEYS | {"SIGNAL_MAX": signal_max} | ({"ENCODING": encoding} if encoding else {})
    lines = ["CGATS.17", *(f'{key} "{value}"' for key, value in keys.items()), "NUMBER_OF_FIELDS 7"]
    lines += ["BEGIN_DATA_FORMAT", FIELDS, "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    for name, codes, xyz in rows:
        lines.append(" ".join([f'"{name}"', *(f"{code:.0f}" for code in codes), *(f"{value:.6f}" for value in xyz)]))
    return "\n".join([*lines, "END_DATA"]).encode()


def found(rows, place=REVIEW_ROOM, sure=EXACT, instrument=METER, shows="P3 DCI", **keys):
    session = read_session(cgats(rows, **keys), "readings/P1.txt", FACILITY, STANDARD[shows])
    return {entry.name.split(", step")[0]: entry for entry in step_checks(session, instrument, sure, place)}


def changed(rows, name, factor):
    return [(label, codes, xyz * (factor if label == name else 1)) for label, codes, xyz in rows]


def test_the_steps_are_those_of_the_standard():
    for table, reference in ((BLACK_TO_WHITE, A2), (BLACK_TO_DARK_GREY, A3)):
        assert np.array(table.codes).tolist() == reference[:, 1:4].tolist()
        assert np.array(table.tolerances) == pytest.approx(reference[:, 6] / 100)
        # The Test Plan's Y above black is what the codes mean: three printed decimals, and some 2 mcd/m² of its own
        meant = 48 * (reference[:, 2] / 3960) ** 2.6
        assert meant == pytest.approx(reference[:, 5], abs=0.0031)
    for name, codes in zip(PRIMARIES, A4[:3, 1:4].astype(int).tolist(), strict=True):
        assert PRIMARIES[name] == tuple(codes)


def test_the_printed_tables_pass_read_back_from_a_file():
    checks = found(printed())
    names = ["black to white", "white, black to white", "black to dark grey", "white, black to dark grey"]
    assert [*checks] == [*names, *(f"luminance of {channel}" for channel in PRIMARIES)]
    assert {entry.result for entry in checks.values()} == {"pass"}
    assert "worst of 10 steps, 0 outside" in checks["black to white"].source


@pytest.mark.parametrize(
    ("step", "factor", "name", "result"),
    [
        ("A.2 5", 1.02, "black to white", "pass"),  # ±3 %
        ("A.2 5", 1.04, "black to white", "fail"),
        ("A.2 2", 1.04, "black to white", "pass"),  # ±5 %
        ("A.2 2", 0.94, "black to white", "fail"),
        ("A.3 6", 1.06, "black to dark grey", "fail"),  # ±5 %
        ("A.3 1", 1.03, "black to dark grey", "pass"),  # ±20 % of what is above black
        ("A.3 1", 1.06, "black to dark grey", "fail"),
        ("Green-1", 0.975, "luminance of green", "pass"),  # ±3 %
        ("Green-1", 0.96, "luminance of green", "fail"),
        ("Blue-1", 1.04, "luminance of blue", "fail"),
    ],
)
def test_a_patch_that_is_off_is_named(step, factor, name, result):
    entry = found(changed(printed(), step, factor))[name]
    assert entry.result == result
    if result == "fail" and step.startswith("A."):
        assert entry.name == f"{name}, step {step.split()[1]}"
        assert "worst of 10 steps, 1 outside" in entry.source


def test_a_peak_that_is_off_moves_no_step():
    dim = [(name, codes, 0.7 * xyz) for name, codes, xyz in printed()]
    assert {entry.result for entry in found(dim).values()} == {"pass"}


def test_a_gamma_that_is_off_fails_at_the_steps():
    rows = [("black", np.zeros(3), BLACK * GREY)]
    rows += [(f"{row[0]:.0f}", row[1:4], (48 * (row[2] / 3960) ** 2.4 + BLACK) * GREY) for row in A2]
    entry = found(rows)["black to white"]
    assert entry.result == "fail"
    assert entry.name == "black to white, step 1"
    assert "8 outside" in entry.source


def test_the_white_of_the_steps_is_judged_from_1_cd_m2_up():
    pink = xy_to_unit_xyz((0.318, 0.351))
    rows = [(name, codes, xyz[1] * pink if name == "A.2 4" else xyz) for name, codes, xyz in printed()]
    entry = found(rows)["white, black to white"]
    assert (entry.name, entry.result, entry.unit) == ("white, black to white, step 4", "fail", "x")
    assert entry.value == pytest.approx(0.004, abs=1e-4)
    assert found(rows, place=THEATRE)["white, black to white"].result == "pass"
    rows = [(name, codes, xyz[1] * pink if name == "A.2 1" else xyz) for name, codes, xyz in printed()]
    assert found(rows)["white, black to white"].result == "pass"  # 0.12 cd/m²


@pytest.mark.parametrize("top", [255, 1023, 4095, 65535])
def test_the_steps_are_found_as_r_g_b(top):
    """The same greys fed as r, g, b of P3 DCI: tenths of full, rounded to whole codes."""
    rows = [("black", np.zeros(3), BLACK * GREY)]
    for tenth in range(1, 11):
        code = np.round(top * tenth / 10)
        rows.append((f"grey {tenth}", np.full(3, code), (48 * (code / top) ** 2.6 + BLACK) * GREY))
    checks = found(rows, signal_max=top, encoding="")
    assert checks["black to white"].value == pytest.approx(0, abs=1e-4)  # six printed decimals
    assert "black to dark grey" not in checks
    rows[3] = (rows[3][0], rows[3][1], rows[3][2] * 1.04)
    assert found(rows, signal_max=top, encoding="")["black to white"].name == "black to white, step 3"


def test_a_session_that_lacks_a_step_or_black_is_not_judged():
    rows = printed()
    assert "black to white" not in found([row for row in rows if row[0] != "A.2 7"])
    assert found(rows[1:]) == {}


def test_another_white_holds_none_of_the_steps():
    rows = [("black", np.zeros(3), BLACK * GREY), *greys(A2)]
    tenths = [(name, np.full(3, round(409.5 * int(name))), xyz) for name, _, xyz in rows[1:]]
    assert found([rows[0], *tenths], shows="P3 D65", encoding="") == {}


def test_a_coarse_meter_leaves_the_darkest_step_undecided():
    coarse = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
    entry = found(printed(), instrument=coarse)["black to dark grey"]
    assert entry.result == "undecided"
    assert "4 undecided" in entry.source
    assert entry.uncertainty > entry.limit
