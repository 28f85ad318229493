"""Room light and black by small tables: which frames serve, what changed between them, and when it was switched."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session import ambient, switched
from greystep.session.ambient import U_BLACK, Patches, settings_of, steady_stops, take_off

NAN = np.nan
OWN = (510.0, 512.0, 514.0)  # each colour's own black level
FLASH, ROOM = np.array([400.0, 800.0, 600.0]), np.array([30.0, 40.0, 10.0])


def frame(kind: str, mean: Any, **more: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "kind": kind, "head": "A" if kind == "flash" else "", "body": "X", "exposure_s": 0.008, "f_number": 11.0,
        "iso": 100.0, "mean": mean, "u": 0.5, "black": 512.0, "masked": NAN,
    }  # fmt: skip
    return usual | more


def patches_of(frames: tuple[dict[str, Any], ...]) -> Patches:
    columns = {
        name: np.array([np.broadcast_to(one[name], 3) for one in frames], float)
        for name in ("mean", "u", "black", "masked")
    }
    return Patches(
        columns["mean"], columns["u"], columns["black"], np.full((len(frames), 3), 16383.0), columns["masked"]
    )


def off(*frames: dict[str, Any], shares: np.ndarray | None = None) -> ambient.Signals:
    table = pd.DataFrame([one | {"shot": one.get("shot", at)} for at, one in enumerate(frames)])
    return take_off(table, patches_of(frames), np.ones(len(frames), dtype=bool), shares)


# --- settings ---------------------------------------------------------------------------------------------------------


def test_steady_light_grows_by_time_and_iso_and_falls_by_the_aperture() -> None:
    table = pd.DataFrame(
        {"exposure_s": [0.008, 0.016, NAN], "f_number": [11.0, 8.0, 11.0], "iso": [100.0, 400.0, 100.0]}
    )
    stops = steady_stops(settings_of(table))
    assert stops[1] - stops[0] == pytest.approx(1.0 + 2.0 + 1.0)
    assert np.isnan(stops[2])
    assert settings_of(table)[2][0] is None
    assert steady_stops([]).shape == (0,)


# --- which frame serves -----------------------------------------------------------------------------------------------


def test_the_nearest_setting_serves_of_the_same_iso_and_head_first() -> None:
    """Row 0 is 1 s, f/1, ISO 100 of head A; names of heads: B another, a blank none."""

    def by(*settings: tuple[float, float, float], heads: list[str]) -> tuple[list[int], float]:
        every = [(1.0, 1.0, 100.0), *settings]
        exposure = np.array([np.log2(t * iso / n**2) for t, n, iso in every])
        chosen, scale = ambient._serving(0, range(1, len(every)), list(every), exposure, ["A", *heads])
        return chosen, round(scale, 9)

    assert by((1.0, 1.0, 100.0), (1.0, 1.0, 100.0), heads=["", "A"]) == ([2], 1.0)
    assert by((1.0, 1.0, 100.0), (1.0, 1.0, 100.0), heads=["", "B"]) == ([1], 1.0)
    assert by((1.0, 1.0, 100.0), (1.0, 1.0, 100.0), heads=["B", "B"]) == ([1, 2], 1.0)
    assert by((4.0, 1.0, 100.0), (2.0, 1.0, 100.0), heads=["A", ""]) == ([2], 0.5), "nearer before its own head"
    assert by((2.0, 1.0, 100.0), (0.5, 1.0, 100.0), heads=["", "A"]) == ([2], 2.0), "as near: its own"
    assert by((2.0, 1.0, 100.0), (1.0, 1.0, 200.0), heads=["", "A"]) == ([1], 0.5), "as near: of its ISO"
    assert by((4.0, 1.0, 100.0), (2.0, 1.0, 100.0), heads=["", "B"]) == ([1], 0.25), "another head's last"
    assert by((2.0, 1.0, 100.0), (2.0, 1.0, 100.0), heads=["", "A"]) == ([2], 0.5)
    assert by((2.0, 1.0, 100.0), (2.0, 1.0, 100.0), heads=["", ""]) == ([1, 2], 0.5)
    assert by((NAN, 1.0, 100.0), heads=[""]) == ([], 1.0)
    assert by((NAN, 1.0, 100.0), (8.0, 1.0, 100.0), heads=["", ""]) == ([2], 0.125)


def test_a_scaled_frame_scales_its_light_and_not_its_black() -> None:
    """Twice the time: of an ambient frame 5 counts above a black of 2, as dark frames have it, half is taken off."""
    found = off(
        frame("flash", FLASH),
        frame("ambient", ROOM + 2.0, exposure_s=0.016, u=0.4),
        frame("dark", np.full(3, 2.0), u=0.2),
    )
    assert found.signal[0] == pytest.approx(FLASH - 2.0 - ROOM / 2.0)
    assert found.causes["ambient"][0] == pytest.approx(0.25 * 0.16 * np.eye(3))
    assert found.causes["black"][0] == pytest.approx(0.25 * 0.04 * np.eye(3)), "one black, of which half goes"
    assert found.no_ambient[0]
    assert found.ambient_pct[0] == pytest.approx(100.0 * 20.0 / (800.0 - 2.0))
    assert found.black_known.all()


def test_a_frame_scaled_from_another_iso_brings_both_blacks() -> None:
    """ISO 200 of dark frames; at ISO 100 none: its black is only known to half a count."""
    found = off(
        frame("flash", FLASH), frame("ambient", ROOM + 2.0, iso=200.0), frame("dark", np.full(3, 2.0), iso=200.0, u=0.2)
    )
    assert found.signal[0] == pytest.approx(FLASH - ROOM / 2.0)
    assert found.causes["black"][0] == pytest.approx(np.full((3, 3), U_BLACK**2) + 0.25 * 0.04 * np.eye(3))
    assert found.black_known.tolist() == [False, True, True]


def test_a_frame_at_its_own_settings_takes_light_and_black_off_at_once() -> None:
    found = off(frame("flash", FLASH + 2.0), frame("ambient", ROOM + 2.0, u=0.4), frame("dark", np.full(3, 2.0)))
    assert found.signal[0] == pytest.approx(FLASH - ROOM)
    assert not found.causes["black"][0].any()
    assert found.causes["frame"][0] == pytest.approx(0.25 * np.eye(3))
    assert found.ambient_pct[0] == pytest.approx(100.0 * 40.0 / 800.0), "of light above the true black"
    assert found.seen[0].tolist() == [False, True]
    dim = off(frame("flash", ROOM - 50.0), frame("ambient", ROOM))
    assert np.isnan(dim.ambient_pct[0]), "a sum below nought has no share"
    assert np.isnan(off(frame("flash", np.zeros(3)), frame("ambient", np.zeros(3))).ambient_pct[0]), "nor has nought"


@pytest.mark.parametrize(
    ("frames", "wrong"),
    [
        ((frame("flash", FLASH, masked=513.1), frame("ambient", ROOM)), [True, False]),
        ((frame("flash", FLASH, masked=512.9), frame("ambient", ROOM)), [False, False]),
        ((frame("flash", FLASH, masked=[512.0, 510.8, 512.0]), frame("ambient", ROOM)), [True, False]),
        ((frame("flash", FLASH), frame("ambient", ROOM, black=514.0)), [True, False]),
        ((frame("flash", FLASH), *(frame("ambient", ROOM, black=one) for one in (513.0, 511.0))), [False] * 3),
        ((frame("flash", FLASH), frame("dark", np.full(3, 1.2))), [True, False]),
        ((frame("flash", FLASH), frame("dark", np.full(3, 0.8))), [False, False]),
        ((frame("flash", FLASH), frame("dark", np.full(3, 5.0), iso=200.0)), [False, False]),
        ((frame("flash", FLASH), frame("dark", np.full(3, 1.8)), frame("dark", np.full(3, 0.4))), [True, False, False]),
        ((frame("flash", FLASH, black=OWN), frame("dark", np.zeros(3), black=OWN)), [False, False]),
        ((frame("flash", FLASH, black=OWN), frame("ambient", ROOM, black=OWN)), [False, False]),
    ],
)  # fmt: skip
def test_a_black_level_more_than_a_count_off(frames: tuple[dict[str, Any], ...], wrong: list[bool]) -> None:
    assert off(*frames).black_wrong.tolist() == wrong


# --- what changed -----------------------------------------------------------------------------------------------------


def changes(levels: list[float], heads: str = "", shots: list[int] | None = None, times: list[float] | None = None,
            u: float = 0.5) -> list[tuple[int, int, float]]:  # fmt: skip
    """Return first shot, last shot and change of green for ambient frames in the order of the list."""
    n = len(levels)
    settings = [(one, 1.0, 100.0) for one in (times or [1.0] * n)]
    exposure = np.log2([one[0] * 100.0 for one in settings])
    frames = tuple(frame("ambient", np.array([0.0, one, 0.0]), u=u) for one in levels)
    patches = patches_of(frames)
    found = ambient._changes(
        range(n),
        list(settings),
        exposure,
        [one.strip() for one in heads.ljust(n)],
        np.array(shots or range(n)),
        patches,
    )
    return [(one.first, one.last, float(one.weights @ patches.mean[:, 1])) for one in found]


def test_room_light_changed_where_a_channel_differs_by_more_than_four_deviations() -> None:
    """Of two frames of 0.5 each the difference is known to 0.71; of a third against the mean of two to 0.61."""
    assert changes([10.0, 12.8]) == []
    assert changes([10.0, 12.9]) == [(0, 1, pytest.approx(2.9))]
    assert changes([12.9, 10.0]) == [(0, 1, pytest.approx(-2.9))]
    assert changes([10.0, 10.0, 12.4]) == []
    assert changes([10.0, 10.0, 12.5]) == [(1, 2, pytest.approx(2.5))]
    assert changes([10.0, 10.2, 20.0, 20.4, 5.0]) == [(1, 2, pytest.approx(10.1)), (3, 4, pytest.approx(-15.2))]
    assert changes([20.0, 10.0], shots=[7, 3]) == [(3, 7, pytest.approx(10.0))], "in the order of capture"


def test_only_frames_of_one_setting_and_head_are_compared() -> None:
    assert changes([10.0, 20.0], heads="AB") == []
    assert changes([10.0, 20.0], times=[1.0, 2.0]) == []
    assert changes([10.0, 20.0, 20.0, 40.0], times=[1.0, 2.0, 1.0, 2.0]) == [(1, 2, pytest.approx(10.0))], (
        "both settings have it; the frames that lie closest, or came first, give its size"
    )


def test_two_changes_within_a_long_gap_of_another_setting_stay_two() -> None:
    levels, times = [10.0, 100.0, 20.0, 30.0, 300.0], [1.0, 2.0, 1.0, 1.0, 2.0]
    assert [one[:2] for one in changes(levels, times=times)] == [(0, 2), (2, 3)]


def test_a_lit_frame_lies_in_the_stretch_between_two_ambient_frames_that_differ() -> None:
    """Two flashes between them: a third and two thirds of the gaps lie before them."""
    found = off(
        frame("ambient", ROOM), frame("flash", FLASH + ROOM), frame("flash", FLASH + ROOM),
        frame("ambient", ROOM + 30.0), frame("flash", FLASH + ROOM + 30.0),
    )  # fmt: skip
    assert found.room.tolist() == [-1, 0, 0, -1, -1]
    assert found.share == pytest.approx([NAN, 1 / 3, 2 / 3, NAN, NAN], nan_ok=True)
    assert found.change[1] == pytest.approx(np.full(3, 30.0))
    assert found.signal[1] == pytest.approx(FLASH - 10.0)
    assert found.signal[2] == pytest.approx(FLASH - 20.0)
    assert found.signal[4] == pytest.approx(FLASH)
    assert found.causes["room"][1] == pytest.approx(np.full((3, 3), 900.0 * 2 / 9))
    assert not found.causes["room"][4].any()
    assert found.seen.tolist() == [[False, False], [True, True], [True, True], [False, False], [True, False]]
    told = off(
        frame("ambient", ROOM), frame("flash", FLASH + ROOM), frame("flash", FLASH + ROOM),
        frame("ambient", ROOM + 30.0), shares=np.array([0.5, 0.0, 1.0, 0.5]),
    )  # fmt: skip
    assert told.share == pytest.approx([NAN, 0.0, 1.0, NAN], nan_ok=True)
    assert told.signal[1] == pytest.approx(FLASH)
    assert told.signal[2] == pytest.approx(FLASH - 30.0)


def test_changes_of_two_stretches_and_of_another_setting_are_scaled() -> None:
    """Ambient at 1 s in three states; a flash of 2 s in the second stretch sees twice the change."""
    one, two = {"exposure_s": 1.0}, {"exposure_s": 2.0}
    found = off(
        frame("ambient", ROOM, **one), frame("flash", FLASH + 2 * ROOM, **two), frame("ambient", ROOM + 30.0, **one),
        frame("flash", FLASH + 2 * ROOM + 60.0, **two), frame("ambient", ROOM + 70.0, **one),
        frame("flash", FLASH + 2 * ROOM + 140.0, **two),
    )  # fmt: skip
    assert found.room.tolist() == [-1, 0, -1, 1, -1, -1]
    assert found.change[1] == pytest.approx(np.full(3, 60.0))
    assert found.change[3] == pytest.approx(np.full(3, 80.0))
    assert found.signal[1] == pytest.approx(FLASH - 30.0), "half of the change is taken off"
    assert found.signal[3] == pytest.approx(FLASH - 40.0)
    assert found.signal[5] == pytest.approx(FLASH)


def test_an_ambient_frame_of_another_setting_within_a_stretch_is_of_half_the_change() -> None:
    """One flash of 2 s behind it: as likely before as after the change, as the ambient frame itself."""
    found = off(
        frame("ambient", ROOM, exposure_s=1.0), frame("ambient", 2 * ROOM, exposure_s=2.0),
        frame("flash", FLASH + 2 * ROOM, exposure_s=2.0), frame("ambient", ROOM + 30.0, exposure_s=1.0),
    )  # fmt: skip
    assert found.share[2] == 0.5
    assert found.signal[2] == pytest.approx(FLASH)


def test_the_size_of_a_change_is_that_of_the_frames_that_serve_where_they_lie_on_both_its_sides() -> None:
    """1 s sees changes of 30 and 40, 2 s of 60 and 90; the first frame of 2 s lies within the first change.

    The mean of the three that serve is 70; half of 60 for one and 90 for two brings it to 140; there are 150.
    """
    one, two = {"exposure_s": 1.0}, {"exposure_s": 2.0}
    found = off(
        frame("ambient", ROOM, **one), frame("ambient", 2 * ROOM, **two), frame("ambient", ROOM + 30.0, **one),
        frame("ambient", 2 * ROOM + 60.0, **two), frame("ambient", ROOM + 70.0, **one),
        frame("ambient", 2 * ROOM + 150.0, **two), frame("flash", FLASH + 2 * ROOM + 150.0, **two),
    )  # fmt: skip
    assert found.signal[6] == pytest.approx(FLASH + 10.0)


def test_stretches_are_numbered_in_the_order_of_capture_whatever_the_order_of_the_log() -> None:
    """Room light of 0, 30 and 70 counts; two flashes before each change, and the log turned round."""
    levels = [("ambient", 0.0), ("flash", 0.0), ("flash", 0.0), ("ambient", 30.0), ("flash", 30.0), ("flash", 30.0)]
    frames = [
        frame(kind, (FLASH if kind == "flash" else 0.0) + ROOM + level, shot=at)
        for at, (kind, level) in enumerate([*levels, ("ambient", 70.0)])
    ]
    assert off(*frames).room.tolist() == [-1, 0, 0, -1, 1, 1, -1]
    assert off(*frames[::-1]).room.tolist() == [-1, 1, 1, -1, 0, 0, -1]


def test_a_change_at_settings_that_are_known_is_not_brought_to_those_that_are_not() -> None:
    """An ISO that no frame tells: what changed at ISO 100 by 30 counts cannot be scaled to it."""
    blind = {"iso": NAN}
    found = off(
        frame("ambient", ROOM), frame("ambient", ROOM, **blind), frame("flash", FLASH + ROOM, **blind),
        frame("ambient", ROOM + 30.0),
    )  # fmt: skip
    assert found.room.tolist() == [-1, -1, 0, -1]
    assert found.signal[2] == pytest.approx(FLASH)
    assert not found.change[2].any()


# --- when it was switched ---------------------------------------------------------------------------------------------


def stretch(gone: list[int], change: float = 0.1, seed: int = 2) -> tuple[pd.DataFrame, Any]:
    """Three lights of one head, four times; frames 4 to 7 lie in a stretch, `gone` of them after the change."""
    rng = np.random.default_rng(seed)
    stops = np.tile([0.0, 1.0, 2.0], 4)
    light = 4000.0 * 2.0 ** -stops[:, None] * np.array([0.5, 1.0, 0.7]) * (1.0 + rng.normal(0.0, 1e-4, (12, 3)))
    moved = change * 4000.0 * np.array([1.0, 0.6, 0.1])
    inside = np.isin(np.arange(12), [4, 5, 6, 7])
    share = np.where(inside, 0.5, NAN)
    after = np.isin(np.arange(12), gone) * 1.0
    signal = light + (after - np.nan_to_num(share))[:, None] * moved * inside[:, None]
    signals = SimpleNamespace(
        share=share, signal=signal, change=inside[:, None] * moved, room=np.where(inside, 0, -1),
        causes={"frame": np.tile(np.eye(3), (12, 1, 1))},
    )  # fmt: skip
    table = pd.DataFrame({"body": "X", "head": "A", "power": stops, "stops": stops, "shot": np.arange(12)})
    return table, signals


@pytest.mark.parametrize(("gone", "share"), [([4, 5, 6, 7], [1, 1, 1, 1]), ([6, 7], [0, 0, 1, 1]), ([], [0, 0, 0, 0])])
def test_a_change_is_found_where_repeats_agree(gone: list[int], share: list[int]) -> None:
    found = switched.shares(*stretch(gone), np.ones(12, dtype=bool))
    assert found[4:8] == pytest.approx(share, abs=1e-3)
    assert np.isnan(found[[0, 1, 2, 3, 8, 9, 10, 11]]).all()


def test_the_order_of_rows_is_that_of_the_shots_and_unused_frames_say_nothing() -> None:
    table, signals = stretch([6, 7])
    order = np.random.default_rng(1).permutation(12)
    turned = SimpleNamespace(
        **{name: getattr(signals, name)[order] for name in ("share", "signal", "change", "room")},
        causes={"frame": signals.causes["frame"][order]},
    )
    found = switched.shares(table.iloc[order].reset_index(drop=True), turned, np.ones(12, dtype=bool))  # type: ignore[arg-type]
    assert found[np.argsort(order)][4:8] == pytest.approx([0, 0, 1, 1], abs=1e-3)
    even = switched.shares(table, signals, np.isin(np.arange(12), [0, 1, 2, 3]))
    assert even[4:8] == pytest.approx([0.2, 0.4, 0.6, 0.8]), "all gaps are as likely where none in it counts"


def test_each_of_two_stretches_is_judged_by_what_is_known_of_the_other() -> None:
    """With half of the other's change left in its frames the first would stay in doubt by a hundredth."""
    table, signals = stretch([], change=0.0)
    room = np.array([-1, -1, 0, 0, 0, 0, -1, 1, 1, 1, 1, -1])
    gone = np.isin(np.arange(12), [4, 5, 9, 10]) * 1.0
    signals.room, signals.share = room, np.where(room >= 0, 0.5, NAN)
    signals.change = (room >= 0)[:, None] * 16.0 * np.array([1.0, 0.6, 0.1])
    signals.signal += (gone - 0.5)[:, None] * signals.change
    found = switched.shares(table, signals, np.ones(12, dtype=bool))
    assert found[room >= 0] == pytest.approx(gone[room >= 0], abs=1e-3)


def test_how_likely_a_guess_is_by_its_formula() -> None:
    """Student's likelihood of each of three logs about the level of each light, with what moves slowly, by inverses."""
    table, signals = stretch([6, 7], change=0.02)
    before = signals.signal + np.nan_to_num(signals.share)[:, None] * signals.change
    noise = np.full((12, 3), 1e-7)
    gone = np.stack([np.isin(np.arange(12), [4, 5, 6, 7]) * 1.0, np.isin(np.arange(12), [6, 7]) * 1.0], axis=1)
    cell = np.tile([5, 7, 9], 4)
    found = switched._agreement(before, signals.change, gone, noise, cell, np.arange(12.0) * 1.0)
    wanted = []
    for guess in gone.T:
        log = np.log(before - guess[:, None] * signals.change)
        likely = np.sum((1.0 / 4.0 - 1.0) * log)
        logs = (log[:, 0] - log[:, 2], 2.0 * log[:, 1] - log[:, 0] - log[:, 2], log[:, 1])
        for value, scatter in zip(logs, (0.002, 0.001, 0.007), strict=True):
            gaps = np.abs(np.subtract.outer(np.arange(12.0), np.arange(12.0)))
            covariance = np.eye(12) + 1.5**2 * np.exp(-gaps / 8.0) + np.eye(12) * 1e-7 / scatter**2
            own = (cell[:, None] == [5, 7, 9]) * 1.0
            inverse = np.linalg.inv(covariance)
            level = np.linalg.solve(own.T @ inverse @ own, own.T @ inverse @ (value / scatter))
            away = value / scatter - own @ level
            likely -= (3.0 + 9.0) / 2.0 * np.log1p(away @ inverse @ away / 3.0)
        wanted.append(likely)
    assert found == pytest.approx(wanted)
    assert len(table) == 12
