"""The large facility: invented, seeded, ageing, and in order but for what is meant."""

import csv
import tomllib
from datetime import date

import pytest

from matchlib import cli
from matchlib.errors import InputError
from matchlib.running.demo_large import LAST_MONDAY, Size, large_facility, write_large
from matchlib.running.gate import check
from matchlib.running.whole_folder import write_folder

SIZE = Size(rooms=5, monitors=25, years=1, seed=5)


def keys(text):
    lines = [line[2:].split(": ", 1) for line in text.splitlines() if line.startswith("# ")]
    return dict(lines)


@pytest.fixture(scope="module")
def facility():
    return large_facility(SIZE)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = tmp_path_factory.mktemp("large") / "invented"
    steps = []
    count = write_large(root, SIZE, steps.append, lambda: steps.append(1))
    assert (steps[0], len(steps)) == (count, count + 1)
    return root


def rows(facility):
    return list(csv.DictReader(facility[0]["monitors.csv"].splitlines()))


def test_it_has_the_size_that_was_asked_for(facility):
    content = tomllib.loads(facility[0]["facility.toml"])
    assert len(content["rooms"]) == 5
    assert len(content["projectors"]) == 4
    assert len(rows(facility)) == 25
    assert {row["room"] for row in rows(facility)} == set(content["rooms"])
    screens = [entry for entry in facility[1] if entry.session.keys["display"].startswith("screen")]
    assert len(screens) == 4 * 52
    unread = sum("not measured" in row["note"] for row in rows(facility))
    calibrated = [entry for entry in facility[1] if entry not in screens and "pairs" not in entry.file]
    calibrated = [entry for entry in calibrated if entry.session.keys["mode"] == "calibrated"]
    assert len(calibrated) == 4 * (25 - unread)


def test_the_same_seed_gives_the_same_bytes_and_another_one_others(facility, folder):
    texts, planned = large_facility(SIZE)
    assert texts == facility[0]
    written = {path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8") for path in folder.rglob("*.*")}
    written = {name: text for name, text in written.items() if (folder / name).is_file()}
    assert written == texts | {entry.file: entry.text() for entry in planned}
    other, _ = large_facility(Size(5, 25, 1, SIZE.seed + 1))
    assert other["monitors.csv"] != texts["monitors.csv"]


def test_every_file_and_row_says_that_it_is_invented(facility):
    texts, planned = facility
    assert "Invented" in texts["facility.toml"]
    assert all(row["note"].startswith("invented") for row in rows(facility))
    assert all("invented" in entry.session.keys["note"] for entry in planned)


def test_lamps_decline_and_are_changed(facility):
    """A xenon lamp loses light as its hours grow; when they fall, it is bright again."""
    lamp = [entry for entry in facility[1] if entry.session.keys["display"] == "screen-1"]
    hours = [int(entry.session.keys["hours"]) for entry in lamp]
    light = [entry.session.display.luminance for entry in lamp]
    changes = [week for week in range(1, 52) if hours[week] < hours[week - 1]]
    assert 1 <= len(changes) <= 3
    for week in range(1, 52):
        assert (light[week] > light[week - 1]) == (week in changes)


def test_monitors_age_are_set_anew_or_were_never_read(facility):
    inventory = {row["monitor"]: row for row in rows(facility)}
    read = {entry.session.keys["display"] for entry in facility[1]}
    unread = {name for name, row in inventory.items() if "not measured" in row["note"]}
    assert unread
    assert set(inventory) - read == unread
    assert all(not inventory[name]["adjusted"] and not inventory[name]["hours"] for name in unread)
    assert len({row["adjusted"] for row in inventory.values()}) > 5
    native = {entry.file.rsplit("_", 2)[1] for entry in facility[1] if entry.session.keys["mode"] == "native"}
    assert len(native) > 5
    days = [date.fromisoformat(entry.session.keys["measured"][:10]) for entry in facility[1]]
    assert max(days) < LAST_MONDAY


def test_the_gate_finds_only_what_is_meant(facility, folder):
    """Monitors that were set anew after their last reading are told, and nothing else is."""
    found = check(folder)
    assert (found.code, found.errors, found.warnings) == (0, (), ())
    late = {row["monitor"] for row in rows(facility) if "set anew after" in row["note"]}
    display, told = "", set()
    for line in found.sessions:
        if not line.startswith(" "):
            display = line.split("   ")[0]
        elif " · " in line and not line.strip().startswith("note"):
            assert "older than the adjustment" in line
            told.add(display)
    assert told == late
    assert late


def test_the_command_writes_it_and_refuses_what_is_there(capsys, tmp_path):
    def call(*arguments):
        with pytest.raises(SystemExit) as stop:
            cli.main(["demo", str(tmp_path / "big"), *arguments])
        return stop.value.code, capsys.readouterr()

    size = ("--rooms", "2", "--monitors", "3", "--years", "1", "--seed", "7")
    code, said = call(*size)
    assert code == 0
    assert "of an invented facility" in said.out
    code, said = call(*size)
    assert (code, "--replace" in said.err) == (2, True)
    assert call(*size, "--replace")[0] == 0
    code, said = call("--rooms", "2", "--monitors", "2", "--replace")
    assert code == 2
    assert "other files, the first" in said.err
    code, said = call("--rooms", "3", "--monitors", "2")
    assert (code, "cannot stand in 3 rooms" in said.err) == (2, True)
    assert [path.name for path in tmp_path.iterdir()] == ["big"]


def test_stopped_in_the_middle_it_leaves_nothing(tmp_path):
    def stop():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_large(tmp_path / "big", Size(2, 3, 1, 7), lambda _: None, stop)
    assert not list(tmp_path.iterdir())


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "big").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="is a file; name a folder that is new or empty"):
        write_folder(tmp_path / "big", {}, lambda: None)
