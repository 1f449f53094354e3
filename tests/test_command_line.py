"""The command line: its words, its exit codes, no traceback."""

from pathlib import Path

import pytest

from matchlib import cli


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as stop:
        cli.main(list(map(str, arguments)))
    printed = capsys.readouterr()
    return stop.value.code, printed.out, printed.err


def test_help_names_every_command(capsys):
    code, out, _ = call(capsys, "--help")
    assert code == 0
    for name in ("report", "check", "lamp", "correction", "demo", "notebooks"):
        assert name in out


def test_a_mistyped_call_exits_2(capsys):
    code, _, err = call(capsys, "report", "--rooms", "x")
    assert code == 2
    assert "--room" in err


def test_a_missing_facility_exits_2_and_says_what_to_do(capsys, tmp_path):
    code, _, err = call(capsys, "report", tmp_path / "nowhere")
    assert code == 2
    assert err.startswith("error: no folder")
    assert "name a facility folder" in err


def test_an_unknown_room_offers_the_nearest(capsys, make_facility, tmp_path):
    code, _, err = call(capsys, "report", make_facility(), "--room", "studio-3", "--out", tmp_path / "out")
    assert code == 2
    assert "no room 'studio-3'" in err
    assert "did you mean" in err
    assert not (tmp_path / "out").exists()


def test_a_day_that_is_none_exits_2(capsys, make_facility):
    code, _, err = call(capsys, "check", make_facility(), "--on", "2026-02-30")
    assert code == 2
    assert "'2026-02-30' is no day; write it as YYYY-MM-DD" in err


def test_check_lists_which_session_counts_and_why_not_the_others(capsys, make_facility, session_text):
    older = session_text("M1", "2025-03-02T10:00:00")
    code, out, _ = call(capsys, "check", make_facility(files={"readings/old/M1.csv": older}))
    assert code == 0
    assert "M1   readings/M1.csv counts (2026-03-02T10:00:00+00:00)" in out
    assert "readings/old/M1.csv: older than readings/M1.csv" in out
    assert "studio-1   can be reported" in out


def test_check_exits_1_where_one_room_cannot_be_reported(capsys, make_facility):
    code, out, err = call(capsys, "check", make_facility(files={"readings/M3.csv": "# display: M3\n"}))
    assert code == 1
    assert "readings/M3.csv" in err
    assert "studio-2   cannot be reported" in out
    assert "studio-1   can be reported" in out


def test_demo_and_notebooks_refuse_what_is_there_unless_told_to_replace(capsys, tmp_path):
    assert call(capsys, "demo", tmp_path / "studio")[0] == 0
    code, _, err = call(capsys, "demo", tmp_path / "studio")
    assert (code, "--replace" in err) == (2, True)
    assert call(capsys, "demo", tmp_path / "studio", "--replace")[0] == 0
    assert call(capsys, "notebooks", tmp_path / "copies")[0] == 0
    code, _, err = call(capsys, "notebooks", tmp_path / "copies")
    assert (code, "room_match.ipynb" in err) == (2, True)
    assert call(capsys, "notebooks", tmp_path / "copies", "--replace")[0] == 0


def test_a_fault_of_our_own_is_one_line_and_a_log(capsys, monkeypatch, tmp_path):
    def fail(*_arguments):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("matchlib.running.gate.check", fail)
    code, _, err = call(capsys, "check", tmp_path)
    assert code == 1
    assert err.count("\n") == 1
    assert "a fault of matchlib itself: ZeroDivisionError('planted')" in err
    log = err.split(" with ")[1].strip()
    assert "Traceback" in Path(log).read_text(encoding="utf-8")
