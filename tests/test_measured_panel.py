"""A measured wide-gamut LCD, and a session of it in which the patches never reached the screen.

Origin and licence: ``reference/wide_gamut_lcd/SOURCE.txt``.
"""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.displays.response import fit_response
from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Facility, Instrument
from matchlib.matching.fitting import fit_display
from matchlib.perception.difference import ciede2000, xy
from matchlib.readings.archive import Archive
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.quality import check_session
from matchlib.readings.session import average_repeats, missing_from

PANEL = Path(__file__).parent / "reference" / "wide_gamut_lcd"
WHITE_XY, PEAK, BLACK = (0.3188, 0.3318), 249.3, 0.362  # SOURCE.txt
FOUR_DIGITS = 0.5e-4 + 1e-9
REPEATS = 0.0027  # relative standard deviation between the two readings of a setting (SOURCE.txt)
SAME_SUM = 1e-10  # least squares written twice in double precision
POOLED = 0.125  # relative: how well 32 pairs tell a standard deviation, 1/√64
FIT = 1.0  # CIEDE2000, mean over all settings: the primaries shift with the drive, which no matrix follows
NEAR_A_SQUARE = 0.02  # of a gamma: the repeats alone give 2.04 for both, the ramps alone 1.96 and 1.97

FACILITY = """
name = "measured"
time_zone = "UTC"
[projectors.P1]
[rooms.one]
projector = "P1"
[instruments.S1]
kind = "spectroradiometer"
luminance = 0.02
xy = 0.0015
floor = {floor}
"""


def blocks(name):
    return np.genfromtxt(PANEL / name, delimiter=",", names=True, dtype=None, encoding="utf-8")


def readings(name, wanted=("ambient", "ramp_ambient_subtracted", "additivity")):
    """Return drive and XYZ of the uniform patches, the ambient added back to the ramps."""
    table = blocks(name)
    xyz = np.column_stack([table["X"], table["Y"], table["Z"]])
    ambient = xyz[table["block"] == "ambient"][0]
    xyz = xyz + ambient * (table["block"] == "ramp_ambient_subtracted")[:, None]
    kept = np.isin(table["block"], wanted)
    return np.column_stack([table["R"], table["G"], table["B"]])[kept], xyz[kept]


def session_text(name):
    head = ["display: M1", "measured: 2020-07-01T12:00:00Z", "instrument: S1", "signal_max: 1"]
    rows = [
        ",".join(repr(float(value)) for value in (*drive, *xyz)) for drive, xyz in zip(*readings(name), strict=True)
    ]
    return "\n".join([*(f"# {line}" for line in head), "r,g,b,X,Y,Z", *rows]) + "\n"


def read(name):
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.05, contact=False, common_xy=0.5)
    facility = Facility(Path(), "measured", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    return read_session(session_text(name).encode(), "readings/M1.csv", facility, STANDARD["P3 D65"])


@pytest.fixture(scope="module")
def session():
    return read("good_session.csv")


@pytest.fixture(scope="module")
def response(session):
    return fit_response(session)


def test_the_session_is_believed_and_complete(session):
    check_session(session)
    assert missing_from(average_repeats(session)) == []


def test_white_peak_and_black_are_the_known_ones(response):
    assert xy(response.white_xyz) == pytest.approx(WHITE_XY, abs=FOUR_DIGITS)
    assert response.luminance == pytest.approx(PEAK, abs=0.05)
    assert response.black == pytest.approx(BLACK, abs=0.0015)  # the known value is of one reading, ours of three


def slope_written_out(signal, light):
    used = light >= 0.05 * light[-1]
    x, y = np.log(signal[used]), np.log(light[used])
    return ((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum()


def test_channel_gammas_are_the_slopes_of_the_ramps(response):
    """RP 431-2:2011, Annex A's slope on each ramp, grouped and summed here without the library."""
    drive, xyz = readings("good_session.csv")
    black = xyz[np.all(drive == 0, axis=1)].mean(axis=0)
    for channel in range(3):
        alone = (drive[:, channel] > 0) & np.all(np.delete(drive, channel, axis=1) == 0, axis=1)
        steps = np.unique(drive[alone, channel])
        light = np.array([xyz[alone & (drive[:, channel] == step), 1].mean() for step in steps]) - black[1]
        assert response.channel_gamma[channel] == pytest.approx(slope_written_out(steps, light), abs=SAME_SUM)
        assert response.channel_gamma[channel] == pytest.approx(
            np.polyfit(np.log(steps[light >= 0.05 * light[-1]]), np.log(light[light >= 0.05 * light[-1]]), 1)[0],
            abs=SAME_SUM,
        )


def test_the_gamma_is_the_ramps_mean_where_there_are_four_greys(response):
    """The definition's fallback; red and green are a power of about 2, blue is dim and noisy in luminance."""
    assert response.gamma == pytest.approx(response.channel_gamma.mean(), abs=SAME_SUM)
    assert response.channel_gamma[:2] == pytest.approx([2.0, 2.0], abs=NEAR_A_SQUARE)


def test_the_additivity_block_adds():
    """White against the sum of its primaries, black subtracted: 1.0000 (SOURCE.txt), over both readings."""
    drive, xyz = readings("good_session.csv", ("additivity",))

    def light(*setting):
        return xyz[np.all(drive == setting, axis=1), 1].mean()

    black = light(0, 0, 0)
    total = sum(light(*row) - black for row in np.eye(3))
    assert total / (light(1, 1, 1) - black) == pytest.approx(1.0, abs=0.0005)


def test_the_library_s_additivity_error_is_that_of_the_repeats():
    """The same block alone as a session."""
    drive, xyz = readings("good_session.csv", ("additivity",))
    head = ["display: M1", "measured: 2020-07-01T12:00:00Z", "instrument: S1", "signal_max: 1"]
    rows = [
        ",".join(repr(float(value)) for value in (*signal, *light)) for signal, light in zip(drive, xyz, strict=True)
    ]
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.05, contact=False, common_xy=0.5)
    facility = Facility(Path(), "measured", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    text = "\n".join([*(f"# {line}" for line in head), "r,g,b,X,Y,Z", *rows])
    block = read_session(text.encode(), "readings/M1.csv", facility, STANDARD["P3 D65"])
    assert abs(fit_response(block).additivity_error) < 0.0005


def test_repeats_scatter_as_known():
    """Two readings of 32 settings: the pooled relative standard deviation of their luminance is 0.27 %."""
    drive, xyz = readings("good_session.csv", ("additivity",))
    first, second = xyz[:32, 1], xyz[32:, 1]
    assert np.array_equal(drive[:32], drive[32:])
    difference = 2 * (second - first) / (second + first)
    assert np.sqrt((difference**2).mean() / 2) == pytest.approx(REPEATS, rel=POOLED)


def test_the_library_keeps_the_scatter_of_repeats(session):
    """average_repeats against the same settings averaged by hand."""
    patches = average_repeats(session)
    drive, xyz = readings("good_session.csv")
    for setting in ((1, 1, 1), (0.5, 0.3787, 0.4039)):
        group = xyz[np.all(drive == setting, axis=1)]
        place = patches.find(*setting)
        assert patches.count[place] == len(group) > 1
        assert patches.xyz[place] == pytest.approx(group.mean(axis=0), rel=1e-6)
        assert patches.scatter[place] == pytest.approx(group.std(axis=0, ddof=1), rel=1e-3)


def test_the_fit_meets_the_readings_better_than_primaries_and_a_gamma(session, response):
    patches = average_repeats(session)
    errors = ciede2000(patches.xyz, response.forward(patches.signal), response.white_xyz)
    plain = response.black_xyz + patches.signal**response.gamma @ response.primaries_xyz
    plain_errors = ciede2000(patches.xyz, plain, response.white_xyz)
    assert errors.mean() < FIT
    assert fit_display(session).additive
    assert errors.mean() < 0.8 * plain_errors.mean()


def failed_facility(tmp_path, floor):
    (tmp_path / "facility.toml").write_text(FACILITY.format(floor=floor), encoding="utf-8")
    (tmp_path / "monitors.csv").write_text("monitor,room,panel\nM1,one,wide-gamut LCD\n", encoding="utf-8")
    (tmp_path / "readings").mkdir()
    (tmp_path / "readings" / "M1.csv").write_text(session_text("failed_session.csv"), encoding="utf-8")
    return read_facility(tmp_path)


def test_the_failed_session_is_refused_with_the_reason(tmp_path):
    """Every reading, black included, is a white of about 195 cd/m²."""
    facility = failed_facility(tmp_path, 0.05)
    choice = Archive(facility).calibrated_choice(facility.monitors[0])
    assert choice.session is None
    message = "\n".join(map(str, choice.problems))
    assert "readings/M1.csv" in message
    assert "alike" in message
    assert "never reached the screen" in message
    assert "measure the display again, or set the file aside" in message


def test_the_failed_session_is_refused_by_the_check_itself():
    with pytest.raises(InputError, match=r"readings/M1\.csv: the session is refused: all readings are alike"):
        check_session(read("failed_session.csv"))
