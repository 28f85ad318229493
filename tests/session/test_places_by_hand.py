"""Which targets stand in their place, on maps of one number each."""

import numpy as np
import pandas as pd
import pytest

from greystep.flags import Flag
from greystep.measure.reading import Reading
from greystep.session import places
from greystep.session.readings import Frames


def standing(
    kinds: list[str], corners: list[int | None], surround: list[int | None] | None = None, body: list[str] | None = None
) -> Frames:
    """Frames whose corners, and surround, are maps of one number each."""
    read = [
        Reading(height=9, corners=None if one is None else np.full((1, 2, 2), float(one)),
                surround=None if other is None else np.full((2, 2), float(other)))
        for one, other in zip(corners, surround or [None] * len(kinds), strict=True)
    ]  # fmt: skip
    log = pd.DataFrame(
        {"frame": [f"f{at}" for at in range(len(kinds))], "kind": kinds, "body": body or ["X"] * len(kinds)}
    )
    log = log.assign(**dict.fromkeys(("patch_x0", "patch_y0", "patch_x1", "patch_y1"), 0.5))
    return Frames(log, tuple(read), {flag: np.zeros(len(kinds), dtype=bool) for flag in Flag})


@pytest.fixture
def alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Maps are alike where their numbers are."""

    def in_place(maps: list[np.ndarray], usual: np.ndarray) -> np.ndarray:
        return np.array([abs(one.mean() - usual.mean()) < 1.0 for one in maps])

    monkeypatch.setattr(places, "in_place", in_place)


@pytest.mark.usefixtures("alike")
def test_frames_stand_whose_corners_are_those_of_most_test_frames() -> None:
    frames = standing(["flash", "flash", "flash", "job", "job", "flash"], [5, 5, 9, 9, 5, None])
    assert places.standing_by_corners(frames).tolist() == [True, True, False, False, True, False]
    cards = standing(["card", "job", "job", "job"], [5, 9, 9, 5])
    assert places.standing_by_corners(cards).tolist() == [True, False, False, True]
    two = standing(["flash"] * 4, [5, 5, 9, 9], body=["X", "X", "Y", "Y"])
    assert places.standing_by_corners(two).all()
    assert places.found_in_others("f0", ["f0", "f1", "f2"], dict(zip(("f0", "f1", "f2"), frames.read[:3], strict=True)))
    assert not places.found_in_others(
        "f2", ["f0", "f1", "f2"], dict(zip(("f0", "f1", "f2"), frames.read[:3], strict=True))
    )
    assert not places.found_in_others("f5", ["f0", "f5"], {"f0": frames.read[0], "f5": frames.read[5]})  # type: ignore[dict-item]


@pytest.mark.usefixtures("alike")
def test_frames_are_read_whole_where_corners_do_not_tell_enough() -> None:
    frames = standing(["flash"] * 8, [5, 5, 5, 5, 5, 5, 5, 9])
    assert places.to_read_whole(frames) == ["f0", "f1", "f3", "f4", "f6", "f7"], "five to hold it against"
    assert places.to_read_whole(standing(["flash"] * 3, [5, 5, 5])) == []
    jobs = standing(["flash", "flash", "job", "ambient"], [5, 5, 5, 5])
    assert places.to_read_whole(jobs) == ["f0", "f1", "f2"], "a job frame must prove its card"
    read = standing(["flash", "flash", "flash"], [5, 5, 9], [1, None, None])
    assert places.to_read_whole(read) == ["f1", "f2"], "the first is read whole already"


def test_a_target_that_moved_costs_a_flash_its_use_and_a_job_its_measure() -> None:
    frames = standing(["flash", "flash", "flash", "job", "job"], [None] * 5, [3, 3, 8, 8, 3])
    states = np.array(["", "", "target_moved", "target_moved", ""], dtype=object)
    found = places.check_targets(frames, states)
    assert np.flatnonzero(found.doubts[Flag.TARGET_MOVED]).tolist() == [2]
    assert np.flatnonzero(found.doubts[Flag.NO_TARGET]).tolist() == [2]
    assert found.log["patch_x0"].isna().tolist() == [False, False, False, True, False]
    frames.doubts[Flag.CLIPPED][3] = frames.doubts[Flag.UNREADABLE][3] = frames.doubts[Flag.NO_TARGET][4] = True
    lost = places.check_targets(frames, np.full(5, "", dtype=object))
    assert lost.log["patch_x0"].isna().tolist() == [False] * 4 + [True]
    again = places.check_targets(frames, states)
    assert not again.doubts[Flag.CLIPPED][3]
    assert again.doubts[Flag.UNREADABLE][3]
