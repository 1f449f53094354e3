"""The round of a day on a simulated studio in which every reason for a visit is known; and on the demo."""

import csv
import math
from dataclasses import replace
from datetime import date
from io import StringIO
from pathlib import Path

import pikepdf
import pytest

from matchlib import cli
from matchlib.displays.simulate import session_patches
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Instrument, Monitor
from matchlib.matching.dark_repeats import dark_repeats
from matchlib.matching.due import DOUBT, MOVED, NEW, OLD, OUT, SOON, Reason, Rules, hours_since, need_of
from matchlib.matching.history import DisplayHistory, trends_of
from matchlib.matching.visiting import (
    PLACE,
    SETTING,
    WALK,
    WARM_UP,
    Patching,
    light_for,
    minutes_for,
    readings_for,
    tool_for,
)
from matchlib.readings.archive import Archive
from matchlib.readings.instrument import Correction, Residual
from matchlib.readings.instrument_noise import NoiseModel
from matchlib.reporting.worklist import COLUMNS, page_data, worklist_csv
from matchlib.running.history import Historian
from matchlib.running.worklist import FILES, Request, worklist_of, write_worklist

DEMO = Path(__file__).parents[1] / "data"
ON = date(2026, 3, 20)
RULES = Rules(next_days=180)
SPECTRO = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.002, contact=False, common_xy=0.5)
CONTACT = Instrument("C1", "colorimeter", 0.04, 0.004, 0.01, contact=True, common_xy=0.0)
BOTH = {"S1": SPECTRO, "C1": CONTACT}


def call_line(capsys, *arguments):
    with pytest.raises(SystemExit) as stop:
        cli.main(["worklist", *map(str, arguments)])
    printed = capsys.readouterr()
    return stop.value.code, printed.out, printed.err


def kinds(worklist):
    return {call.standing.row.id: [reason.kind for reason in call.reasons] for call in worklist.calls}


def rows_of(folder):
    return list(csv.DictReader(StringIO((folder / FILES[0]).read_text(encoding="utf-8"))))


def correction(made, panel="LCD"):
    left = Residual(0.0005, 0.003)
    return Correction("C1", "S1", panel, "four-colour matrix", None, left, left, made, "a", "b")


def test_several_processes_make_the_same_round(ageing_studio):
    archive = Archive(read_facility(ageing_studio), ON)
    done = []
    found = worklist_of(archive, RULES, done.append, workers=2)
    alone = worklist_of(archive, RULES)
    assert done == ["studio-1", "studio-2", "studio-3"]
    assert worklist_csv(found) == worklist_csv(alone)
    assert page_data(found) == page_data(alone)


def test_a_preset_whose_readings_are_refused_leaves_the_others_judged(make_facility, session_text, displays):
    """M1's second preset has a broken file; its first is too dim, and M2 is corrected by a pair read on M1."""
    film = session_text("M1", shows=replace(displays["P1"], luminance=38.0), preset="film")
    video = session_text("M1", "2026-03-04T10:00:00", preset="video")
    pair = '[[corrections]]\ninstrument = "C1"\nsession = "readings/pair/C1.csv"\n'
    pair += 'reference_session = "readings/pair/S1.csv"\n'
    files = {"readings/M1.csv": film, "readings/M1_video.csv": video.replace("4095,4095,4095,", "4095,4095,x,", 1)}
    for name in ("C1", "S1"):
        files[f"readings/pair/{name}.csv"] = session_text(
            "M1", "2026-01-05T10:00:00", instrument=name, preset="video"
        )
    files["readings/M2.csv"] = session_text("M2", instrument="C1")
    rows = "monitor,room,panel,preset\nM1,studio-1,LCD,film\nM1,studio-1,LCD,video\nM2,studio-1,LCD,\n"
    rows += "M3,studio-2,OLED,\n"
    root = make_facility(monitors=rows, toml_more=pair, files=files)
    calls = worklist_of(Archive(read_facility(root), ON), RULES).calls
    found = {call.standing.history.name: call for call in calls}
    assert [reason.kind for reason in found["M1 · film"].reasons] == [OUT]
    assert [reason.kind for reason in found["M1 · video"].reasons] == [DOUBT]
    assert any("corrected to S1" in warning for warning in found["M2"].standing.match.warnings)


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_hours_that_fell_in_the_inventory_tell_of_another_panel(ageing_studio):
    """M2 was read at 400 h on 5 March."""
    edit(ageing_studio / "monitors.csv", "LCD,desk,2025-09-05,,", "LCD,desk,,12,2026-03-15")
    found = worklist_of(Archive(read_facility(ageing_studio), ON), RULES)
    (call,) = [call for call in found.calls if call.standing.row.id == "M2"]
    assert [reason.kind for reason in call.reasons] == [DOUBT]
    assert (
        "12 h on 2026-03-15, less than the 400 h of the session before it: that was another panel"
        in call.reasons[0].words
    )
    assert not call.sets


def test_a_session_dated_in_the_future_counts_for_nothing(ageing_studio, capsys, tmp_path):
    path = ageing_studio / "readings" / "2026-03-05" / "M2.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("2026-03-05T", "2062-03-05T"), encoding="utf-8")
    archive = Archive(read_facility(ageing_studio))
    assert archive.calibrated_choice(archive.facility.monitors[1]).session.file.startswith("readings/2026-03-05/M2")
    (call,) = [call for call in worklist_of(archive, Rules()).calls if call.standing.row.id == "M2"]
    assert call.standing.history.visits[-1].day == date(2026, 1, 5)
    _, _, err = call_line(capsys, ageing_studio, "--out", tmp_path)
    assert "readings/2026-03-05/M2.csv: measured 2062-03-05, a day yet to come" in err


def test_doubts_about_the_screen_are_told_in_its_room(ageing_studio, capsys, tmp_path):
    """P1's newest file holds the readings of the one before, under another date."""
    folder = ageing_studio / "readings"
    text = (folder / "2026-01-05" / "P1.csv").read_text(encoding="utf-8").replace("2026-01-05T", "2026-03-05T")
    (folder / "2026-03-05" / "P1.csv").write_text(text, encoding="utf-8")
    found = worklist_of(Archive(read_facility(ageing_studio), ON), RULES)
    (doubt,) = found.rooms[0].doubts
    assert "the screen's readings may not be right: readings/2026-03-05/P1.csv" in doubt
    _, _, err = call_line(capsys, ageing_studio, "--on", ON, "--out", tmp_path)
    assert f"warning: studio-1: {doubt}" in err


def test_readings_of_one_round_foretell_nothing(ageing_studio):
    """As found, set, set again, read at last: M2 on one afternoon."""
    folder = ageing_studio / "readings"
    text = (folder / "2026-03-05" / "M2.csv").read_text(encoding="utf-8")
    for day in ("2025-09-05", "2025-11-05", "2026-01-05"):
        (folder / day / "M2.csv").unlink()
    for hour in (11, 12, 13):
        (folder / f"M2_{hour}.csv").write_text(text.replace("T10:00:00", f"T{hour}:00:00"), encoding="utf-8")
    archive = Archive(read_facility(ageing_studio), ON)
    history = Historian(archive).of_monitor(archive.facility.monitors[1], None)
    assert len(history.visits) == 4
    assert all(found.drift is None for found in trends_of(history).values())


def test_each_reason_is_found_where_it_is_and_nowhere_else(ageing_studio):
    found = worklist_of(Archive(read_facility(ageing_studio), ON), RULES)
    assert kinds(found) == {
        "M1": [SOON],
        "M3": [NEW],
        "N1": [OUT, MOVED],
        "N2": [DOUBT],
        "Q1": [OLD],
    }
    assert [room.room.id for room in found.rooms] == ["studio-1", "studio-2", "studio-3"]
    for room in found.rooms:
        needs = [call.need for call in room.calls]
        assert needs == sorted(needs, reverse=True)
    told = {call.standing.row.id: call for call in found.calls}
    assert "peak about 2026-0" in told["M1"].reasons[0].words
    assert "N2.csv" in told["N2"].reasons[0].words
    assert "white by 0.0" in told["N1"].reasons[1].words
    assert "412 days (allowed 180)" in told["Q1"].reasons[0].words
    assert told["Q1"].standing.match is None
    assert "projector P3" in found.rooms[2].fault
    assert told["N1"].sets
    assert not any(told[name].sets for name in ("M3", "N2", "Q1"))
    assert told["N2"].target is None


def test_the_day_of_the_round_decides(ageing_studio):
    facility = read_facility(ageing_studio)
    early = worklist_of(Archive(facility, date(2026, 3, 5)), Rules(next_days=7))
    assert "M1" not in kinds(early)
    late = worklist_of(Archive(facility, date(2027, 3, 20)), Rules())
    assert kinds(late)["M2"] == [OLD]
    assert SOON in kinds(late)["M1"]
    before = worklist_of(Archive(facility, date(2026, 3, 1)), Rules(next_days=7))
    assert kinds(before).get("N1") is None, "the lamp was changed later"
    assert kinds(before).get("N2") is None, "the broken file is of a later day"


def test_an_adjustment_after_the_newest_session_is_heeded_unless_it_lies_ahead(ageing_studio):
    """N1 was read on 2025-10-01, the lamp changed on 2026-03-05 at the latest."""
    path = ageing_studio / "monitors.csv"
    text = path.read_text(encoding="utf-8")

    def n1(adjusted):
        path.write_text(text.replace("left,2025-10-01", f"left,{adjusted}"), encoding="utf-8")
        found = worklist_of(Archive(read_facility(ageing_studio), ON), Rules())
        return next(call for call in found.calls if call.standing.row.id == "N1")

    since = n1("2026-03-10")
    assert [reason.kind for reason in since.reasons] == [OUT, DOUBT]
    assert "before the last adjustment on 2026-03-10" in since.reasons[1].words
    assert not since.sets
    ahead = n1("2026-04-01")
    assert [reason.kind for reason in ahead.reasons] == [OUT, MOVED]
    assert ahead.sets


def test_options_move_what_is_overdue(ageing_studio):
    archive = Archive(read_facility(ageing_studio), ON)
    assert OLD in kinds(worklist_of(archive, Rules(overdue_days=14)))["M2"]
    assert OLD in kinds(worklist_of(archive, Rules(overdue_days=14)))["M1"]
    assert "Q1" not in kinds(worklist_of(archive, Rules(overdue_days=500)))
    assert OLD in kinds(worklist_of(archive, Rules(overdue_hours=500)))["N1"]


def test_hours_are_told_from_sessions_and_inventory(ageing_studio):
    """N1: 400 hours on 2025-10-01, 900 on 2026-02-01, 123 days; so 4.065 a day until 2026-03-20, 170 days."""
    historian = Historian(Archive(read_facility(ageing_studio), ON))
    row = next(monitor for monitor in historian.archive.facility.monitors if monitor.id == "N1")
    history = historian.of_monitor(row, None)
    assert hours_since(history, row, date(2025, 10, 1), ON) == pytest.approx(500 / 123 * 170)
    assert hours_since(history, row, None, ON) is None
    alone = Monitor("N1", "studio-2", "LCD")
    assert hours_since(history, alone, date(2025, 10, 1), ON) is None, "one point makes no rate"
    assert hours_since(DisplayHistory("N1", "", "monitor", ()), alone, ON, ON) is None


def test_the_need_is_the_largest_weight_and_a_tenth_of_the_others():
    assert need_of([Reason(OLD, "", 30), Reason(OUT, "", 120), Reason(SOON, "", 50)]) == 128
    assert need_of([]) == 0


@pytest.mark.parametrize(
    ("last", "made", "chosen", "fault"),
    [
        ("", None, "S1", False),
        ("S1", date(2026, 1, 1), "S1", False),
        ("C1", date(2026, 1, 1), "C1", False),
        ("C1", date(2024, 1, 1), "S1", False),
        ("C1", None, "S1", False),
        ("gone", date(2026, 1, 1), "S1", False),
    ],
)
def test_the_instrument_fits_panel_and_correction(last, made, chosen, fault):
    corrections = {} if made is None else {("C1", "LCD"): correction(made)}
    tool = tool_for("LCD", last, BOTH, corrections, ON)
    assert tool.instrument.id == chosen
    assert bool(tool.fault) is fault


def test_a_colorimeter_without_a_correction_is_told_and_light_follows_the_instrument():
    tool = tool_for("OLED", "C1", {"C1": CONTACT}, {("C1", "LCD"): correction(ON)}, ON)
    assert "no correction of the last year for the panel 'OLED'" in tool.fault
    assert tool_for("OLED", "", {}, {}, ON).instrument is None
    assert light_for(CONTACT).startswith("as it is")
    assert light_for(SPECTRO).startswith("dark")


def test_dark_patches_are_repeated_and_minutes_add_up():
    patches = session_patches(steps=5, repeats=1)
    names = tuple((label,) for label in patches.labels)
    light = 0.02 + 48 * patches.signal.mean(axis=1) ** 2.4
    patching = Patching(names, light, [1] * len(light))
    found = readings_for(patching, SPECTRO, NoiseModel(0.001, 0.0, 0))
    expected = math.ceil((2 * 0.001 / (0.05 * 0.02)) ** 2)  # U = 2 σ / √n = 5 % of 0.02 cd/m²
    assert found.repeats[0].name == "black"
    assert found.repeats[0].needed == expected == 4
    dark = dark_repeats(names, light, NoiseModel(0.001, 0.0, 0))
    number = sum(patch.needed for patch in dark)
    assert found.number == len(light) - len(dark) + number
    assert found.seconds == 4 * (len(light) - len(dark)) + 20 * number
    assert minutes_for(found, sets=True) == math.ceil(PLACE + SETTING + found.seconds / 60)
    hard = readings_for(patching, SPECTRO, NoiseModel(0.01, 0.0, 0))
    assert hard.short
    assert hard.repeats[0].needed == 20


def test_the_table_holds_no_formula_and_the_pdf_the_cautions(capsys, ageing_studio, tmp_path):
    out = tmp_path / "out"
    code, printed, err = call_line(capsys, ageing_studio, "--on", ON, "--out", out, "--next", "180")
    assert code == 1  # studio-3 cannot be judged
    assert printed.splitlines()[-1].startswith("2026-03-20   5 of 7 monitors to visit, ")
    assert printed.startswith("studio-1   2 visits, ")
    assert "warning: studio-3 cannot be judged: no complete calibrated session of projector P3" in err
    folder = out / "ageing" / "_worklist"
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)
    rows = rows_of(folder)
    assert list(rows[0]) == list(COLUMNS)
    assert [row["monitor"] for row in rows] == ["M3", "M1", "N1", "N2", "Q1"]
    for row in rows:
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row.values())
    named = {row["monitor"]: row for row in rows}
    assert named["M1"]["location"] == '\'=HYPERLINK("x")'
    assert named["M3"]["location"] == "'+1 desk"
    assert named["N1"]["action"] == "set, then measure"
    assert named["N1"]["expected_result"] == "match"
    assert float(named["N1"]["luminance"]) == pytest.approx(42, rel=0.01)
    assert named["M1"]["leaves_first"] == "luminance"
    assert named["M1"]["leaves_earliest"] < named["M1"]["leaves_expected"] < named["M1"]["leaves_latest"]
    assert named["N2"]["luminance"] == ""
    assert named["N2"]["action"] == "measure again; set nothing before"
    assert {row["warm_up_minutes"] for row in rows} == {str(WARM_UP)}
    total = sum(int(row["minutes"]) for row in rows) + 3 * (WALK + WARM_UP)
    assert f"{total // 60} h {total % 60} min" in printed
    with pikepdf.open(folder / FILES[1]) as pdf:
        assert pdf.attachments["worklist.csv"].get_file().read_bytes() == (folder / FILES[0]).read_bytes()
        assert str(pdf.docinfo["/Title"]).startswith("Worklist of 2026-03-20")


def test_the_same_round_is_the_same_bytes(ageing_studio, tmp_path):
    made = [
        write_worklist(Request(ageing_studio, tmp_path / name, ON.isoformat(), RULES)).files for name in ("a", "b")
    ]
    for one, other in zip(*made, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_a_broken_facility_writes_nothing(capsys, ageing_studio, tmp_path):
    (ageing_studio / "facility.toml").write_text("name = ", encoding="utf-8")
    code, _, err = call_line(capsys, ageing_studio, "--out", tmp_path / "out")
    assert code == 2
    assert err.startswith("error: facility.toml")
    assert not (tmp_path / "out").exists()
    assert call_line(capsys, DEMO, "--on", "2026-13-01", "--out", tmp_path / "out")[0] == 2


def test_a_folder_that_cannot_be_written_is_named(capsys, tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    code, _, err = call_line(capsys, DEMO, "--on", "2026-09-10", "--out", tmp_path / "file")
    assert code == 2
    assert "name another folder with --out" in err
    assert "Traceback" not in err


def test_the_demo_says_what_its_reports_say(capsys, tmp_path):
    code, printed, err = call_line(capsys, DEMO, "--on", "2026-09-10", "--out", tmp_path)
    assert (code, err) == (0, "")
    assert "5 of 9 monitors to visit" in printed
    rows = {row["monitor"]: row for row in rows_of(tmp_path / "data" / "_worklist")}
    assert list(rows) == ["A2", "A3", "P2", "P3", "W3"]
    assert rows["W3"]["reasons"].startswith("never measured")
    assert all(row["leaves_first"] == "" for row in rows.values()), "one session a monitor: nothing is foretold"
