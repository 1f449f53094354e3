"""``facility.toml``: what is read, and what is wrong told with its dotted key, its line and the way out."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.errors import InputError
from matchlib.facility import ids
from matchlib.facility.file import read_facility
from matchlib.facility.toml import parse

FILE = "facility.toml"


def refused(folder):
    with pytest.raises(InputError) as caught:
        read_facility(folder)
    return caught.value.problems


def only(folder):
    problems = refused(folder)
    assert len(problems) == 1, [str(problem) for problem in problems]
    assert problems[0].file == FILE
    return problems[0]


def line_of(folder, part):
    """Return the number of the first line of facility.toml that holds ``part``."""
    lines = (folder / FILE).read_text(encoding="utf-8").split("\n")
    return next(place for place, line in enumerate(lines, start=1) if part in line)


def test_the_small_facility_is_read(make_facility, tmp_path):
    facility = read_facility(make_facility(tmp_path))
    assert facility.name == "Small studio (invented)"
    assert facility.time_zone.key == "Europe/London"
    assert list(facility.projectors) == ["P1"]
    assert facility.projectors["P1"].encoding.name == "P3 DCI"
    assert list(facility.rooms) == ["studio-1", "studio-2"]
    assert facility.rooms["studio-1"].veil_xy == (0.3127, 0.3290)
    assert [monitor.id for monitor in facility.monitors_of("studio-1")] == ["M1", "M2"]
    assert facility.instruments["C1"].contact is True
    assert (facility.instruments["S1"].common_xy, facility.instruments["C1"].common_xy) == (0.5, 0.0)
    tolerances = facility.rooms["studio-1"].tolerances
    assert (tolerances.mean_difference, tolerances.p95_difference, tolerances.white) == (2.0, 5.0, 0.003)
    assert (tolerances.luminance, tolerances.gamma, tolerances.rule) == (0.06, 0.10, "guarded")
    assert facility.warnings == ()


def test_a_room_overrides_a_tolerance_and_keeps_the_facilitys_others(make_facility):
    more = "[tolerances]\nmean_difference = 1.5\nwhite = 0.004\n[rooms.studio-2.tolerances]\nwhite = 0.002\n"
    rooms = read_facility(make_facility(toml_more=more)).rooms
    assert (rooms["studio-1"].tolerances.white, rooms["studio-1"].tolerances.mean_difference) == (0.004, 1.5)
    assert (rooms["studio-2"].tolerances.white, rooms["studio-2"].tolerances.mean_difference) == (0.002, 1.5)


def test_the_guess_of_the_time_zone_is_a_warning(make_facility):
    facility = read_facility(make_facility(toml_edit=('time_zone = "Europe/London"\n', "")))
    assert facility.time_zone.key == "UTC"
    (warning,) = facility.warnings
    assert warning.file == FILE
    assert "time_zone is absent, UTC is taken" in warning.what
    assert "add time_zone" in warning.do


def test_no_folder(tmp_path):
    (problem,) = refused(tmp_path / "nowhere")
    assert "no folder" in problem.what
    assert "nowhere" in problem.what
    assert "name a facility folder" in problem.do


def test_no_facility_toml(make_facility):
    problem = only(make_facility(toml=None))
    assert "the file is missing" in problem.what
    assert "every facility folder has a facility.toml" in problem.do


def test_a_folder_in_place_of_facility_toml(make_facility):
    root = make_facility(toml=None)
    (root / FILE).mkdir()
    problem = only(root)
    assert "cannot be read" in problem.what
    assert problem.do


def test_an_empty_facility_toml_lacks_its_rooms(make_facility):
    problems = refused(make_facility(toml=""))
    assert any("no room is declared" in problem.what and "[rooms." in problem.do for problem in problems)


@pytest.mark.parametrize("name", ["con", "a+b", " x"])
def test_the_folders_name_is_an_id(make_facility, name):
    (problem,) = refused(make_facility(name=name))
    assert f"the facility folder's name {name!r}" in problem.what
    assert "rename it; use 1 to 64 letters" in problem.do


@pytest.mark.parametrize(
    ("old", "new", "line", "column"),
    [
        ('light = "xenon lamp"', "light = xenon lamp", 5, "9"),
        ("[rooms.studio-1]", "[rooms.studio-1", 8, "16"),
        ("floor = 0.01\n", "floor = 0.01\nfloor = 0.02\n", 19, "13"),
    ],
    ids=["no quotes", "no bracket", "key twice"],
)
def test_a_syntax_error_names_line_and_column(make_facility, old, new, line, column):
    problem = only(make_facility(toml_edit=(old, new)))
    assert (problem.line, problem.column) == (line, column)
    assert "not TOML: " in problem.what
    assert "mend the syntax at this place" in problem.do


def test_a_syntax_error_at_the_end_names_the_last_line(make_facility):
    root = make_facility(toml_more='note = "open')
    problem = only(root)
    assert problem.line == line_of(root, '"open')
    assert problem.column


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "1" * 5000,
        "a = " + "[" * 20_000,
        "a = 2026-13-40",
        'a = "\\ud800"',
        "a = 1979-05-27T25:00:00",
    ],
)
def test_whatever_the_parser_chokes_on_is_told_in_words(text):
    with pytest.raises(InputError) as caught:
        parse(text, FILE)
    assert caught.value.problems[0].file == FILE


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(alphabet="[]{}=\"'.,#\n -1aé\\truefalsnig:T", max_size=40))
def test_any_text_is_toml_or_a_syntax_error_with_its_line(text):
    try:
        found = parse(text, FILE)
    except InputError as error:
        (problem,) = error.problems
        assert problem.file == FILE
        assert 1 <= problem.line <= text.count("\n") + 1
        assert int(problem.column) >= 1
    else:
        assert isinstance(found, dict)


@pytest.mark.parametrize(
    ("old", "new", "key", "do"),
    [
        ('light = "xenon lamp"', 'lihgt = "xenon lamp"', "projectors.P1.lihgt", "did you mean 'light'?"),
        ("[projectors.P1]", "[projektors.P2]\n[projectors.P1]", "projektors", "did you mean 'projectors'?"),
        ("floor = 0.01", "flor = 0.01", "instruments.S1.flor", "did you mean 'floor'?"),
        ('name = "Small', 'nmae = "Small', "nmae", "did you mean 'name'?"),
        (
            "[rooms.studio-2]",
            "[rooms.studio-2.tolerance]\n[rooms.studio-2]",
            "rooms.studio-2.tolerance",
            "tolerances",
        ),
        (
            "[rooms.studio-2]",
            "[tolerances]\nmean = 2\n[rooms.studio-2]",
            "tolerances.mean",
            "'mean_difference'",
        ),
    ],
)
def test_an_unknown_key_or_table_offers_the_nearest(make_facility, old, new, key, do):
    root = make_facility(toml_edit=(old, new))
    problem = only(root)
    assert f"{key}: is not a key that is known here" in problem.what
    assert do in problem.do
    assert problem.line == line_of(
        root, new.split("\n")[0].split(" = ")[0] if "tolerances.mean" not in key else "mean ="
    )


@pytest.mark.parametrize(
    ("old", "new", "what", "do"),
    [
        ('light = "xenon lamp"', "light = 5", "projectors.P1.light: 5 is not text", "write it in quotes"),
        ("floor = 0.01", 'floor = "0.01"', "instruments.S1.floor: '0.01' is not a number", "without quotes"),
        ("floor = 0.01", "floor = true", "instruments.S1.floor: True is not a number", "without quotes"),
        ("floor = 0.01", "floor = nan", "instruments.S1.floor: nan is out of range", "between 0 and 10"),
        ("floor = 0.01", "floor = inf", "instruments.S1.floor: inf is out of range", "between 0 and 10"),
        ("floor = 0.01", "floor = -1", "instruments.S1.floor: -1 is out of range", "between 0 and 10"),
        (
            "contact = true",
            'contact = "yes"',
            "instruments.C1.contact: 'yes' is neither true nor false",
            "quotes",
        ),
        (
            'kind = "colorimeter"',
            'kind = "colourimeter"',
            "'colourimeter' is no kind",
            "did you mean 'colorimeter'?",
        ),
        ('kind = "colorimeter"\n', "", "instruments.C1.kind: is missing", 'add kind = "…"'),
        ("xy = 0.0015\n", "", "instruments.S1.xy: is missing", "expanded uncertainty (k = 2) of xy"),
        (
            'time_zone = "Europe/London"',
            'time_zone = "Europe/Lodnon"',
            "'Europe/Lodnon'",
            "did you mean 'Europe/London'?",
        ),
        ('time_zone = "Europe/London"', 'time_zone = "../../etc/passwd"', "is no time zone", "e.g."),
        ('time_zone = "Europe/London"', 'time_zone = ""', "time_zone: is empty", "Europe/London"),
        ('encoding = "P3 DCI"', 'encoding = "P3-DCI"', "'P3-DCI' is no encoding", "did you mean 'P3 DCI'?"),
        ('encoding = "P3 DCI"', "encoding = [1]", "projectors.P1.encoding: [1] is no encoding", "known"),
        ('projector = "P1"', 'projector = "P2"', "rooms.studio-1.projector: no projector 'P2'", "'P1'"),
        ('projector = "P1"', 'projector = ""', "rooms.studio-1.projector: is empty", "write it out"),
        ('projector = "P1"\n', "", "rooms.studio-1.projector: is missing", 'add projector = "…"'),
        (
            'projector = "P1"',
            'projector = "P1"\nsurround = "dusk"',
            "rooms.studio-1.surround: 'dusk'",
            "'dim'",
        ),
        (
            'projector = "P1"',
            'projector = "P1"\nveil_xy = [0.3]',
            "rooms.studio-1.veil_xy: [0.3]",
            "two numbers",
        ),
        (
            'projector = "P1"',
            'projector = "P1"\nveil_xy = [0.7, 0.7]',
            "is not a chromaticity",
            "two numbers",
        ),
        (
            'projector = "P1"',
            'projector = "P1"\nveil_xy = [nan, 0.3]',
            "is not a chromaticity",
            "two numbers",
        ),
    ],
)
def test_a_wrong_value_names_its_key_and_line(make_facility, old, new, what, do):
    root = make_facility(toml_edit=(old, new))
    problem = only(root)
    assert what in problem.what
    assert do in problem.do
    key = new.split("\n")[-1].split(" = ")[0]
    if key:
        assert problem.line == line_of(root, new.split("\n")[-1])
    else:  # a key that is missing: the line of its table
        table = what.rpartition(".")[0]
        assert problem.line == line_of(root, f"[{table}]")


@pytest.mark.parametrize(
    ("more", "what", "do"),
    [
        (
            "[[formats]]\nfiles = 'readings/*.csv'\n",
            "formats.0.columns: is missing",
            "write e.g.",
        ),
        ("[[set_aside]]\nfile = 'readings/x.csv'\n", "set_aside.0.reason: is missing", "add reason"),
        (
            "[[set_aside]]\nfile = 'readings/x.csv'\nreason = ''\n",
            "set_aside.0.reason: is empty",
            "write it out",
        ),
        ("[[set_aside]]\nreason = 'because'\n", "set_aside.0.file: is missing", "add file"),
        ("[set_aside]\nfile = 'x'\n", "set_aside: is not a list of tables", "[[set_aside]]"),
        ("[tolerances]\nwhite = '0.003'\n", "tolerances.white: '0.003' is not a number", "without quotes"),
    ],
)
def test_a_wrong_table_names_its_key_and_line(make_facility, more, what, do):
    root = make_facility(toml_more=more)
    problem = only(root)
    assert what in problem.what
    assert do in problem.do
    assert problem.line is not None
    assert problem.line >= line_of(root, more.split("\n")[0])


@pytest.mark.parametrize(
    ("table", "key"),
    [("rooms = 3", "rooms"), ("instruments = []", "instruments"), ("projectors = 'P1'", "projectors")],
)
def test_a_value_in_place_of_a_table(make_facility, table, key):
    problems = refused(make_facility(toml=f"{table}\ntime_zone = 'UTC'\n"))
    (problem,) = [problem for problem in problems if "is not a table" in problem.what]
    assert problem.what.startswith(f"{key}: ")
    assert (problem.file, problem.line) == (FILE, 1)
    assert "[table]" in problem.do


@pytest.mark.parametrize("match", ["relative", "appearance"])
def test_match_modes_with_a_working_white(make_facility, match):
    new = f'projector = "P1"\nluminance = 90\nmatch = "{match}"'
    room = read_facility(make_facility(toml_edit=('projector = "P1"', new))).rooms["studio-1"]
    assert (room.match, room.luminance) == (match, 90)


@pytest.mark.parametrize("match", ["relative", "appearance"])
def test_a_working_white_that_is_missing(make_facility, match):
    root = make_facility(toml_edit=('projector = "P1"', f'projector = "P1"\nmatch = "{match}"'))
    problem = only(root)
    assert "rooms.studio-1.luminance: is missing" in problem.what
    assert "write luminance = 100" in problem.do
    assert f'match = "{match}"' in problem.do


def test_pq_is_an_encoding(make_facility):
    new = 'encoding = {base = "XYZ", eotf = "PQ", luminance = 300, white_xy = [0.3127, 0.3290]}'
    encoding = read_facility(make_facility(toml_edit=('encoding = "P3 DCI"', new))).projectors["P1"].encoding
    assert (encoding.eotf, encoding.luminance, encoding.tristimulus) == ("PQ", 300, True)
    assert encoding.name == "XYZ, PQ, 300 cd/m², white 0.3127 0.329"


def test_pq_without_a_peak_is_refused(make_facility):
    root = make_facility(toml_edit=('encoding = "P3 DCI"', 'encoding = {base = "BT.2020", eotf = "PQ"}'))
    problem = only(root)
    assert "encoding.luminance: is missing: in PQ the code of white follows from it" in problem.what
    assert "such as luminance = 1000" in problem.do
    assert problem.line == line_of(root, "encoding =")


def test_the_video_tone_has_its_own_exponent_on_any_base(make_facility):
    """ITU-R BT.1886 (03/2011), Annex 1: 2.40, on a base whose own gamma is 2.6 too."""
    new = 'encoding = {base = "P3 D65", eotf = "BT.1886", luminance = 100}'
    encoding = read_facility(make_facility(toml_edit=('encoding = "P3 DCI"', new))).projectors["P1"].encoding
    assert (encoding.eotf, encoding.gamma) == ("BT.1886", 2.4)


def test_veil_and_common_target_are_accepted(make_facility):
    new = 'projector = "P1"\nveil = 0.2\nveil_xy = [0.44, 0.40]\ncommon_target = true'
    room = read_facility(make_facility(toml_edit=('projector = "P1"', new))).rooms["studio-1"]
    assert (room.veil, room.veil_xy, room.common_target) == (0.2, (0.44, 0.40), True)


def test_an_encoding_may_be_built_on_a_base(make_facility):
    new = 'encoding = {base = "BT.709", gamma = 1.6, luminance = 80, white_uv = [0.1978, 0.4683]}'
    encoding = read_facility(make_facility(toml_edit=('encoding = "P3 DCI"', new))).projectors["P1"].encoding
    assert (encoding.gamma, encoding.eotf, encoding.luminance) == (1.6, "", 80)
    assert encoding.red_xy == (0.640, 0.330)  # ITU-R BT.709-6, 1.3
    # D65, u′ .1978 v′ .4683 and x .3127 y .3290 (ITU-R BT.709-6, 1.4; u′v′ by CIE 015:2018, 8.2.1).
    assert encoding.white_xy == pytest.approx((0.3127, 0.3290), abs=1e-4)
    assert "BT.709" in encoding.name
    assert "gamma 1.6" in encoding.name


@pytest.mark.parametrize(
    ("table", "what", "do"),
    [
        ('{base = "BT.708"}', "encoding.base: 'BT.708'", "did you mean 'BT.709'?"),
        ('{base = "BT.709", gama = 2.2}', "encoding.gama: is not a key", "did you mean 'gamma'?"),
        ('{base = "BT.709", gamma = "2.2"}', "encoding.gamma: '2.2' is not a number", "without quotes"),
        ('{base = "BT.709", gamma = 9}', "encoding.gamma: 9 is out of range", "between 1 and 4"),
        ('{base = "BT.709", gamma = 2.2, eotf = "sRGB"}', "gamma and eotf exclude each other", "keep one"),
        ('{base = "BT.709", red_xy = [0.6, 0.3], red_uv = [0.4, 0.5]}', "exclude each other", "keep one"),
        ('{base = "BT.709", eotf = "HLG"}', "encoding.eotf: 'HLG'", "'BT.1886'"),
        ('{base = "BT.709", eotf = "PQ", luminance = 12000}', "12000 is out of range", "between 1 and 10000"),
    ],
)
def test_a_wrong_inline_encoding(make_facility, table, what, do):
    root = make_facility(toml_edit=('encoding = "P3 DCI"', f"encoding = {table}"))
    problem = only(root)
    assert what in problem.what
    assert do in problem.do
    assert problem.line == line_of(root, "encoding =")


BAD_IDS = [
    ("../../x", "begins with '.'"),
    ("=1+1", "begins with '='"),
    ("-x", "begins with '-'"),
    ("con", "is a device name"),
    ("LPT1.x", "is a device name"),
    ("studio.", "ends in '.'"),
    ("studio ", "ends in ' '"),
    ("a/b", "contains '/'"),
    ("a\\b", "contains '\\\\'"),
    ("a:b", "contains ':'"),
    ("a\tb", "contains '\\t'"),
    ("e\N{COMBINING ACUTE ACCENT}", "is not in Unicode normal form C"),
    ("x" * 65, "has 65 characters"),
    ("", "is empty"),
]
GOOD_IDS = ["studio-1", "Schnittplatz 3", "スタジオ", "स्टूडियो", "7.b_c", "é", "x" * 64, "console"]


@pytest.mark.parametrize(("name", "fault"), BAD_IDS)
@pytest.mark.parametrize("kind", ["rooms", "projectors", "instruments"])
def test_what_is_no_id(make_facility, kind, name, fault):
    keys = {
        "rooms": "projector = 'P1'",
        "projectors": "light = 'laser'",
        "instruments": "kind = 'colorimeter'\nluminance = 0.04\nxy = 0.004",
    }
    quoted = '"' + name.replace("\\", "\\\\").replace("\t", "\\t") + '"'
    problems = refused(make_facility(toml_more=f"[{kind}.{quoted}]\n{keys[kind]}\n"))
    (problem,) = [problem for problem in problems if "the id" in problem.what]
    assert f"the id {name!r} {fault}" in problem.what
    assert problem.what.startswith(f"{kind}.")
    assert problem.line is not None
    assert ids.RULE in problem.do


@pytest.mark.parametrize("name", GOOD_IDS)
def test_ids_in_any_script(make_facility, name):
    more, monitors = (
        f'[rooms."{name}"]\nprojector = "P1"\n',
        "monitor,room,panel\nM1,studio-1,LCD\nM3,studio-2,LCD\n",
    )
    if name == "studio-1":
        more = ""
    facility = read_facility(make_facility(toml_more=more, monitors=monitors + f"M9,{name},LCD\n"))
    assert name in facility.rooms


def test_two_ids_that_differ_by_case(make_facility):
    root = make_facility(
        toml_more='[rooms.Studio-1]\nprojector = "P1"\n',
        monitors="monitor,room,panel\nM1,studio-1,LCD\nM2,Studio-1,LCD\nM3,studio-2,LCD\n",
    )
    problem = only(root)
    assert "rooms.Studio-1: differs from 'studio-1' by case only" in problem.what
    assert "another id" in problem.do
    assert problem.line == line_of(root, "[rooms.Studio-1]")


def test_a_room_without_monitors(make_facility):
    root = make_facility(toml_more='[rooms.annex]\nprojector = "P1"\n')
    problem = only(root)
    assert "rooms.annex: the room has no monitor" in problem.what
    assert "give it a row in monitors.csv" in problem.do
    assert problem.line == line_of(root, "[rooms.annex]")


def test_every_problem_of_both_files_is_told_at_once(make_facility):
    problems = refused(
        make_facility(
            toml_edit=("floor = 0.01", "flor = 0.01"),
            toml_more="[tolerances]\nwhite = 'x'\n",
            monitors="monitor,room,panel\nM1,studio-1,\nM3,studio-2,LCD\n",
        )
    )
    assert [problem.file for problem in problems] == [FILE, FILE, "monitors.csv"]


def test_a_byte_order_mark_and_dos_line_ends(make_facility):
    root = make_facility()
    path = root / FILE
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert read_facility(root).name == "Small studio (invented)"


def test_text_that_is_not_utf_8(make_facility):
    root = make_facility()
    path = root / FILE
    path.write_bytes(path.read_bytes().replace(b"xenon lamp", b"l\xe4mp"))
    problem = only(root)
    assert problem.line == 5
    assert "byte 0xe4 is not UTF-8" in problem.what
    assert "save the file as UTF-8" in problem.do
