"""The planned shutter: which flash it cuts, and how much room light it lets in, by closed form."""

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.mix.gels import NO_GEL
from greystep.mix.setup import SetupRow
from greystep.mix.shutter import _room, check_shutter, duration
from greystep.session.settings import HeadInfo

HEADS = {
    "A": HeadInfo("", "", None, {0.0: 1 / 100, 4.0: 1 / 1600}, ""),
    "B": HeadInfo("", "", None, {0.0: 1 / 400}, ""),
}


def row(role: str, head: str, stops: float, share: float, cell: int) -> SetupRow:
    return SetupRow(cell, role, head, "x", stops, share, NO_GEL, "", ((cell, 1.0),))


@pytest.fixture
def readings(synthetic: ModuleType) -> pd.DataFrame:
    """Flash at 0 and -2 stops, 1/128 s; the room gives 0.1 % of the first."""
    table: pd.DataFrame = synthetic.table(["A", "A", "B"], np.array([0.0, 2.0, 0.0]), np.full(3, 178.6))
    table["exposure_s"] = 1 / 125
    table["ambient_pct"] = 100.0 * 0.001 / (0.001 + 2.0 ** table["output_stops"])
    return table


def test_a_duration_between_two_known_powers_is_straight_in_stops() -> None:
    assert duration(HEADS["A"], 0.0) == pytest.approx(1 / 100)
    assert duration(HEADS["A"], 2.0) == pytest.approx(1 / 400)  # half way in stops, half way in log time
    assert duration(HEADS["A"], 7.0) == pytest.approx(1 / 1600)
    assert np.isnan(duration(None, 0.0))
    assert np.isnan(duration(HeadInfo("", "", None, {}, ""), 0.0))


@pytest.mark.parametrize(
    ("shutter", "cut"),
    [(1 / 125, ["cut", "whole", ""]), (1 / 60, ["tail", "whole", ""]), (1 / 30, ["whole", "whole", ""]),
     (1 / 250, ["cut", "tail", ""])],
)  # fmt: skip
def test_a_shutter_cuts_a_flash_that_outlasts_it(readings: pd.DataFrame, shutter: float, cut: list[str]) -> None:
    rows = [row("key", "A", 0.0, 0.5, 0), row("fill", "B", 0.0, 0.3, 1), row("back", "C", 0.0, 0.2, 2)]
    found = check_shutter(rows, readings, HEADS, np.zeros(3), shutter)
    assert [flash.cut for flash in found.flashes] == cut
    assert found.slowest is not None
    assert found.slowest.role == "key"
    assert found.least_shutter == "1/50"  # twice 1/100 s; 1/50 stands for 1/50.8, the same to a tenth of a stop
    least = check_shutter(rows, readings, HEADS, np.zeros(3), 1 / 50)
    assert all(flash.cut != "tail" for flash in least.flashes)
    assert found.given


def test_room_light_grows_with_the_shutter_and_where_a_weak_light_falls_alone(readings: pd.DataFrame) -> None:
    rows = [row("key", "A", 0.0, 0.8, 0), row("fill", "B", 0.0, 0.2, 1)]
    found = check_shutter(rows, readings, HEADS, np.array([0.0, 0.0]), 1 / 60)
    room, key = 2.0 * 0.001, 1.0  # twice the time of the test; key as in the test makes 0.8 of the whole
    whole = key / 0.8
    assert found.ambient_pct == pytest.approx(100 * room / (room + whole), rel=0.02)
    alone = {share.role: share.ambient_pct for share in found.room}
    assert alone["key"] == pytest.approx(100 * room / (room + key), rel=0.02)
    assert alone["fill"] == pytest.approx(100 * room / (room + 0.25), rel=0.02)
    assert found.ambient_high
    quick = check_shutter(rows, readings, HEADS, np.zeros(2), None)
    assert not quick.given
    assert quick.ambient_pct == pytest.approx(found.ambient_pct / 2, rel=0.02)


def test_a_frame_that_is_all_room_light_or_has_no_shutter_tells_nothing_of_the_room(readings: pd.DataFrame) -> None:
    time_s, room = _room(readings)
    assert (time_s, room) == (pytest.approx(1 / 128), pytest.approx(0.128))
    lost = readings.assign(ambient_pct=[100.0, *readings["ambient_pct"][1:]], exposure_s=[1 / 125, 0.0, 1 / 125])
    with np.errstate(all="raise"):
        assert _room(lost) == (pytest.approx(1 / 128), pytest.approx(0.128))
    slow = readings.assign(status=["ok", "rejected", "ok"], exposure_s=[1 / 60, 1 / 125, 1 / 60])
    assert _room(slow)[0] == pytest.approx(1 / 64), "of what can be used"
    assert _room(slow.assign(kind=["flash", "ambient", "check"]))[0] == pytest.approx(1 / 64)


def test_what_the_test_does_not_tell_stays_unknown(synthetic: ModuleType) -> None:
    table = synthetic.table(["A"], np.zeros(1), np.full(1, 178.6)).assign(exposure_s=np.nan, ambient_pct=np.nan)
    found = check_shutter([row("key", "C", 0.0, 1.0, 0)], table, {}, np.zeros(1), None)
    assert np.isnan(found.shutter_s)
    assert np.isnan(found.ambient_pct)
    assert found.slowest is None
    assert not found.ambient_high
    assert found.least_shutter == ""
