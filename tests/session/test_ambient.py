"""Room light and black level taken off: hand arithmetic, and intervals that hold the truth."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session.ambient import Patches, Signals, take_off

FLASH = np.array([400.0, 800.0, 600.0])
ROOM = np.array([30.0, 40.0, 10.0])  # at 1/125 s, f/11, ISO 100


def frame(kind: str, mean: np.ndarray, u: float = 0.0, black: float = 512.0, **more: Any) -> dict[str, Any]:
    return {
        "kind": kind, "head": "A" if kind == "flash" else "", "body": "X", "shot": 0, "exposure_s": 0.008,
        "f_number": 11.0, "iso": 100.0, "mean": mean, "u": u, "black": black, "masked": np.nan,
    } | more  # fmt: skip


def light(*frames: dict[str, Any], accepted: list[bool] | None = None, shares: np.ndarray | None = None) -> Signals:
    table = pd.DataFrame([item | {"shot": place} for place, item in enumerate(frames)])
    patches = Patches(
        *(
            np.array([np.broadcast_to(item[name], 3) for item in frames], dtype=float)
            for name in ("mean", "u", "black")
        ),
        np.full((len(frames), 3), 16383.0),
        np.array([np.broadcast_to(item["masked"], 3) for item in frames], dtype=float),
    )
    return take_off(table, patches, np.array(accepted or [True] * len(frames)), shares)


def standard(found: Signals, row: int = 0) -> np.ndarray:
    return np.sqrt(np.diag(found.covariance[row]))


def test_the_mean_of_the_ambient_frames_at_equal_settings_is_taken_off_with_its_noise() -> None:
    found = light(frame("flash", FLASH + ROOM, 0.3), frame("ambient", ROOM + 1, 0.6), frame("ambient", ROOM - 1, 0.6))
    assert found.signal[0] == pytest.approx(FLASH)
    assert standard(found) == pytest.approx(np.sqrt(0.3**2 + 2 * 0.6**2 / 4) * np.ones(3))
    assert found.covariance[0, 0, 1] == 0  # the black level is off too: nothing is shared by the channels
    assert found.ambient_pct[0] == pytest.approx(100 * 40 / 840)
    assert not found.no_ambient[0]
    assert found.black_known.all()
    assert found.signal[1] == pytest.approx(ROOM + 1)  # ambient rows keep their own signal


def test_a_wrong_black_level_goes_with_the_ambient_frame() -> None:
    found = light(frame("flash", FLASH + ROOM + 7), frame("ambient", ROOM + 7))
    assert found.signal[0] == pytest.approx(FLASH)


def test_markings_are_equal_as_thirds_of_a_stop() -> None:
    found = light(frame("flash", FLASH + ROOM), frame("ambient", ROOM, exposure_s=1 / 128, f_number=11.3))
    assert found.signal[0] == pytest.approx(FLASH)
    assert not found.no_ambient[0]


def test_frames_that_name_the_head_come_first_and_those_of_other_heads_last() -> None:
    own, free, other = (frame("ambient", ROOM + add, head=head) for add, head in ((1, "A"), (2, ""), (3, "B")))
    for ambients, off in (((free, other, own), 1), ((other, free), 2), ((other,), 3)):
        assert light(frame("flash", FLASH + ROOM), *ambients).signal[0] == pytest.approx(FLASH - off)


def test_other_bodies_and_rejected_frames_are_left_out() -> None:
    found = light(
        frame("flash", FLASH + ROOM), frame("ambient", ROOM, body="Y"), frame("ambient", 9 * ROOM),
        accepted=[True, True, False],
    )  # fmt: skip
    assert found.signal[0] == pytest.approx(FLASH + ROOM)
    assert found.no_ambient[0]
    assert np.isnan(found.ambient_pct[0])
    assert not found.black_known[0]


def test_without_any_ambient_frame_the_black_level_is_uncertain_in_all_channels_alike() -> None:
    found = light(frame("flash", FLASH, 0.3))
    assert standard(found) == pytest.approx(np.sqrt(0.09 + 1 / 12) * np.ones(3))  # half a count, evenly spread
    assert found.covariance[0, 0, 2] == pytest.approx(1 / 12)


def test_a_dark_frame_gives_the_black_level_where_no_ambient_frame_is() -> None:
    found = light(frame("flash", FLASH + 3, 0.3), frame("dark", np.full(3, 3.0), 0.1))
    assert found.signal[0] == pytest.approx(FLASH)
    assert standard(found) == pytest.approx(np.hypot(0.3, 0.1) * np.ones(3))
    assert found.no_ambient[0]
    assert np.isnan(found.ambient_pct[0])


def test_the_nearest_ambient_frame_is_scaled_by_time_iso_and_aperture() -> None:
    near = frame("ambient", 4 * ROOM, 0.4, exposure_s=1 / 60, f_number=8.0)  # two stops more room light
    far = frame("ambient", 32 * ROOM, exposure_s=1 / 4)
    found = light(frame("flash", FLASH + ROOM, 0.3), far, near)
    assert found.signal[0] == pytest.approx(FLASH)
    # One ISO, one black level: of its error three quarters stay.
    assert standard(found) == pytest.approx(np.sqrt(0.09 + 0.1**2 + 0.75**2 / 12) * np.ones(3))
    assert found.no_ambient[0]
    assert found.ambient_pct[0] == pytest.approx(100 * 40 / 840)


def test_an_error_of_the_black_level_is_not_scaled_where_dark_frames_part_it_from_room_light() -> None:
    frames = (
        frame("flash", FLASH + ROOM + 5, 0.3),
        frame("ambient", 4 * ROOM + 8, 0.4, exposure_s=1 / 125, iso=400.0),
        frame("dark", np.full(3, 5.0), 0.2),
        frame("dark", np.full(3, 8.0), 0.2, iso=400.0),
    )
    found = light(*frames)
    assert found.signal[0] == pytest.approx(FLASH)
    assert standard(found) == pytest.approx(np.sqrt(0.09 + (0.4**2 + 0.2**2) / 16 + 0.2**2) * np.ones(3))
    without = light(*frames[:2])
    assert without.signal[0] == pytest.approx(FLASH + 5 - 2)
    assert standard(without) == pytest.approx(np.sqrt(0.09 + 0.4**2 / 16 + (1 + 1 / 16) / 12) * np.ones(3))


def test_an_unknown_setting_is_equal_to_an_unknown_one_and_cannot_be_scaled() -> None:
    bare = {"f_number": np.nan}
    assert light(frame("flash", FLASH + ROOM, **bare), frame("ambient", ROOM, **bare)).signal[0] == pytest.approx(FLASH)
    found = light(frame("flash", FLASH + ROOM, **bare), frame("ambient", ROOM))
    assert found.signal[0] == pytest.approx(FLASH + ROOM)
    assert found.no_ambient[0]


@pytest.mark.parametrize(
    ("frames", "wrong"),
    [
        ((frame("flash", FLASH, masked=513.2),), True),
        ((frame("flash", FLASH, masked=512.8),), False),
        ((frame("flash", FLASH), frame("dark", np.full(3, 1.2))), True),
        ((frame("flash", FLASH), frame("dark", np.full(3, -0.8))), False),
        ((frame("flash", FLASH, black=515.0), frame("dark", np.zeros(3))), True),
        ((frame("flash", FLASH, black=515.0), frame("ambient", ROOM)), True),
        ((frame("flash", FLASH), frame("ambient", ROOM)), False),
    ],
)
def test_a_black_level_that_pixels_contradict_is_found(frames: tuple[dict[str, Any], ...], wrong: bool) -> None:
    assert light(*frames).black_wrong[0] == wrong


def lit_at(*levels: float, **more: Any) -> list[dict[str, Any]]:
    return [frame("flash", FLASH + ROOM * level, **more) for level in levels]


def test_outside_of_a_change_the_ambient_frames_of_the_same_side_are_taken_off() -> None:
    before, after = (frame("ambient", ROOM * level, 0.2) for level in (1.0, 1.5))
    found = light(*lit_at(1), before, *lit_at(1), before, after, *lit_at(1.5), after, *lit_at(1.5))
    lit = [0, 2, 5, 7]
    assert found.signal[lit] == pytest.approx(np.array([FLASH] * 4))
    assert standard(found, 2) == pytest.approx(0.2 / np.sqrt(2) * np.ones(3))
    assert (found.room == -1).all()  # no frame lies between the two that differ
    assert found.seen[lit].tolist() == [[False, True], [True, True], [True, True], [True, False]]


def test_between_two_ambient_frames_that_differ_the_change_is_in_doubt() -> None:
    before, after = (frame("ambient", ROOM * level, 0.1) for level in (1.0, 1.4))
    frames = [*lit_at(1), before, *lit_at(1, 1, 1.4), after, *lit_at(1.4)]
    found = light(*frames)
    assert found.room.tolist() == [-1, -1, 0, 0, 0, -1, -1]
    assert found.share[2:5] == pytest.approx([0.25, 0.5, 0.75])  # four gaps, each as likely
    assert found.change[2:5] == pytest.approx(np.array([0.4 * ROOM] * 3))
    assert found.signal[2:5] == pytest.approx(np.array([FLASH - 0.1 * ROOM, FLASH - 0.2 * ROOM, FLASH + 0.1 * ROOM]))
    assert found.causes["room"][2] == pytest.approx(0.25 * 0.75 * 0.16 * np.outer(ROOM, ROOM))
    assert found.signal[[0, 6]] == pytest.approx(np.array([FLASH] * 2))
    known = light(*frames, shares=np.array([np.nan, np.nan, 0.0, 0.0, 1.0, np.nan, np.nan]))
    assert known.signal[2:5] == pytest.approx(np.array([FLASH] * 3))
    assert standard(known, 2) == pytest.approx(0.1 * np.ones(3))
    assert not known.causes["room"].any()


def test_another_setting_says_where_the_change_lies_and_its_black_level_cancels() -> None:
    first, last = (frame("ambient", ROOM * level + 5, 0.1) for level in (1.0, 1.4))
    fast = {"iso": 400.0, "black": 500.0}
    closer = [frame("ambient", 4 * ROOM * level + 9, 0.1, **fast) for level in (1.0, 1.4)]
    at = [FLASH + ROOM + 5, FLASH + ROOM + 5, FLASH + 1.4 * ROOM + 5, FLASH + 1.4 * ROOM + 5]
    one, two, three, four = (frame("flash", mean) for mean in at)
    dull = frame("flash", FLASH + 4 * 1.4 * ROOM + 9, **fast)
    found = light(first, one, closer[0], two, three, closer[1], four, dull, last)
    assert found.room.tolist() == [-1, -1, -1, 0, 0, -1, -1, -1, -1]
    assert found.signal[[1, 6, 7]] == pytest.approx(np.array([FLASH] * 3))
    assert found.change[3] == pytest.approx(0.4 * ROOM)
    # Without a last one at its own setting, the change is that of the other, scaled.
    scaled = light(first, one, closer[0], two, three, closer[1], four, dull)
    assert scaled.signal[[1, 6, 7]] == pytest.approx(np.array([FLASH] * 3))
    assert scaled.change[3] == pytest.approx(0.4 * ROOM)
    assert standard(scaled, 6) == pytest.approx(np.sqrt(0.1**2 + 2 * (0.1 / 4) ** 2) * np.ones(3))


def test_ambient_frames_within_their_noise_all_serve_as_before() -> None:
    levels = (ROOM, ROOM + 0.8, ROOM - 0.1)
    one, two, three = (frame("ambient", level, 0.2) for level in levels)
    found = light(one, *lit_at(1), two, *lit_at(1), three)
    assert found.signal[[1, 3]] == pytest.approx(np.array([FLASH + ROOM - np.mean(levels, axis=0)] * 2), rel=1e-14)
    assert (found.room == -1).all()
    assert not found.change.any()


def test_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(7)
    trials = 2000
    noise = {"flash": 0.5, "ambient": 0.3, "dark": 0.2}
    hits = np.zeros(3)
    for _ in range(trials // 10):
        black = rng.uniform(-0.5, 0.5)
        frames = [
            frame("flash", FLASH + ROOM + black + rng.normal(0, noise["flash"], 3), noise["flash"]) for _ in range(8)
        ]
        frames += [frame("flash", FLASH + 4 * ROOM + black + rng.normal(0, 0.5, 3), 0.5, exposure_s=1 / 30)]
        frames += [frame("flash", FLASH + ROOM / 4 + black + rng.normal(0, 0.5, 3), 0.5, f_number=22.0)]
        frames += [frame("ambient", ROOM + black + rng.normal(0, noise["ambient"], 3), noise["ambient"])]
        found = light(*frames)
        spread = np.sqrt(np.diagonal(found.covariance[:10], axis1=1, axis2=2))
        hits += (np.abs(found.signal[:10] - FLASH) <= 2 * spread).sum(axis=0)
    assert hits.min() > 0.92 * trials
    assert hits.max() < 0.98 * trials


def test_of_two_that_are_as_near_the_frame_at_the_same_iso_is_scaled() -> None:
    same = frame("ambient", 2 * ROOM, exposure_s=1 / 60)
    other = frame("ambient", 2 * (ROOM + 5), iso=200.0)
    for pair in ((same, other), (other, same)):
        assert light(frame("flash", FLASH + ROOM), *pair).signal[0] == pytest.approx(FLASH, abs=0.5)
