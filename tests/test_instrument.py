"""Correction of a colorimeter: arithmetic, invariance, panels, the facility's pairs, and what it does to a match."""

from dataclasses import replace

import numpy as np
import pytest

import matchlib
from matchlib.encoding import xy_to_unit_xyz
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.readings.archive import Archive
from matchlib.readings.instrument import FOUR_COLOUR, four_colour_matrix, least_squares_matrix
from matchlib.readings.pairs import newest_corrections

# A constructed arithmetic check, not published: chromaticities of red, green, blue, white by both instruments.
REFERENCE = xy_to_unit_xyz([(0.6800, 0.3200), (0.2650, 0.6900), (0.1500, 0.0600), (0.3140, 0.3510)])
READ = xy_to_unit_xyz([(0.6752, 0.3231), (0.2711, 0.6815), (0.1523, 0.0642), (0.3172, 0.3538)])
MATRIX = [
    [1.0120628, -0.0192212, -0.0006865],
    [-0.0071247, 1.00113405, -0.002861],
    [0.0004614, -0.00635531, 1.0246266],
]
# How a colorimeter's filters mix X, Y, Z on one kind of panel: invented, of the size of real ones.
FILTERS = np.array([[0.985, 0.021, -0.004], [0.008, 0.990, 0.006], [-0.003, -0.004, 0.957]])


def chromaticity(xyz):
    return xyz[:2] / xyz.sum()


def test_the_four_colour_matrix_is_the_constructed_one():
    matrix = four_colour_matrix(READ, REFERENCE)
    scale = MATRIX[1][1] / matrix[1, 1]  # the overall scale is free
    np.testing.assert_allclose(matrix * scale, MATRIX, atol=2e-7)
    for read, wanted in zip(READ, REFERENCE, strict=True):
        np.testing.assert_allclose(chromaticity(matrix @ read), chromaticity(wanted), atol=1e-12)
    probe = matrix @ xy_to_unit_xyz((0.3500, 0.4000))
    np.testing.assert_allclose(chromaticity(probe), (0.34727082, 0.39828719), atol=1e-8)


@pytest.mark.parametrize("colour", range(3))
def test_one_jump_of_luminance_changes_least_squares_but_not_the_four_colours(colour):
    factors = np.ones((4, 1))
    factors[colour] = 1.1
    np.testing.assert_allclose(four_colour_matrix(READ * factors, REFERENCE), four_colour_matrix(READ, REFERENCE))
    changed = least_squares_matrix(READ * factors, REFERENCE) - least_squares_matrix(READ, REFERENCE)
    assert np.abs(changed).max() > 0.01


def test_without_errors_both_methods_give_the_filters_back():
    wanted = np.random.default_rng(1).uniform(1, 80, (12, 3))
    read = wanted @ np.linalg.inv(FILTERS).T
    np.testing.assert_allclose(least_squares_matrix(read, wanted), FILTERS, rtol=1e-9)
    primaries = REFERENCE * [[20], [60], [8], [88]]
    np.testing.assert_allclose(
        four_colour_matrix(primaries @ np.linalg.inv(FILTERS).T, primaries), FILTERS, rtol=1e-9
    )


def test_colours_alike_are_refused():
    with pytest.raises(InputError, match="do not span a display's colours"):
        least_squares_matrix(np.ones((5, 3)), np.ones((5, 3)))


def misread(text):
    """Return a session of C1, whose filters err."""
    head, _, rows = text.replace("# instrument: S1", "# instrument: C1").partition("patch,r,g,b,X,Y,Z\n")
    lines = []
    for row in rows.splitlines():
        cells = row.split(",")
        xyz = np.linalg.inv(FILTERS) @ np.array(cells[-3:], dtype=float)
        lines.append(",".join([*cells[:-3], *(f"{value:.7g}" for value in xyz)]))
    return head + "patch,r,g,b,X,Y,Z\n" + "\n".join(lines) + "\n"


PAIR = """
[[corrections]]
instrument = "C1"
session = "readings/pairs/M2_C1.csv"
reference_session = "readings/pairs/M2_S1.csv"
"""


@pytest.fixture
def paired(make_facility, session_text):
    """Return a facility where C1 read M1, and C1 and S1 read M2 (both wide-gamut LCD) on one earlier day."""
    reference = session_text("M2", "2026-05-01T10:00:00", seed=11)
    own = session_text("M2", "2026-05-01T10:20:00", seed=12)

    def make(more=PAIR, **files):
        content = {
            "readings/pairs/M2_S1.csv": reference,
            "readings/pairs/M2_C1.csv": misread(own),
            "readings/M1.csv": misread(session_text("M1", "2026-06-10T10:00:00", seed=3)),
        }
        return make_facility(toml_more=more, files=content | files)

    return make


def test_a_pair_corrects_the_instrument_on_its_panel(paired):
    facility = read_facility(paired())
    archive = Archive(facility)
    (correction,) = newest_corrections(archive, [("C1", "wide-gamut LCD")]).values()
    assert correction.method == FOUR_COLOUR
    assert correction.reference == "S1"
    assert correction.before.uv > 0.004
    assert correction.after.uv < 0.0005  # below the 0.004 in x and y that C1 states
    assert correction.after.luminance < 0.002
    room = matchlib.match_room(facility.root, "studio-1")
    monitor = room.monitors[0]
    assert monitor.response.white_xy == pytest.approx((0.314, 0.351), abs=0.0006)
    (told,) = [warning for warning in monitor.warnings if warning.startswith("read by C1, corrected to S1")]
    assert "for the panel 'wide-gamut LCD' by the four-colour matrix of 2026-05-01, 40 days before" in told
    # As good as the reference, whose scale it now shares with the projector
    checks = {check.name: check.uncertainty for check in monitor.verdict.checks}
    assert checks["luminance"] < 0.01
    assert checks["white"] < 0.0015
    assert {"readings/pairs/M2_C1.csv", "readings/pairs/M2_S1.csv"} <= set(room.inputs)


def test_without_the_pair_the_instrument_misreads_and_says_so(paired):
    monitor = matchlib.match_room(paired(""), "studio-1").monitors[0]
    assert abs(monitor.response.white_xy[1] - 0.351) > 0.002
    assert any("C1 has no correction for this panel" in warning for warning in monitor.warnings)
    checks = {check.name: check.uncertainty for check in monitor.verdict.checks}
    assert checks["luminance"] > 0.03


def test_paired_sessions_never_count_though_they_are_newest(paired, session_text):
    late = misread(session_text("M2", "2027-01-01T10:00:00"))
    archive = Archive(read_facility(paired(**{"readings/pairs/M2_C1.csv": late})))
    choice = archive.calibrated_choice(next(m for m in archive.facility.monitors if m.id == "M2"))
    assert choice.session.file == "readings/M2.csv"
    assert ("readings/pairs/M2_C1.csv", "part of [[corrections]]") in choice.passed_over


def test_another_kind_of_panel_is_refused(paired):
    archive = Archive(read_facility(paired()))
    needed = [("C1", "wide-gamut LCD"), ("C1", "OLED")]
    found = newest_corrections(archive, needed)
    assert list(found) == [("C1", "wide-gamut LCD")]
    with pytest.raises(InputError, match="was made on the panel 'wide-gamut LCD'; it does not hold for 'OLED'"):
        found["C1", "wide-gamut LCD"].apply(np.ones(3), "OLED")


def test_a_pair_of_two_displays_or_of_one_instrument_is_refused(paired, session_text):
    other = paired(**{"readings/pairs/M2_S1.csv": session_text("M3", "2026-05-01T10:00:00")})
    with pytest.raises(InputError, match=r"it shows M2, and readings/pairs/M2_S1\.csv shows M3"):
        matchlib.match_room(other, "studio-1")


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('"C1"', '"C2"', "corrections.0.instrument: no instrument 'C2'"),
        ("pairs/M2_C1.csv", "pairs/M9.csv", "corrections.0.session: there is no file 'readings/pairs/M9.csv'"),
        ("readings/pairs/M2_C1", "../M2_C1", "is no path below readings/"),
        ("M2_S1", "M2_C1", "corrections.0.reference_session: is the same file as session"),
        ("reference_session", "referense", "corrections.0.referense: is not a key that is known here"),
    ],
)
def test_a_wrong_declaration_names_its_key(paired, old, new, what):
    folder = paired(PAIR.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_facility(folder)
    assert what in str(caught.value)
    assert "facility.toml, line" in str(caught.value)


def test_the_corrections_change_the_hash(paired):
    hashes = {matchlib.match_room(paired(more), "studio-1").hash for more in ("", PAIR)}
    assert len(hashes) == 2
    assert replace(read_facility(paired()), corrections=()).corrections == ()


def test_a_pair_on_a_screen_is_refused_where_its_instrument_read_the_screen(make_facility, session_text):
    """Only monitors' readings are corrected: read as they are, they would set every monitor to another colour."""
    pair = PAIR.replace("M2_", "P1_")
    files = {
        f"readings/pairs/P1_{name}.csv": session_text("P1", "2026-01-05T10:00:00", instrument=name)
        for name in ("S1", "C1")
    }
    by_reference = make_facility(name="reference", toml_more=pair, files=files)
    assert matchlib.match_room(by_reference, "studio-1").monitors
    own = {"readings/P1.csv": session_text("P1", instrument="C1")}
    with pytest.raises(InputError, match=r"a pair of C1 on a screen, readings/pairs/P1_C1\.csv: only monitors' are"):
        matchlib.match_room(make_facility(name="own", toml_more=pair, files=files | own), "studio-1")
