"""The index of reports: complete, in order, safe against whatever names hold, and readable without anything else."""

import csv
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from matchlib.errors import InputError
from matchlib.reporting.index import COLUMNS, Entry, Shelf, entry_of, index_csv, index_html, trend
from matchlib.running.index_files import Today, shelves_of, write_index
from matchlib.running.store import Store

EXAMPLE = Path(__file__).parents[1] / "reports" / "example" / "match.json"
NASTY = "<script>alert(1)</script>\"'&<b onclick=x>"
ENTRY = Entry(
    "attic/2026-09-07-00aa00aa00aa", "2026-09-07", "00aa00aa00aa", ("match", "no match"), 1.5, 2.5, "A2", 2.0
)


class Page(HTMLParser):
    """What a browser makes of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.words, self.open = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "path", "polyline", "circle"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def links(self):
        return [unquote(value) for name, value in self.attributes if name == "href"]


def plain(room="attic", **changes):
    return Shelf(room, (replace(ENTRY, **changes),), current=True)


def test_the_page_is_whole_and_needs_nothing_else():
    older = replace(ENTRY, folder="attic/2026-06-01-11aa00aa00aa", day="2026-06-01", hash="11aa00aa00aa", mean=1.9)
    text = index_html("Quince", [Shelf("attic", (older, ENTRY), current=True)])
    page = Page(text)
    assert page.open == []
    assert not {"script", "img", "link", "iframe", "object"} & set(page.tags)
    assert "http" not in text.replace("http-equiv", "")
    assert "@import" not in text
    assert "url(" not in text
    assert "1 earlier" in page.words
    names = ("match.pdf", "targets.csv", "match.json", "match.ipynb")
    assert page.links == [f"./{entry.folder}/{name}" for entry in (ENTRY, older) for name in names]


def test_names_with_markup_stay_text():
    """Ids take no markup, a facility's name takes anything, and a report may be another program's."""
    entry = replace(ENTRY, folder=f"{NASTY}/{NASTY}", hash=NASTY, worst_monitor=NASTY)
    shelf = Shelf(NASTY, (entry, entry), current=False, state=NASTY, unread=(NASTY,))
    page, harmless = Page(index_html(NASTY, [shelf])), Page(index_html("x", [replace(shelf, room="x")]))
    assert page.open == []
    assert set(page.tags) == set(Page(index_html("x", [replace(plain(), entries=(ENTRY, ENTRY))])).tags) | {"div"}
    assert page.tags == harmless.tags
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert NASTY in page.words
    assert page.links[0] == f"./{NASTY}/{NASTY}/match.pdf"


def test_no_link_leaves_the_folder_or_runs():
    for folder in ("javascript:alert(1)", "//elsewhere", "data:text/html,x"):
        assert all(link.startswith("./") for link in Page(index_html("x", [plain(folder=folder)])).links)


def test_characters_that_hide_or_turn_text_are_shown_as_unknown():
    text = index_html("a\u202eb\x00c", [plain()])
    assert "a\ufffdb\ufffdc" in text


def test_every_mark_has_its_word():
    results = ("match", "no match", "undecided", "not measured", "match")
    text = index_html("x", [plain(results=results)])
    assert "● 2 match, ○ 1 no match, ◐ 1 undecided, – 1 not measured" in re.sub(r"</?span[^>]*>", "", text)


def test_the_lead_counts_rooms_and_monitors():
    shelves = [plain(), plain("b", results=("match",)), Shelf("c", (), current=False, state="no report yet")]
    words = " ".join(Page(index_html("x", shelves)).words)
    assert "2 rooms have a report; in 1 every monitor matches. 2 of 3 monitors match their screen." in words
    assert "1 more without one of the newest readings and settings: not counted." in words
    assert "No room has a report of the newest readings and settings." in index_html("x", [shelves[2]])
    old = Shelf("gone", (ENTRY,), current=False)
    words = " ".join(Page(index_html("x", [*shelves, old])).words)
    assert "2 of 3 monitors match their screen. 2 more without" in words


def points(svg):
    (found,) = [value for name, value in Page(svg).attributes if name == "points"]
    return [tuple(map(float, pair.split(","))) for pair in found.split()]


def test_the_trend_follows_days_and_differences_from_zero():
    """132 by 30 pixels with an edge of 4; the largest of means and limit, and a tenth more, is the top."""
    days = ("2026-01-01", "2026-01-31", "2026-03-02")  # 30 days apart
    entries = [replace(ENTRY, day=day, mean=mean) for day, mean in zip(days, (4.0, 2.0, 0.0), strict=True)]
    (x0, y0), (x1, y1), (x2, y2) = points(trend(entries))
    assert (x0, x1, x2) == (4, 66, 128)
    assert y2 == 26
    assert (y0, y1) == pytest.approx((26 - 22 / 1.1, 26 - 11 / 1.1), abs=0.05)
    assert "2026-01-01 4.00, 2026-01-31 2.00, 2026-03-02 0.00; limit 2" in trend(entries)
    assert "stroke-dasharray" in trend(entries)


def test_of_one_day_the_last_report_counts_and_a_room_without_readings_has_no_trend():
    first, last = replace(ENTRY, mean=9.0), replace(ENTRY, mean=1.0, limit=None)
    assert len(points(trend([first, last]))) == 1
    assert "9.00" not in trend([first, last])
    assert trend([replace(ENTRY, mean=None)]) == ""


def test_the_table_is_safe_in_a_spreadsheet_and_complete():
    text = index_csv([plain("=1+1", worst_monitor="@x", folder="-x/y", mean=None)])
    header, row = csv.reader(text.splitlines())
    assert tuple(header) == COLUMNS
    found = dict(zip(header, row, strict=True))
    assert (found["room"], found["worst_monitor"], found["report"]) == ("'=1+1", "'@x", "'-x/y/match.pdf")
    assert (found["match"], found["no_match"], found["mean_difference"], found["current"]) == ("1", "1", "", "yes")


def test_an_entry_holds_the_figures_of_its_report():
    raw = json.loads(EXAMPLE.read_text(encoding="utf-8"))
    entry = entry_of("attic/x", EXAMPLE.read_text(encoding="utf-8"))
    means = {found["monitor"]: found["difference"]["mean"] for found in raw["monitors"]}
    assert entry.mean == pytest.approx(sum(means.values()) / len(means))
    assert entry.worst == max(means.values())
    assert means[entry.worst_monitor] == entry.worst
    assert entry.results == tuple(found["verdict"]["result"] for found in raw["monitors"])
    assert (entry.day, entry.hash, entry.limit) == (raw["date"], raw["hash"], 2.0)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"monitors": [1], "date": "2026-01-01"}', '{"monitors": [], "date": "x", "hash": "y"}'],
)
def test_what_is_no_report_is_refused(text):
    with pytest.raises(InputError, match=r"attic/x/match\.json is not a match\.json: .*; make the report again"):
        entry_of("attic/x", text)


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path, "studio")


def put(store, room, day, digest, **changes):
    raw = json.loads(EXAMPLE.read_text(encoding="utf-8")) | {"room": room, "date": day, "hash": digest} | changes
    folder = store.report(room, day, digest)
    folder.mkdir(parents=True)
    (folder / "match.json").write_text(json.dumps(raw), encoding="utf-8")
    return folder


def test_shelves_hold_what_stands_and_say_what_is_missing(store):
    put(store, "a", "2026-06-01", "0" * 12)
    current = put(store, "a", "2026-09-07", "1" * 12)
    put(store, "a", "2026-09-07", "2" * 12)
    put(store, "b", "2026-09-07", "3" * 12)
    put(store, "gone", "2025-01-01", "4" * 12)
    (put(store, "a", "2026-01-01", "5" * 12) / "match.json").write_text("{", encoding="utf-8")
    for name in ("_failed/a", "a/.part-1-2", "a/mine", "other"):
        (store.root / name).mkdir(parents=True)
    reports = {
        "a": current,
        "b": store.report("b", "2026-09-08", "6" * 12),
        "c": None,
        "d": store.report("d", "x", "y"),
    }
    shelves = shelves_of(store, Today("Studio", reports))
    assert [shelf.room for shelf in shelves] == ["a", "b", "c", "d", "gone"]
    a, b, c, d, gone = shelves
    assert [entry.hash[0] for entry in a.entries] == ["0", "2", "1"]
    assert (a.current, a.state, a.unread) == (True, "", ("a/2026-01-01-555555555555",))
    assert (b.current, b.state) == (False, "its inputs changed since: run matchlib report")
    assert (c.entries, c.state) == ((), "its inputs are at fault: run matchlib check")
    assert (d.entries, d.state) == ((), "no report yet: run matchlib report")
    assert gone.state == "not a room of the facility any more"


def test_both_files_are_written_and_left_alone_where_nothing_changed(store):
    current = put(store, "räum 1", "2026-09-07", "1" * 12)
    today = Today("Studio", {"räum 1": current})
    write_index(store, today)
    files = [store.root / name for name in ("index.html", "index.csv")]
    before = [path.stat().st_mtime_ns for path in files]
    page = Page(files[0].read_text(encoding="utf-8"))
    assert (store.root / page.links[2]) == current / "match.json"
    assert (store.root / page.links[2]).is_file()
    write_index(store, today)
    assert [path.stat().st_mtime_ns for path in files] == before
    assert {path.name for path in store.root.iterdir()} == {"index.html", "index.csv", "räum 1"}
