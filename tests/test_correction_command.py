"""``matchlib correction``: from a facility folder to a file that makes the native panel show the projector."""

from dataclasses import replace

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813 (its own documents call it so)
import pytest

from matchlib import cli
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.encoding import STANDARD, convert_signal
from matchlib.matching.correcting import projector_signal
from matchlib.perception.difference import ciede2000

# The panel holds the projector's primaries; its tone is no exact gamma of any other display here.
NATIVE = SimulatedDisplay(
    230.0, (0.3127, 0.3290), (0.692, 0.308), (0.220, 0.725), (0.148, 0.048), gamma=(2.2, 2.25, 2.15), black=0.012
)
NOISE_ALLOWED = 0.35  # CIEDE2000, mean: two displays read with 0.05 % of scatter, fitted, and a black that is not
PRESETS = "monitor,room,panel,preset\nM1,studio-1,LCD,day\nM1,studio-2,LCD,night\n"


@pytest.fixture
def facility(make_facility, session_text):
    native = session_text("M1", shows=NATIVE, steps=16, seed=9, mode="native")
    return make_facility(files={"readings/M1_native.csv": native})


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as stop:
        cli.main(["correction", *map(str, arguments)])
    printed = capsys.readouterr()
    return stop.value.code, printed.out, printed.err


def through_file(file, signal):
    processor = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(src=str(file)))
    pixels = np.array(signal, dtype=np.float32, order="C")
    processor.getDefaultCPUProcessor().applyRGB(pixels)
    return pixels.astype(np.float64)


@pytest.mark.parametrize("level", ["curves", "table"])
def test_the_panel_behind_the_file_shows_what_the_projector_shows(level, capsys, facility, displays, tmp_path):
    """The file goes through an independent reader and a simulated panel of known truth."""
    file = tmp_path / "new" / "M1.clf"
    code, out, err = call(capsys, facility, "M1", "--level", level, "--out", file)
    assert code == 0
    assert all(line.startswith("warning: readings/") for line in err.splitlines())
    assert out.startswith(f"M1 · {level}: mean CIEDE2000 ")
    assert out.endswith(f" → {file}\n")
    signal = np.random.default_rng(91).uniform(size=(2_000, 3))
    wanted, white = displays["P1"].show(signal), displays["P1"].show(np.ones(3))
    shown = NATIVE.show(np.clip(through_file(file, signal), 0, 1))
    assert ciede2000(wanted, shown, white).mean() < NOISE_ALLOWED
    assert ciede2000(wanted, NATIVE.show(signal), white).mean() > 20


def test_the_same_bytes_twice_and_what_it_was_made_from(capsys, facility, tmp_path):
    files = [tmp_path / name for name in ("one.clf", "two.clf")]
    for file in files:
        assert call(capsys, facility, "M1", "--out", file)[0] == 0
    content = files[0].read_bytes()
    assert content == files[1].read_bytes()
    for name in ("readings/M1.csv", "readings/M1_native.csv", "readings/P1.csv"):
        assert f">{name}</m:session>".encode() in content
    assert str(tmp_path).encode() not in content


def test_a_file_that_is_there_is_kept_unless_told_to_replace(capsys, facility, tmp_path):
    file = tmp_path / "M1.clf"
    file.write_text("kept", encoding="utf-8")
    code, _, err = call(capsys, facility, "M1", "--out", file)
    assert code == 2
    assert "is already there; name another file, or pass --replace" in err
    assert file.read_text(encoding="utf-8") == "kept"
    assert call(capsys, facility, "M1", "--level", "curves", "--out", file, "--replace")[0] == 0
    assert file.read_bytes().startswith(b"<?xml")
    code, _, err = call(capsys, facility, "M1", "--out", tmp_path, "--replace")
    assert (code, "is a folder" in err) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["M9"], "no monitor 'M9' in small; known: 'M1', 'M2', 'M3'"),
        (["M1", "--preset", "film"], "monitor M1 has no preset 'film'"),
        (["M2"], "no native session of monitor M2 counts"),
        (["M1", "--on", "2026-01-01"], "P1"),
        (["M1", "--level", "cube"], "'cube' is not one of 'curves', 'table'"),
    ],
)
def test_what_cannot_be_made_is_told_and_nothing_is_written(arguments, says, capsys, facility, tmp_path):
    file = tmp_path / "out.clf"
    code, _, err = call(capsys, facility, *arguments, "--out", file)
    assert code == 2
    assert says in err
    assert not file.exists()


def test_a_monitor_without_a_calibrated_session_is_told_so(capsys, make_facility, session_text, tmp_path):
    native = session_text("M1", shows=NATIVE, mode="native")
    root = make_facility(files={"readings/M1.csv": None, "readings/M1_native.csv": native})
    code, _, err = call(capsys, root, "M1", "--out", tmp_path / "out.clf")
    assert code == 2
    assert "monitor M1 has no calibrated session that counts" in err


def test_several_presets_ask_for_one(capsys, make_facility, session_text, tmp_path):
    files = {f"readings/{name}.csv": None for name in ("M1", "M2", "M3")}
    files |= {f"readings/M1_{name}.csv": session_text("M1", preset=name) for name in ("day", "night")}
    files["readings/M1_native.csv"] = session_text("M1", shows=NATIVE, mode="native")
    root = make_facility(monitors=PRESETS, files=files)
    code, _, err = call(capsys, root, "M1", "--out", tmp_path / "out.clf")
    assert code == 2
    assert "monitor M1 has several presets: 'day', 'night'; choose one with --preset" in err
    file = tmp_path / "night.clf"
    assert call(capsys, root, "M1", "--preset", "night", "--level", "curves", "--out", file)[0] == 0
    assert b"<m:room>studio-2</m:room>" in file.read_bytes()
    assert b"<m:preset>night</m:preset>" in file.read_bytes()


def test_a_backlight_that_has_to_be_turned_down_is_said(capsys, make_facility, session_text, tmp_path, displays):
    """With a raised black the search turns the backlight down; the file is made for the panel so dimmed."""
    raised = replace(NATIVE, black=0.4)
    shows = {"M1": replace(displays["M1"], black=0.4)}
    files = {"readings/M1_native.csv": session_text("M1", shows=raised, steps=16, mode="native")}
    monitors = "monitor,room,panel,dims\nM1,studio-1,LCD,backlight\nM2,studio-1,LCD,\nM3,studio-2,OLED,\n"
    root = make_facility(shows=shows, files=files, monitors=monitors)
    file = tmp_path / "M1.clf"
    code, _, err = call(capsys, root, "M1", "--level", "table", "--out", file)
    assert code == 0
    share = float(err.split("supposes the backlight at ")[1].split(" of full")[0])
    assert 0.1 <= share < 0.9
    signal = np.random.default_rng(92).uniform(size=(2_000, 3))
    shown = share * raised.show(np.clip(through_file(file, signal), 0, 1))
    white = displays["P1"].show(np.ones(3))
    assert ciede2000(displays["P1"].show(signal), shown, white).mean() < 2 * NOISE_ALLOWED


def test_a_monitors_signals_find_their_way_back_to_the_projectors():
    projector = STANDARD["P3 DCI"]
    signal = np.random.default_rng(93).uniform(size=(500, 3))
    for name in ("BT.2020", "P3 D65", "P3 DCI"):
        there = convert_signal(signal, projector, STANDARD[name])
        whole = ((there > 0) & (there < 1)).all(axis=1)  # P3's red lies a hair outside BT.2020
        assert whole.mean() > 0.99
        back = projector_signal(there[whole], STANDARD[name], projector)
        assert back == pytest.approx(signal[whole], abs=1e-6)
    assert projector_signal(np.ones((1, 3)), STANDARD["BT.709"], projector) == pytest.approx(np.ones((1, 3)))
