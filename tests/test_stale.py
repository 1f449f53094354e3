"""What is stale and nothing else: which rooms a change touches; a quick stand-in takes the notebook's place."""

import csv
import json
from pathlib import Path

import pytest

from matchlib.running import batch
from matchlib.running.batch import Request, run
from matchlib.running.store import REPORT
from matchlib.running.worker import Outcome

EXAMPLE = Path(__file__).parents[1] / "reports" / "example"
MORE = """
[projectors.P2]
light = "laser"
encoding = "P3 DCI"

[rooms.studio-3]
projector = "P2"
"""
MONITORS = """\
monitor,room,panel,location,note
M1,studio-1,wide-gamut LCD,window,x
M2,studio-1,wide-gamut LCD,door,x
M3,studio-2,OLED,desk,x
M4,studio-3,OLED,desk,x
"""
ROOMS = ["studio-1", "studio-2", "studio-3"]


def make_quickly(job):
    """Put a report that stands in for the notebook's where a worker would."""
    raw = json.loads((EXAMPLE / "match.json").read_text(encoding="utf-8"))
    job.report.mkdir(parents=True)
    for name in REPORT:
        (job.report / name).write_text(f"{name} of {job.hash}", encoding="utf-8")
    (job.report / "targets.csv").write_text(f"head\n{job.room}\n", encoding="utf-8")
    text = json.dumps(raw | {"room": job.room, "hash": job.hash, "date": job.day})
    (job.report / "match.json").write_text(text, encoding="utf-8")
    return Outcome(job.room, "made")


@pytest.fixture
def house(make_facility, session_text, monkeypatch):
    """Return the facility folder, and a function that runs and returns which rooms were made."""
    monkeypatch.setattr(batch, "make_report", make_quickly)
    files = {
        f"readings/{name}.csv": session_text(name, seed=seed) for seed, name in enumerate(("P2", "M4"), start=50)
    }
    folder = make_facility(monitors=MONITORS, toml_more=MORE, files=files)

    def made(**changes):
        summary = run(Request(folder, out=folder.parent / "out", **changes), lambda _: None, lambda _: None)
        assert summary.errors == []
        return [line.split("   ")[0] for line in summary.lines if " · unchanged" not in line]

    assert made() == ROOMS
    return folder, made


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_nothing_changed_makes_nothing(house):
    folder, made = house
    edit(folder / "facility.toml", "[rooms.studio-1]", "# a remark\n[rooms.studio-1]")
    assert made() == []


@pytest.mark.parametrize(
    ("file", "old", "new", "rooms"),
    [
        ("facility.toml", 'P1"\n\n[rooms.studio-2]', 'P1"\ntolerances.white = 0.004\n\n[rooms.studio-2]', ROOMS[:1]),
        ("facility.toml", "[rooms.studio-2]", '[rooms.studio-2]\nsurround = "dark"', ROOMS[1:2]),
        ("facility.toml", 'name = "Small', 'tolerances.gamma = 0.2\nname = "Small', ROOMS),
        ("facility.toml", '"laser"', '"laser phosphor"', ROOMS[2:]),
        ("facility.toml", '"xenon lamp"', '"lamp"', ROOMS[:2]),
        ("monitors.csv", "M3,studio-2,OLED,desk", "M3,studio-2,OLED,wall", ROOMS[1:2]),
        ("monitors.csv", "M2,studio-1,", "M2,studio-2,", ROOMS[:2]),
        ("readings/M4.csv", "# display: M4\n", "# display: M4\n# note: read again\n", ROOMS[2:]),
        ("readings/P1.csv", "# display: P1\n", "# display: P1\n# note: read again\n", ROOMS[:2]),
    ],
)  # fmt: skip
def test_a_change_makes_exactly_the_rooms_it_touches(house, file, old, new, rooms):
    """Tolerances of one room and of all, a room's settings, projectors, the inventory, sessions."""
    folder, made = house
    edit(folder / file, old, new)
    assert made() == rooms
    assert made() == []


def test_a_new_row_does_not_touch_the_rooms_of_the_rows_below(house):
    folder, made = house
    edit(folder / "monitors.csv", "M1,", "M0,studio-2,OLED,desk,x\nM1,")
    assert made() == ROOMS[1:2]


@pytest.mark.parametrize(("display", "rooms"), [("M1", ROOMS[:1]), ("P2", ROOMS[2:]), ("P1", ROOMS[:2])])
def test_a_new_session_makes_its_rooms(house, session_text, display, rooms):
    folder, made = house
    text = session_text(display, "2026-04-01T10:00:00", seed=99)
    (folder / "readings" / f"{display}_new.csv").write_text(text, encoding="utf-8")
    assert made() == rooms


def test_a_correction_touches_the_rooms_with_its_panel(house, session_text):
    """M3 and M4 are OLED; M3's pair corrects C1 on both, read with M3's encoding."""
    folder, made = house
    for instrument in ("C1", "S1"):
        text = session_text("M3", "2026-01-05T10:00:00", seed=7, instrument=instrument)
        (folder / "readings" / f"M3_{instrument}.csv").write_text(text, encoding="utf-8")
    assert made() == ROOMS[1:2]  # so far these are sessions of M3, and no more
    pair = 'instrument = "C1"\nsession = "readings/M3_C1.csv"\nreference_session = "readings/M3_S1.csv"\n'
    with (folder / "facility.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[[corrections]]\n{pair}")
    assert made() == ROOMS[1:]
    edit(folder / "monitors.csv", MONITORS.splitlines()[0], MONITORS.splitlines()[0] + ",encoding")
    for row in MONITORS.splitlines()[1:]:
        edit(folder / "monitors.csv", f"{row}\n", f"{row},{'P3 D65' if row.startswith('M3') else ''}\n")
    assert made() == ROOMS[1:]
    assert made() == []


def test_an_entry_of_formats_touches_the_rooms_whose_files_it_reads(house):
    folder, made = house
    entry = """
[[formats]]
files = "readings/export/{display}.csv"
columns = {r = "R", g = "G", b = "B", X = "X", Y = "Y", Z = "Z"}
keys = {signal_max = 255, instrument = "S1", measured = 2026-02-02T10:00:00}
"""
    (folder / "readings" / "export").mkdir()
    (folder / "readings" / "export" / "M4.csv").write_text("R,G,B,X,Y,Z\n255,0,0,20,10,1\n", encoding="utf-8")
    with (folder / "facility.toml").open("a", encoding="utf-8") as file:
        file.write(entry)
    assert made() == ROOMS[2:]
    edit(folder / "facility.toml", "signal_max = 255", "signal_max = 1023")
    assert made() == ROOMS[2:]


def test_an_instrument_touches_every_room_for_it_may_be_what_decides(house):
    folder, made = house
    edit(folder / "facility.toml", "xy = 0.004", "xy = 0.003")
    assert made() == ROOMS


def test_another_version_makes_every_room(house, monkeypatch):
    _, made = house
    monkeypatch.setattr("matchlib.matching.inputs.code_digest", lambda: "another")
    assert made() == ROOMS
    monkeypatch.undo()


def test_older_reports_stay_and_stand_in_the_index(house, session_text):
    folder, made = house
    studio = folder.parent / "out" / "small"
    older = {path: path.read_bytes() for path in studio.rglob("match.json")}
    text = session_text("M3", "2026-04-01T10:00:00", seed=99)
    (folder / "readings" / "M3_new.csv").write_text(text, encoding="utf-8")
    assert made() == ["studio-2"]
    assert {path: path.read_bytes() for path in older} == older
    rows = list(csv.DictReader((studio / "index.csv").read_text(encoding="utf-8").splitlines()))
    assert [(row["room"], row["date"], row["current"]) for row in rows] == [
        ("studio-1", "2026-03-02", "yes"),
        ("studio-2", "2026-03-02", "no"),
        ("studio-2", "2026-04-01", "yes"),
        ("studio-3", "2026-03-02", "yes"),
    ]
    assert all((studio / row["report"]).is_file() for row in rows)
    assert "1 earlier" in (studio / "index.html").read_text(encoding="utf-8")


def test_the_index_tells_rooms_that_were_not_asked_for_or_are_at_fault(house, session_text):
    folder, made = house
    for name in ("M1", "M3"):
        text = session_text(name, "2026-04-01T10:00:00", seed=99)
        (folder / "readings" / f"{name}_new.csv").write_text(text, encoding="utf-8")
    (folder / "readings" / "M4_new.csv").write_text("# display: M4\n", encoding="utf-8")
    assert made(rooms=("studio-1",)) == ["studio-1"]
    html = (folder.parent / "out" / "small" / "index.html").read_text(encoding="utf-8")
    assert html.count("its inputs changed since: run matchlib report") == 1
    assert html.count("its inputs are at fault: run matchlib check") == 1


def test_with_an_earlier_day_the_index_still_tells_todays_report(house, session_text):
    folder, made = house
    for month in ("04", "05"):
        text = session_text("M3", f"2026-{month}-01T10:00:00", seed=int(month))
        (folder / "readings" / f"M3_{month}.csv").write_text(text, encoding="utf-8")
    assert made() == ["studio-2"]
    assert made(on="2026-03-31", rooms=("studio-2",)) == []  # what was made before those sessions came
    assert made(on="2026-04-15", rooms=("studio-2",)) == ["studio-2"]
    rows = csv.DictReader((folder.parent / "out" / "small" / "index.csv").read_text("utf-8").splitlines())
    found = [(row["date"], row["current"]) for row in rows if row["room"] == "studio-2"]
    assert found == [("2026-03-02", "no"), ("2026-04-01", "no"), ("2026-05-01", "yes")]


def test_the_sheet_keeps_the_order_of_the_rooms_whichever_is_made(house):
    folder, made = house
    edit(folder / "monitors.csv", "M4,studio-3,OLED,desk", "M4,studio-3,OLED,wall")
    assert made(rooms=("studio-3",)) == ["studio-3"]
    sheet = (folder.parent / "out" / "small" / "sheet.csv").read_text(encoding="utf-8").splitlines()
    assert sheet[1:] == ROOMS


def test_a_damaged_report_spoils_its_room_alone(house, session_text):
    folder, _ = house
    studio = folder.parent / "out" / "small"
    (report,) = (studio / "studio-1").glob("*/match.json")
    report.write_text("{", encoding="utf-8")
    text = session_text("M3", "2026-04-01T10:00:00", seed=99)
    (folder / "readings" / "M3_new.csv").write_text(text, encoding="utf-8")
    summary = run(Request(folder, out=folder.parent / "out"), lambda _: None, lambda _: None)
    (error,) = summary.errors
    assert error.startswith("studio-1: ")
    assert error.endswith("match.json is damaged; move that folder away and run again")
    assert summary.code == 1
    assert [line.split("   ")[0] for line in summary.lines] == ["studio-2", "studio-3"]
    assert "2026-04-01" in (studio / "index.csv").read_text(encoding="utf-8")


def test_what_is_not_current_any_more_is_told(house):
    folder, _ = house
    edit(folder / "facility.toml", "[rooms.studio-3]", "[rooms.attic]")
    edit(folder / "monitors.csv", "M4,studio-3", "M4,attic")
    (folder / "readings" / "M3_new.csv").write_text("# display: M3\n", encoding="utf-8")
    summary = run(Request(folder, out=folder.parent / "out"), lambda _: None, lambda _: None)
    assert "studio-2.pdf is not of the newest readings and settings" in summary.notes
    assert "studio-3.pdf is of no room of this facility any more" in summary.notes
