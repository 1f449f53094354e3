"""The index of readings: whose file it is, which session counts, and how far a fault reaches."""

import os
import subprocess
import sys
import time
import tracemalloc
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.matching.inputs import read_inputs, room_inputs
from matchlib.matching.room import match_room, parse_day
from matchlib.readings.archive import Archive

OLD, NEW, NEWEST = "2026-03-01T10:00:00", "2026-03-02T10:00:00", "2026-03-03T10:00:00"
M1 = "readings/M1.csv"
NEXT = "readings/later/M1_next.csv"
PEAK_BYTES = 20_000_000
REFUSED_WITHIN = 2.0  # seconds; measured: a few hundredths


def archive(folder, on=None):
    return Archive(read_facility(folder), on)


def choice(folder, display="M1", preset="", on=None):
    index = archive(folder, on)
    (row,) = [row for row in index.facility.monitors if (row.id, row.preset) == (display, preset)]
    return index.calibrated_choice(row)


def reasons(chosen):
    return dict(chosen.passed_over)


def homeless(folder):
    (problem,) = archive(folder).homeless
    return problem


def without(text, label):
    """Return a session file without the patch of that label."""
    return "\n".join(line for line in text.split("\n") if not line.startswith(f"{label},"))


def set_aside(file, reason="patch never reached the screen"):
    return f'[[set_aside]]\nfile = "{file}"\nreason = "{reason}"\n'


def inputs(folder, room="studio-1", on=None):
    return read_inputs(read_facility(folder), room, on)


def refused_inputs(folder, room="studio-1", on=None):
    with pytest.raises(InputError) as caught:
        inputs(folder, room, on)
    return caught.value.problems


# --- which session counts -----------------------------------------------------------------------------------


def test_the_newest_complete_session_counts_and_the_older_is_passed_over(make_facility, session_text):
    chosen = choice(make_facility(files={NEXT: session_text("M1", NEWEST)}))
    assert chosen.session.file == NEXT
    assert reasons(chosen) == {M1: f"older than {NEXT} (2026-03-03T10:00:00+00:00)"}
    assert (chosen.problems, chosen.warnings) == ((), ())


def test_newest_is_the_latest_instant_not_the_latest_clock(make_facility, session_text):
    files = {
        M1: session_text("M1", "2026-03-02T10:00:00+00:00"),
        NEXT: session_text("M1", "2026-03-02T11:30:00+05:00"),
    }
    assert choice(make_facility(files=files)).session.file == M1


@pytest.mark.parametrize(
    ("on", "file"), [(date(2026, 3, 1), None), (date(2026, 3, 2), M1), (date(2026, 3, 3), NEXT), (None, NEXT)]
)
def test_sessions_after_the_day_asked_for_are_not_there(make_facility, session_text, on, file):
    chosen = choice(make_facility(files={NEXT: session_text("M1", NEWEST)}), on=on)
    assert (chosen.session.file if chosen.session else None) == file


def test_the_day_is_that_of_the_facilitys_time_zone(make_facility, session_text):
    # 23:30 UTC on 1 July is half past midnight on 2 July in London.
    files = {M1: session_text("M1", "2026-07-01T23:30:00Z")}
    root = make_facility(files=files)
    assert choice(root, on=date(2026, 7, 1)).session is None
    assert choice(root, on=date(2026, 7, 2)).session.file == M1


@pytest.mark.parametrize("label", ["white", "red", "green", "blue"])
def test_an_older_complete_session_counts_where_the_newest_is_not_complete(make_facility, session_text, label):
    chosen = choice(make_facility(files={NEXT: without(session_text("M1", NEWEST), label)}))
    assert chosen.session.file == M1
    name = label if label == "white" else f"full {label}"
    assert reasons(chosen)[NEXT].startswith(f"not complete: no {name}")
    assert chosen.problems == ()


def test_a_monitor_whose_only_session_is_not_complete_is_not_measured(make_facility, session_text):
    chosen = choice(make_facility(files={M1: without(session_text("M1"), "white")}))
    assert chosen.session is None
    assert chosen.problems == ()
    assert reasons(chosen) == {M1: "not complete: no white"}


def test_a_monitor_without_a_session_is_no_failure(make_facility):
    chosen = choice(make_facility(files={M1: None}))
    assert (chosen.session, chosen.problems) == (None, ())


@pytest.mark.parametrize(
    ("keys", "reason"),
    [
        ({"mode": "native"}, "native session"),
        ({"position": "top left"}, "position top left, for uniformity"),
    ],
)
def test_sessions_of_another_purpose_do_not_count(make_facility, session_text, keys, reason):
    chosen = choice(make_facility(files={NEXT: session_text("M1", NEWEST, **keys)}))
    assert chosen.session.file == M1
    assert reasons(chosen)[NEXT] == reason


PRESETS = "monitor,room,panel,preset\nM1,studio-1,LCD,film\nM1,studio-2,LCD,video\nM2,studio-1,LCD,\n"


def test_a_session_counts_for_its_preset_only(make_facility, session_text):
    files = {M1: session_text("M1", NEW, preset="film"), NEXT: session_text("M1", NEWEST, preset="video")}
    root = make_facility(monitors=PRESETS, files=files | {"readings/M3.csv": None})
    assert choice(root, preset="film").session.file == M1
    assert reasons(choice(root, preset="film"))[NEXT] == "preset video"
    assert choice(root, preset="video").session.file == NEXT


def test_native_sessions_belong_to_no_preset(make_facility, session_text):
    files = {M1: session_text("M1", NEW, preset="film"), NEXT: session_text("M1", OLD, mode="native")}
    index = archive(make_facility(monitors=PRESETS, files=files | {"readings/M3.csv": None}))
    film, video, _ = index.facility.monitors
    assert index.native_choice(film).session.file == NEXT
    assert index.native_choice(video).session.file == NEXT
    assert index.calibrated_choice(video).session is None


def test_an_unknown_preset_offers_the_nearest(make_facility, session_text):
    text = session_text("M1", preset="flim")
    root = make_facility(monitors=PRESETS, files={M1: text, "readings/M3.csv": None})
    (problem,) = choice(root, preset="film").problems
    assert (problem.file, problem.line, problem.column) == (M1, 5, "preset")
    assert "monitors.csv has no preset 'flim' of M1" in problem.what
    assert "did you mean 'film'?" in problem.do


def test_equal_instants_with_different_readings_are_an_error(make_facility, session_text):
    files = {NEXT: session_text("M1", "2026-03-02T11:00:00+01:00", seed=99)}
    (problem,) = choice(make_facility(files=files)).problems
    assert {NEXT, M1} == {problem.file, (problem.what.split(" ")[0])}
    assert "has the same instant" in problem.what
    assert "other readings" in problem.what
    assert "set one of them aside with a reason" in problem.do


def test_equal_instants_with_equal_readings_are_a_warning(make_facility, session_text):
    text = session_text("M1", note="as filed")
    chosen = choice(make_facility(files={M1: text, NEXT: text.replace("as filed", "filed again")}))
    assert chosen.session is not None
    assert chosen.problems == ()
    (warning,) = chosen.warnings
    assert "filed twice" in warning.what
    assert "set one aside" in warning.do


# --- faults are contained -----------------------------------------------------------------------------------


def bad(text):
    return text.replace("white,4095,", "white,oops,")


def test_a_broken_newest_session_fails_its_displays_rooms_only(make_facility, session_text):
    root = make_facility(files={NEXT: bad(session_text("M1", NEWEST))})
    problems = refused_inputs(root)
    assert [(problem.file, problem.column) for problem in problems] == [(NEXT, "r")]
    assert "'oops' is not a number" in problems[0].what
    assert inputs(root, "studio-2").monitors[0].id == "M3"


def test_a_broken_session_of_the_projector_fails_every_room_of_it(make_facility, session_text):
    root = make_facility(files={"readings/P1.csv": bad(session_text("P1"))})
    for room in ("studio-1", "studio-2"):
        assert [problem.file for problem in refused_inputs(root, room)] == ["readings/P1.csv"]


def test_a_broken_older_session_is_a_warning(make_facility, session_text):
    chosen = choice(make_facility(files={NEXT: bad(session_text("M1", OLD))}))
    assert chosen.session.file == M1
    assert chosen.problems == ()
    assert reasons(chosen) == {NEXT: "older, and cannot be read"}
    (warning,) = chosen.warnings
    assert (warning.file, warning.column) == (NEXT, "r")


def test_an_older_session_with_a_broken_key_line_is_a_warning_too(make_facility, session_text):
    chosen = choice(make_facility(files={NEXT: session_text("M1", OLD, instrument="S9")}))
    assert chosen.problems == ()
    assert chosen.session.file == M1
    (warning,) = chosen.warnings
    assert (warning.file, warning.column) == (NEXT, "instrument")


def test_a_session_with_a_broken_key_line_after_the_day_asked_for_is_not_there(make_facility, session_text):
    chosen = choice(make_facility(files={NEXT: session_text("M1", NEWEST, instrument="S9")}), on=date(2026, 3, 2))
    assert chosen.problems == ()
    assert chosen.session.file == M1


def test_a_session_whose_day_cannot_be_told_fails_its_displays_rooms(make_facility, session_text):
    root = make_facility(files={NEXT: session_text("M1", "yesterday")})
    (problem,) = refused_inputs(root)
    assert (problem.file, problem.line, problem.column) == (NEXT, 2, "measured")
    assert inputs(root, "studio-2").room.id == "studio-2"


def test_an_unknown_instrument_fails_the_displays_rooms(make_facility, session_text):
    (problem,) = refused_inputs(make_facility(files={M1: session_text("M1", instrument="C2")}))
    assert (problem.file, problem.line, problem.column) == (M1, 3, "instrument")
    assert "no instrument 'C2'" in problem.what
    assert "declare it under [instruments]" in problem.do


def test_a_newest_session_that_is_refused_is_not_replaced_by_an_older_one(make_facility, session_text, displays):
    dark = replace(displays["M1"], luminance=0.001, black=5.0)
    root = make_facility(files={NEXT: session_text("M1", NEWEST, shows=dark)})
    chosen = choice(root)
    assert chosen.session is None
    (problem,) = chosen.problems
    assert problem.file == NEXT
    assert "all readings are alike" in problem.what
    assert "set the file aside" in problem.do
    assert choice(root, on=date(2026, 3, 2)).session.file == M1


def test_a_session_set_aside_leaves_the_older_one_to_count(make_facility, session_text, displays):
    dark = replace(displays["M1"], luminance=0.001, black=5.0)
    root = make_facility(files={NEXT: session_text("M1", NEWEST, shows=dark)}, toml_more=set_aside(NEXT))
    index = archive(root)
    assert choice(root).session.file == M1
    assert NEXT not in [entry.file for entry in index.entries]
    assert index.set_aside_of(["M1"]) == ((NEXT, "patch never reached the screen"),)
    assert index.set_aside_of(["M3"]) == ()
    assert index.warnings == ()
    assert inputs(root).set_aside == ((NEXT, "patch never reached the screen"),)
    assert NEXT not in inputs(root).files


def test_setting_aside_decides_the_hash(make_facility, session_text, tmp_path):
    files = {NEXT: session_text("M1", OLD)}
    plain = inputs(make_facility(tmp_path / "a", files=files))
    aside = inputs(make_facility(tmp_path / "b", files=files, toml_more=set_aside(NEXT)))
    other = inputs(make_facility(tmp_path / "c", files=files, toml_more=set_aside(NEXT, "lamp not warm")))
    assert len({plain.hash, aside.hash, other.hash}) == 3


def test_setting_aside_what_is_not_there_is_a_warning(make_facility):
    index = archive(make_facility(toml_more=set_aside("readings/M1_0412.csv")))
    (warning,) = index.warnings
    assert warning.file == "facility.toml"
    assert "no such file: 'readings/M1_0412.csv'" in warning.what
    assert "correct its path" in warning.do


@pytest.mark.parametrize("file", ["../outside.csv", "/etc/hostname", "readings/\\u0000.csv"])
def test_setting_aside_what_lies_elsewhere_is_a_warning(make_facility, file):
    found = inputs(make_facility(toml_more=set_aside(file)))
    assert found.set_aside == ()
    assert any("set aside, but there is no such file" in warning.what for warning in found.warnings)


# --- files whose display cannot be told ---------------------------------------------------------------------


def test_an_unknown_display_offers_the_nearest(make_facility, session_text):
    monitors = "monitor,room,panel\nMonitor-7,studio-1,LCD\nM3,studio-2,LCD\n"
    files = {M1: session_text("Monitor7"), "readings/M2.csv": None}
    problem = homeless(make_facility(monitors=monitors, files=files))
    assert (problem.file, problem.line, problem.column) == (M1, 1, "display")
    assert "no display 'Monitor7' in this facility" in problem.what
    assert "did you mean 'Monitor-7'?" in problem.do
    assert "set the file aside" in problem.do


@pytest.mark.parametrize("name", ["../../x", "=1+1", "con", "M1."])
def test_a_display_that_is_no_id(make_facility, session_text, name):
    problem = homeless(make_facility(files={M1: session_text(name)}))
    assert (problem.file, problem.line, problem.column) == (M1, 1, "display")
    assert f"{name!r} is no id: it " in problem.what


def test_an_empty_file(make_facility):
    problem = homeless(make_facility(files={M1: b""}))
    assert (problem.file, problem.line) == (M1, 1)
    assert "the file is empty" in problem.what
    assert "set the file aside with a reason" in problem.do


def test_a_file_without_key_lines(make_facility):
    problem = homeless(make_facility(files={M1: "patch,r,g,b,X,Y,Z\nwhite,1,1,1,1,1,1\n"}))
    assert (problem.file, problem.line, problem.column) == (M1, 1, "display")
    assert "says whose readings these are" in problem.what
    assert problem.do


def test_two_displays_in_one_file(make_facility, session_text):
    problem = homeless(make_facility(files={M1: "# display: M2\n" + session_text("M1")}))
    assert (problem.file, problem.line, problem.column) == (M1, 2, "display")
    assert "stands on line 1 too" in problem.what
    assert "one file holds one session of one display" in problem.do


def test_two_sessions_one_after_the_other_in_one_file(make_facility, session_text):
    first = session_text("M1")
    problem = choice(make_facility(files={M1: first + session_text("M2")})).problems[0]
    assert (problem.file, problem.line) == (M1, first.count("\n") + 1)
    assert "key lines and comments stand above the header row" in problem.do


@pytest.mark.parametrize(
    ("data", "what", "do"),
    [
        (b"CGATS.17\n", "no keyword DISPLAY says whose readings these are", "add it"),
        (b"PK\x03\x04" + b"\0" * 100, "a damaged .xlsx file", "save the sheet as .xlsx again"),
        (b"<?xml version='1.0'?>\n<IESTM2714 version='1.0'/>", "an IES TM-27 file: one spectrum", "set it aside"),
        (b"\xd0\xcf\x11\xe0" + b"\0" * 100, "an old spreadsheet", "save it as .xlsx"),
    ],
)
def test_files_of_other_formats_whose_display_cannot_be_told(make_facility, data, what, do):
    problem = homeless(make_facility(files={"readings/export.txt": data}))
    assert problem.file == "readings/export.txt"
    assert what in problem.what
    assert do in problem.do


def test_a_broken_table_of_another_format_belongs_to_its_display(make_facility):
    data = 'CGATS.17\nDISPLAY "M3"\nMEASURED "2026-04-02T10:00:00Z"\nINSTRUMENT "S1"\nSIGNAL_MAX 255\nBEGIN_DATA\n'
    root = make_facility(files={"readings/new.txt": data})
    inputs(root)
    (problem,) = refused_inputs(root, "studio-2")
    assert (problem.file, problem.line) == ("readings/new.txt", 6)
    assert "BEGIN_DATA without a data format" in problem.what


def test_a_file_that_no_reader_recognises_stops_every_room_unless_set_aside(make_facility):
    files = {"readings/photo.jpg": b"\xff\xd8\xff\xe0 JFIF"}
    root = make_facility(files=files)
    for room in ("studio-1", "studio-2"):
        (problem,) = refused_inputs(root, room)
        assert problem.file == "readings/photo.jpg"
        assert "not UTF-8" in problem.what
        assert "set it aside" in problem.do
    aside = make_facility(name="second", files=files, toml_more=set_aside("readings/photo.jpg"))
    assert archive(aside).homeless == ()
    assert inputs(aside).set_aside == (("readings/photo.jpg", "patch never reached the screen"),)


@pytest.mark.parametrize(
    "file", ["readings/.DS_Store", "readings/~$M1.xlsx", "readings/.trash/M1.csv", "readings/a/.hidden"]
)
def test_hidden_files_and_lock_files_are_passed_over(make_facility, file):
    index = archive(make_facility(files={file: b"\0\1\2"}))
    assert index.homeless == ()
    assert index.warnings == ()
    assert [entry.file for entry in index.entries] == [f"readings/{name}.csv" for name in ("M1", "M2", "M3", "P1")]


def test_a_facility_without_readings(make_facility):
    files = {f"readings/{name}.csv": None for name in ("M1", "M2", "M3", "P1")}
    root = make_facility(files=files)
    assert archive(root).entries == ()
    (problem,) = refused_inputs(root)
    assert "no complete calibrated session of projector P1" in problem.what
    assert "measure it" in problem.do


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
class TestLinks:
    def test_a_link_out_of_the_folder_is_not_followed(self, make_facility, session_text, tmp_path):
        (tmp_path / "outside.csv").write_text(session_text("M1", NEWEST), encoding="utf-8")
        root = make_facility()
        (root / "readings" / "link.csv").symlink_to(tmp_path / "outside.csv")
        index = archive(root)
        assert choice(root).session.file == M1
        (warning,) = index.warnings
        assert warning.file == "readings/link.csv"
        assert "a link that leads out of the facility folder is not followed" in warning.what
        assert "copy the file into the folder" in warning.do

    def test_a_folder_that_is_a_link_out_is_not_followed(self, make_facility, session_text, tmp_path):
        (tmp_path / "outside").mkdir()
        (tmp_path / "outside" / "M1.csv").write_text(session_text("M1", NEWEST), encoding="utf-8")
        root = make_facility()
        (root / "readings" / "more").symlink_to(tmp_path / "outside", target_is_directory=True)
        assert choice(root).session.file == M1
        (warning,) = archive(root).warnings
        assert warning.file == "readings/more"

    def test_a_link_to_a_file_inside_the_folder_is_followed(self, make_facility, session_text):
        root = make_facility(files={"store/M1_next.csv": session_text("M1", NEWEST)})
        (root / "readings" / "next.csv").symlink_to(root / "store" / "M1_next.csv")
        assert choice(root).session.file == "readings/next.csv"

    def test_a_link_to_a_folder_inside_the_folder_is_followed_or_told(self, make_facility, session_text):
        root = make_facility(files={"store/M1_next.csv": session_text("M1", NEWEST)})
        (root / "readings" / "a").symlink_to(root / "store", target_is_directory=True)
        followed = choice(root).session.file == "readings/a/M1_next.csv"
        told = [warning.file for warning in archive(root).warnings] == ["readings/a"]
        assert followed or told

    def test_a_folder_of_readings_that_is_a_link_out_is_told_file_by_file(self, make_facility, tmp_path):
        root = make_facility()
        (root / "readings").rename(tmp_path / "elsewhere")
        (root / "readings").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
        index = archive(root)
        assert index.entries == ()
        told = [*index.homeless, *index.warnings]
        assert {problem.file for problem in told} == {f"readings/{name}.csv" for name in ("P1", "M1", "M2", "M3")}
        assert all("leads out of the facility folder" in problem.what for problem in told)

    def test_a_link_to_nothing_and_a_link_to_itself_are_told_in_words(self, make_facility):
        root = make_facility()
        (root / "readings" / "nothing.csv").symlink_to(root / "readings" / "gone.csv")
        assert homeless(root).file == "readings/nothing.csv"
        (root / "readings" / "nothing.csv").unlink()
        (root / "readings" / "loop.csv").symlink_to(root / "readings" / "loop.csv")
        index = archive(root)
        told = [*index.homeless, *index.warnings]
        assert [problem.file for problem in told] == ["readings/loop.csv"]

    def test_a_pipe_is_no_file_and_holds_nothing_up(self, make_facility):
        root = make_facility()
        os.mkfifo(root / "readings" / "pipe.csv")
        code = (
            "import sys; from matchlib.facility.file import read_facility; "
            "from matchlib.readings.archive import Archive; "
            "print([problem.file for problem in Archive(read_facility(sys.argv[1])).homeless])"
        )
        run = subprocess.run(
            [sys.executable, "-c", code, str(root)], capture_output=True, text=True, check=True, timeout=60
        )
        assert run.stdout.strip() == "['readings/pipe.csv']"


# --- files far too large ------------------------------------------------------------------------------------


def _garbage(path, line):
    """Write 200 MB of garbage: sparse zero bytes, or one line of text over and over."""
    with path.open("wb") as stream:
        if not line:
            stream.truncate(200_000_000)
        else:
            block = line * (4_000_000 // len(line))
            for _ in range(200_000_000 // len(block) + 1):
                stream.write(block)
    assert path.stat().st_size >= 199_000_000


@pytest.mark.parametrize(
    "line",
    [b"", b"garbage, and more of it\n", b"# display: M1\n", b"\xff\x00\x17\xd8", b'"'],
    ids=["zero bytes", "text", "key lines", "binary", "quotes"],
)
def test_200_mb_of_garbage_are_refused_fast_and_in_little_memory(make_facility, line):
    root = make_facility()
    path = root / "readings" / "garbage.csv"
    _garbage(path, line)
    facility = read_facility(root)
    tracemalloc.start()
    begin = time.perf_counter()
    problems = Archive(facility).homeless
    seconds = time.perf_counter() - begin
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    path.unlink()
    (problem,) = problems
    assert problem.file == "readings/garbage.csv"
    assert problem.what
    assert "set it aside with a reason" in problem.do
    assert seconds < REFUSED_WITHIN
    assert peak < PEAK_BYTES


def test_60_mb_of_garbage_are_refused_fast_too(make_facility):
    """Just under the size at which a file is refused unread: it is looked through, but not for long."""
    root = make_facility(files={"readings/garbage.csv": b"garbage, and more of it\n" * 2_500_000})
    facility = read_facility(root)
    begin = time.perf_counter()
    (problem,) = Archive(facility).homeless
    seconds = time.perf_counter() - begin
    assert problem.file == "readings/garbage.csv"
    assert seconds < REFUSED_WITHIN


def test_200_mb_of_garbage_set_aside_are_not_read(make_facility):
    root = make_facility(toml_more=set_aside("readings/garbage.csv"))
    _garbage(root / "readings" / "garbage.csv", b"")
    facility = read_facility(root)
    tracemalloc.start()
    index = Archive(facility)
    assert index.homeless == ()
    assert index.set_aside_of(["M1"]) == (("readings/garbage.csv", "patch never reached the screen"),)
    assert tracemalloc.get_traced_memory()[1] < PEAK_BYTES
    tracemalloc.stop()


# --- what a room is computed from ---------------------------------------------------------------------------


def test_an_unknown_room_offers_the_nearest(make_facility):
    (problem,) = refused_inputs(make_facility(), "studoi-1")
    assert "no room 'studoi-1' in small" in problem.what
    assert "did you mean 'studio-1'?" in problem.do


def test_a_projector_without_a_complete_session_says_why(make_facility, session_text):
    root = make_facility(files={"readings/P1.csv": without(session_text("P1"), "white")})
    (problem,) = refused_inputs(root)
    assert "no complete calibrated session of projector P1" in problem.what
    assert "readings/P1.csv: not complete: no white" in problem.what
    assert "measure it: white, full red, green and blue" in problem.do


def test_a_rooms_files_are_those_of_its_displays(make_facility):
    found = inputs(make_facility())
    assert list(found.files) == ["readings/M1.csv", "readings/M2.csv", "readings/P1.csv"]
    assert found.day == "2026-03-02"
    assert len(found.hash) == 12


def test_the_hash_follows_the_rooms_own_files_only(make_facility, session_text, tmp_path):
    plain = make_facility(tmp_path / "a")
    other = make_facility(tmp_path / "b", files={"readings/M3.csv": session_text("M3", seed=50)})
    assert inputs(plain).hash == inputs(other).hash
    assert inputs(plain, "studio-2").hash != inputs(other, "studio-2").hash


def test_an_archive_serves_every_room(make_facility):
    index = archive(make_facility())
    assert [room_inputs(index, room).room.id for room in ("studio-1", "studio-2")] == ["studio-1", "studio-2"]


@pytest.mark.parametrize("text", ["yesterday", "2026-02-30", "02.03.2026"])
def test_what_is_no_day(text):
    with pytest.raises(InputError) as caught:
        parse_day(text)
    (problem,) = caught.value.problems
    assert f"{text!r} is no day" in problem.what
    assert "YYYY-MM-DD" in problem.do


def test_a_day():
    assert parse_day("2026-03-02") == date(2026, 3, 2)
    assert parse_day("") is None


def test_a_monitor_without_a_session_stands_as_not_measured(make_facility):
    found = match_room(make_facility(files={M1: None}), "studio-1")
    first, second = found.monitors
    assert (first.monitor, first.verdict.result) == ("M1", "not measured")
    assert second.verdict.result in ("match", "no match")


def test_guesses_and_what_is_not_used_stand_in_the_report(make_facility, session_text):
    new = 'projector = "P1"\nveil = 0.2\ncommon_target = true'
    root = make_facility(
        toml_edit=('projector = "P1"', new),
        toml_more='[rooms.annex]\nprojector = "P1"\n',
        monitors="monitor,room,panel,desk\nM1,studio-1,LCD,4\nM2,annex,LCD,5\nM3,studio-2,LCD,5\n",
        files={"readings/P1.csv": without(session_text("P1"), "black")},
    )
    path = root / "facility.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('time_zone = "Europe/London"\n', ""), encoding="utf-8")
    room = match_room(root, "studio-1")
    warnings = "\n".join(room.warnings)
    assert "time_zone is absent, UTC is taken" in warnings
    assert "column 'desk' is not known" in warnings
    assert "common_target has nothing to share" in warnings
    assert "room light: 0.20 cd/m² on its face" in "\n".join(room.monitors[0].limits)
    assert "P1: black was not read" in warnings


def test_a_monitor_without_black_is_a_warning_in_the_report(make_facility, session_text):
    found = match_room(make_facility(files={M1: without(session_text("M1"), "black")}), "studio-1")
    first = found.monitors[0]
    assert first.verdict.result in ("match", "no match")
    assert any("black was not read" in warning for warning in first.warnings)


def test_codes_out_of_range_and_unknown_keys_are_warnings_in_the_report(make_facility, session_text):
    text = session_text("M1", signal_max="940", signal_min="0", lamp="new") + "over,1019,1019,1019,60,60,60\n"
    found = match_room(make_facility(files={M1: text}), "studio-1")
    warnings = "\n".join(found.monitors[0].warnings)
    assert "code 1019 is outside 0 to 940" in warnings
    assert "key 'lamp' is not known" in warnings


# --- whatever lies there, the answer is an index or words ---------------------------------------------------


@pytest.fixture(scope="module")
def mutated_root(tmp_path_factory):
    return tmp_path_factory.mktemp("mutated")


@settings(
    max_examples=600,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_a_mutated_session_reads_or_is_refused_in_words_that_name_it(mutated_root, make_facility, session_text, data):
    """Bytes, lines and cells of M1's session are changed: the file is read or named, M3's is read."""
    content = session_text("M1").encode()
    root = mutated_root / "small"
    if not root.is_dir():
        make_facility(mutated_root)
    for _ in range(data.draw(st.integers(1, 3))):
        lines = content.split(b"\n")
        place = data.draw(st.integers(0, min(len(lines) - 1, 12)))
        kind = data.draw(st.sampled_from(["drop", "double", "bytes", "cell", "cut"]))
        if kind == "drop":
            del lines[place]
        elif kind == "double":
            lines.insert(place, lines[place])
        elif kind == "bytes":
            at = data.draw(st.integers(0, len(lines[place])))
            lines[place] = lines[place][:at] + data.draw(st.binary(max_size=3)) + lines[place][at + 1 :]
        elif kind == "cell":
            cells = lines[place].split(b",")
            cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(
                st.sampled_from([b"", b"nan", b"-9", b"1e250", b"99999", b'"', "é".encode(), b"0"])
            )
            lines[place] = b",".join(cells)
        else:
            lines = lines[: place + 1]
        content = b"\n".join(lines)
    (root / M1).write_bytes(content)
    index = archive(root)
    if index.homeless:
        assert {problem.file for problem in index.homeless} == {M1}
        return
    chosen = index.calibrated_choice(index.facility.monitors[0])
    assert {problem.file for problem in chosen.problems} <= {M1}
    assert (chosen.session is None) or not chosen.problems
    assert index.calibrated_choice(index.facility.monitors[2]).session.file == "readings/M3.csv"


@pytest.mark.parametrize(
    ("change", "what", "do"),
    [
        (lambda text: text.encode("utf-16"), "this text is UTF-16", "save it as UTF-8"),
        (lambda text: text.replace(",", ";").encode(), "the cells are separated by ';'", "under [[formats]]"),
    ],
    ids=["UTF-16", "semicolons"],
)
def test_a_spreadsheets_own_export_is_told_the_way_out(make_facility, session_text, change, what, do):
    root = make_facility(files={M1: change(session_text("M1"))})
    index = archive(root)
    (problem,) = index.homeless or choice(root).problems
    assert problem.file == M1
    assert what in problem.what
    assert do in problem.do
