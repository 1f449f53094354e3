"""The record of plans: what it saves a run from reading, and what it never lets pass."""

from datetime import date

import pytest

from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.readings.archive import Archive
from matchlib.running.plan import Plan, Planner, plan_of
from matchlib.running.store import Store

RECORD = "_plans.json"


@pytest.fixture
def planner(make_facility, tmp_path):
    """Return a function that gives a planner of the small facility, as a new run has it."""
    folder = make_facility()

    def new(on=None):
        return Planner(Archive(read_facility(folder), on), Store(tmp_path / "out", folder.name))

    return new


def test_a_room_of_equal_inputs_is_planned_without_reading_a_session(planner, monkeypatch):
    first = planner()
    assert first.known("studio-1") is None
    made = plan_of(first.read("studio-1"))
    assert first.known("studio-1") == made
    first.keep()
    monkeypatch.setattr("matchlib.readings.archive.read_session", lambda *_: pytest.fail("a session was read"))
    assert planner().known("studio-1") == made
    assert planner().known("studio-2") is None


def test_a_changed_session_is_planned_anew(planner, tmp_path):
    first = planner()
    made = plan_of(first.read("studio-1"))
    first.keep()
    path = tmp_path / "small" / "readings" / "M1.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("# signal_max", "# note: other\n# signal_max"), "utf-8")
    assert planner().known("studio-1") is None
    assert plan_of(planner().read("studio-1")).hash != made.hash


@pytest.mark.parametrize("text", ["", "[]", "{", '{"studio-1": 3}', '{"studio-1": ["a", "b"]}', "\xff"])
def test_a_record_that_cannot_be_read_is_none(planner, tmp_path, text):
    first = planner()
    first.keep()
    (tmp_path / "out" / "small" / RECORD).write_text(text, encoding="latin-1")
    assert planner().known("studio-1") is None


def test_other_code_is_other_inputs(planner, monkeypatch):
    first = planner()
    first.read("studio-1")
    first.keep()
    monkeypatch.setattr("matchlib.matching.inputs.code_digest", lambda: "other")
    assert planner().known("studio-1") is None


def test_a_facility_as_of_a_day_leaves_no_record_and_takes_none_of_today(planner, tmp_path):
    earlier = planner(date(2026, 3, 2))
    assert isinstance(plan_of(earlier.read("studio-1")), Plan)
    earlier.keep()
    assert not (tmp_path / "out" / "small" / RECORD).exists()
    first = planner()
    first.read("studio-1")
    first.keep()
    assert planner(date(2026, 3, 2)).known("studio-1") is None


def test_a_room_at_fault_is_never_recorded(make_facility, tmp_path):
    folder = make_facility(name="broken", files={"readings/M3.csv": "# display: M3\n"})
    found = Planner(Archive(read_facility(folder)), Store(tmp_path / "out", folder.name))
    with pytest.raises(InputError, match=r"M3\.csv"):
        found.read("studio-2")
    found.keep()
    assert "studio-2" not in (tmp_path / "out" / "broken" / RECORD).read_text(encoding="utf-8")
