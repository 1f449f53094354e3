"""The demo facility: invented, known, and written by the code that stands here."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

import matchlib
from matchlib.displays.simulate_spectra import COLORIMETER, COLORIMETER_AGED, WIDE_GAMUT_LCD, error_matrix
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.readings.archive import Archive
from matchlib.readings.pairs import newest_corrections
from matchlib.running.demo import AGED_FILTERS, NEW_FILTERS, demo_files, write_demo

DATA = Path(__file__).parents[1] / "data"


def cells(text):
    return [cell for line in text.splitlines() for cell in line.split(",")]


def same(one, other):
    """Tell whether two cells are one text, or numbers alike to the last digit written.

    Powers may differ in the last bit from one machine to another, which can turn a rounding.
    """
    if one == other:
        return True
    return float(one) == pytest.approx(float(other), rel=2e-5)


def test_data_is_what_the_code_writes():
    written = demo_files()
    standing = {path.relative_to(DATA).as_posix() for path in DATA.rglob("*") if path.is_file()}
    assert standing == set(written)
    for name, text in written.items():
        found = (DATA / name).read_text(encoding="utf-8")
        ours, theirs = cells(text), cells(found)
        assert len(ours) == len(theirs), name
        assert all(same(one, other) for one, other in zip(ours, theirs, strict=True)), name


def test_every_file_says_that_it_is_invented():
    for name, text in demo_files().items():
        assert "nvented" in text, name
    assert all("invented" in row for row in demo_files()["monitors.csv"].splitlines()[1:])


def test_it_has_three_rooms_two_projectors_nine_monitors():
    content = tomllib.loads(demo_files()["facility.toml"])
    assert len(content["rooms"]) == 3
    assert len(content["projectors"]) == 2
    assert len(demo_files()["monitors.csv"].splitlines()) == 1 + 9


def test_what_was_made_wrong_with_its_monitors_is_found():
    from matchlib.reporting.words import faults

    found = {
        monitor.monitor: monitor
        for room in ("attic", "pear-tree", "well-house")
        for monitor in matchlib.match_room(DATA, room).monitors
    }
    results = {name: monitor.verdict.result for name, monitor in found.items()}
    assert results == {
        "A1": "match", "A2": "no match", "A3": "no match",
        "P1": "match", "P2": "no match", "P3": "no match",
        "W1": "match", "W2": "undecided", "W3": "not measured",
    }  # fmt: skip
    assert "no instrument here decides it" in found["W2"].deciding
    assert "white too blue" in faults(found["A2"])
    assert any("red primary outside the panel's gamut" in limit for limit in found["A3"].limits)
    assert faults(found["P2"]) == ["too dim"]
    assert any(limit.startswith("peak luminance: 39.") for limit in found["P2"].limits)
    assert faults(found["P3"]) == ["black too light"]
    assert any(limit.startswith("black: 0.62") for limit in found["P3"].limits)
    assert found["W2"].target.red_xy == pytest.approx(found["W2"].response.red_xy, abs=1e-4)


@pytest.mark.parametrize(("written", "instrument"), [(NEW_FILTERS, COLORIMETER), (AGED_FILTERS, COLORIMETER_AGED)])
def test_its_colorimeter_errs_as_the_simulated_one_does(written, instrument):
    np.testing.assert_allclose(written, error_matrix(WIDE_GAMUT_LCD, instrument), atol=6e-5)


def test_its_colorimeter_is_corrected_by_the_newer_pair():
    """W2 was made with its white at x = 0.3128, y = 0.3482."""
    room = matchlib.match_room(DATA, "well-house")
    monitor = next(entry for entry in room.monitors if entry.monitor == "W2")
    assert monitor.response.white_xy == pytest.approx((0.3128, 0.3482), abs=0.0003)
    assert any("by the four-colour matrix of 2026-09-08, 0 days before" in told for told in monitor.warnings)
    archive = Archive(read_facility(DATA))
    (correction,) = newest_corrections(archive, [("contact-2", "wide-gamut LCD")]).values()
    assert correction.before.uv > 0.005
    assert correction.after.uv < 0.0005
    assert correction.after.luminance < 0.005
    assert correction.matrix == pytest.approx(np.linalg.inv(AGED_FILTERS), abs=0.003)


def test_a_folder_that_is_not_empty_is_refused(tmp_path):
    (tmp_path / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="is not empty; name a new folder, or pass --replace"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
