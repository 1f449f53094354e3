"""Patch lists to measure: complete, labelled, readable as sessions once the readings stand beside them."""

from datetime import UTC, datetime

import numpy as np
import pytest

from matchlib.cli import commands
from matchlib.displays.response import fit_response
from matchlib.encoding import STANDARD, tristimulus_to_xyz
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.readings.formats.recognise import read_session
from matchlib.readings.session import average_repeats, missing_from
from matchlib.running.patch_file import SETS, patch_list, write_patches


def measured(text, display):
    """Return a list with the readings that a simulated display gives, as a technician would file it."""
    comments = [line for line in text.splitlines() if line.startswith("#")]
    header, *rows = [line for line in text.splitlines() if not line.startswith("#")]
    full = int(next(line for line in comments if "signal_max" in line).split(":")[1])
    codes = np.array([[int(cell) for cell in row.split(",")[-3:]] for row in rows])
    if any("encoding: XYZ" in line for line in comments):
        xyz = 48 * tristimulus_to_xyz(codes / full) + display.black_xyz
    else:
        xyz = display.show(codes / full)
    body = [f"{row},{','.join(f'{value:.6g}' for value in reading)}" for row, reading in zip(rows, xyz, strict=True)]
    keys = ["# display: P1", "# measured: 2026-03-02T10:00:00Z", "# instrument: S1"]
    return "\n".join([*comments, *keys, f"{header},X,Y,Z", *body]) + "\n"


@pytest.mark.parametrize("name", ["session", "short", "standard"])
@pytest.mark.parametrize("full", [255, 1023, 4095])
def test_a_list_once_measured_is_a_complete_session(make_facility, displays, name, full):
    facility = read_facility(make_facility())
    data = measured(patch_list(name, full), displays["P1"]).encode()
    session = read_session(data, "readings/x.csv", facility, STANDARD["P3 DCI"])
    assert missing_from(average_repeats(session)) == []
    assert session.warnings == ()
    assert session.header.measured == datetime(2026, 3, 2, 10, tzinfo=UTC)
    assert fit_response(session).gamma == pytest.approx(2.6, abs=0.02)


def test_the_printed_steps_are_read_as_their_tables(make_facility, displays):
    facility = read_facility(make_facility())
    data = measured(patch_list("steps", 1023), displays["P1"]).encode()
    session = read_session(data, "readings/x.csv", facility, STANDARD["P3 DCI"])
    assert session.header.encoding.tristimulus
    # RP 431-2:2011, Table A.2, step 10: 48.02 with a black of 0.024
    step = session.labels.index("black to white 10")
    assert session.xyz[step, 1] == pytest.approx(48.0 + 0.02, abs=0.03)


def test_the_session_list_repeats_white_from_end_to_end():
    rows = [line.split(",")[0] for line in patch_list("session", 1023).splitlines() if not line.startswith("#")]
    places = [place / len(rows) for place, label in enumerate(rows) if label == "white"]
    assert min(places) < 0.2
    assert any(0.4 < place < 0.6 for place in places)
    assert max(places) > 0.95


def test_every_list_warns_of_its_flashes_and_tells_what_to_add():
    for name in SETS:
        text = patch_list(name, 1023)
        assert "photosensitive epilepsy" in text
        assert "display, measured, instrument" in text


def test_a_range_too_coarse_for_the_list():
    with pytest.raises(InputError, match="have the same code in a range of 15") as caught:
        patch_list("session", 15)
    assert "--signal-max 1023" in str(caught.value)


def test_the_command(tmp_path, capsys):
    out = tmp_path / "patches.csv"
    commands.main(["patches", "--out", str(out)], standalone_mode=False)
    assert f"→ {out}" in capsys.readouterr().out
    first = out.read_bytes()
    with pytest.raises(InputError, match="already there"):
        write_patches("short", 1023, out)
    assert out.read_bytes() == first
    assert write_patches("white", 255, out, replace=True) == 3
    with pytest.raises(InputError, match="is a folder"):
        write_patches("white", 255, tmp_path)
