"""What becomes of frames whose light is not that of their rows, and of frames without flash: on a few rows."""

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError
from greystep.session import matching
from greystep.session.matching import OtherLight, PlacedByLight, ShotInPart
from helpers.logs import log
from session.test_shoot import reading

INF = math.inf


def misfits(rows: str, light: list[float], placed: list[int], **more: Any) -> tuple[list[str], tuple[OtherLight, ...]]:
    """Return the frame of each row, f0 and so on at first, and what is said of them."""
    shots = log(*rows.split(), **more)
    shots["frame"] = [f"f{at}" for at in range(len(shots))]
    found, told = matching._misfits(shots, np.array(light), np.array(placed))
    return found["frame"].tolist(), told


def test_frames_that_fit_their_rows_stay_without_a_word() -> None:
    every = ["f0", "f1", "f2", "f3"]
    assert misfits("A0 A1 B0 -", [-1.0, -2.0, -1.7, -INF], [0, 1, 2, 3]) == (every, ())
    assert misfits("A0 A1 B0 -", [-1.0, -2.85, -1.7, -INF], [0, -1, 2, 3]) == (every, ()), "less than two slips off"
    assert misfits("A0 A1 B0 ?", [-1.0, -2.0, -1.7, -9.0], [0, 1, 2, 3]) == (every, ()), "a job's light is not known"


def test_two_frames_that_fit_each_others_rows_lose_both() -> None:
    found, told = misfits("A0 A1 A2 B0", [-3.0, -2.0, -1.0, -1.5], [-1, 1, -1, 3])
    assert found == ["", "f1", "", "f3"]
    assert told == (OtherLight(("f0", "f2"), ("row 2", "row 4"), True),)
    found, told = misfits("A0 - A1", [-INF, -1.0, -2.0], [-1, -1, 2])
    assert (found, told[0].frames) == (["", "", "f2"], ("f0", "f1")), "flash on an ambient row, and none on its own"


def test_a_frame_that_is_too_bright_loses_its_row_where_another_shows_its_light() -> None:
    found, told = misfits("A0 A1 A1 B0", [-1.0, -2.0, -0.5, -1.2], [0, 1, -1, 3])
    assert found == ["f0", "f1", "", "f3"]
    assert told == (OtherLight(("f2",), ("row 4",), False),)
    found, told = misfits("A0 A1 A2 B0", [-1.0, -2.0, -1.4, -1.2], [0, 1, -1, 3])
    assert (found, len(told)) == (["f0", "f1", "f2", "f3"], 1), "no other frame of that light: it may be the head"
    found, told = misfits("A0 A1 A1 B0", [-1.0, -2.0, -3.6, -1.2], [0, 1, -1, 3])
    assert (found, len(told)) == (["f0", "f1", "f2", "f3"], 1), "darker: a flash may fall short"
    found, told = misfits("- A0 -", [-INF, -1.0, -3.0], [0, 1, -1])
    assert (found, told[0].frames) == (["f0", "f1", ""], ("f2",)), "light on a row without"


def test_of_a_head_without_a_placed_frame_nothing_is_sure() -> None:
    found, told = misfits("A0 A1 B0 B0", [-1.0, -2.0, -8.0, -8.0], [0, 1, -1, -1])
    assert found == ["f0", "f1", "f2", "f3"]
    assert told == (OtherLight(("f2", "f3"), ("row 4", "row 5"), False),)


# --- frames without flash ---------------------------------------------------------------------------------------------


def unlit(kinds: str, greens: list[float | None], placed: list[int], time: list[float] | None = None) -> list[int]:
    """Rows by kind: ambient, dark or flash; frames without flash, or -1 for a flash, by the green above black."""
    names = {"a": "ambient", "d": "dark", "f": "flash"}
    shots = pd.DataFrame({"kind": [names[one] for one in kinds]})
    readings: Any = [
        SimpleNamespace(
            exposure=SimpleNamespace(exposure_s=seconds, f_number=8.0, iso=100.0),
            signal=None if green is None else SimpleNamespace(mean=(0.0, green, 0.0), u=(0.0, 0.1, 0.0)),
        )
        for green, seconds in zip(greens, time or [0.01] * len(greens), strict=True)
    ]
    light = np.array([0.0 if green is not None and green < 0 else -INF for green in greens])
    return matching._place_unlit(shots, readings, light, np.array(placed)).tolist()


def test_frames_without_flash_go_to_rows_of_their_kind_by_the_room_light_in_them() -> None:
    """The first row is ambient with 10 counts of room light; between two flashes lie an ambient and a dark row."""
    assert unlit("afadf", [10.0, -1.0, 9.8, 0.1, -1.0], [0, 1, -1, -1, 4]) == [0, 1, 2, 3, 4]
    assert unlit("afadf", [10.0, -1.0, 0.1, -1.0], [0, 1, -1, 4]) == [0, 1, 3, 4], "the ambient row was left out"
    assert unlit("afadf", [10.0, -1.0, 9.9, -1.0], [0, 1, -1, 4]) == [0, 1, 2, 4]
    assert unlit("afadf", [10.0, -1.0, 0.1, 9.9, -1.0], [0, 1, -1, -1, 4]) == [0, 1, -1, -1, 4], "out of order"
    assert unlit("afaf", [10.0, -1.0, 9.9, -1.0], [0, 1, -1, 3]) == [0, 1, 2, 3], "a row of one kind"
    assert unlit("afda", [10.0, -1.0, 9.9], [0, 1, -1]) == [0, 1, 3], "at the end too"
    assert unlit("afadf", [10.0, -1.0, None, -1.0], [0, 1, -1, 4]) == [0, 1, -1, 4]


@pytest.mark.parametrize(("green", "row"), [(5.5, 3), (5.6, 2), (9.0, 2)])
def test_a_frame_is_dark_below_half_of_the_room_light_and_the_doubt_of_the_black_level(green: float, row: int) -> None:
    """10 / 2 + 2 x 0.289 counts."""
    assert unlit("afadf", [10.0, -1.0, green, -1.0], [0, 1, -1, 4]) == [0, 1, row, 4]


def test_where_room_light_is_within_noise_or_not_known_at_the_settings_no_frame_is_dark() -> None:
    assert unlit("afadf", [0.3, -1.0, 0.0, -1.0], [0, 1, -1, 4]) == [0, 1, 2, 4]
    other = unlit("afadf", [10.0, -1.0, 0.1, -1.0], [0, 1, -1, 4], [0.01, 0.01, 0.5, 0.01])
    assert other == [0, 1, -1, 4]
    assert unlit("fadf", [-1.0, 0.1, -1.0], [0, -1, 3]) == [0, -1, 3], "no ambient frame has a place"
    two = unlit("aafadf", [10.0, 20.0, -1.0, 8.0, -1.0], [0, 1, 2, -1, 5])
    assert two == [0, 1, 2, 4, 5], "half of the mean of both, 15, and a little"
    assert unlit("affd", [10.0, -1.0, 0.1], [0, 1, -1]) == [0, 1, -1], "a flash is due between"


# --- a log that is shot in part ---------------------------------------------------------------------------------------


def placed(rows: str, lights: list[float]) -> tuple[list[str], list[Any]]:
    """Place frames f0 and so on, by the green of the range that each has, on a log that names none."""
    shots = log(*rows.split())
    files = [f"f{at}" for at in range(len(lights))]
    found, told = matching.place_frames(shots, files, [reading(light) for light in lights])
    return found["frame"].tolist(), list(told)


ROWS = "- A0 A1 A2 B0 B1 B2 C0 C1 C2 -"
#: B gives half of A's light, C a little more; the room gives a thousandth.
WHOLE = [0.0005, 0.6, 0.3, 0.15, 0.3, 0.15, 0.075, 0.7, 0.35, 0.175, 0.0005]


def test_frames_go_to_rows_one_after_the_other_and_a_part_to_the_first_of_them() -> None:
    every = [f"f{at}" for at in range(11)]
    assert placed(ROWS, WHOLE) == (every, [])
    assert placed(ROWS, WHOLE[:7]) == ([*every[:7], *[""] * 4], [ShotInPart(7, 4)])
    assert placed(ROWS, WHOLE[:1]) == (["f0", *[""] * 10], [ShotInPart(1, 10)]), "one frame without flash"
    found, told = placed(ROWS, [*WHOLE[:5], 0.6, WHOLE[6]])
    assert told[-1] == ShotInPart(7, 4)
    assert isinstance(told[0], OtherLight)
    assert (found[5], told[0].frames, told[0].rows) == ("f5", ("f5",), ("row 7",))


def test_a_frame_too_many_or_lost_is_told_where_it_lies() -> None:
    found, told = placed(ROWS, [*WHOLE[:2], *WHOLE[3:]])
    assert found == ["f0", "f1", "", "f2", "f3", "f4", "f5", "f6", "f7", "f8", "f9"]
    assert isinstance(told[0], PlacedByLight)
    assert (told[0].rows, told[0].frames, told[0].slips[0].after) == (11, 10, "f1")
    found, told = placed(ROWS, [*WHOLE[:4], 0.0375, *WHOLE[4:]])
    assert found == ["f0", "f1", "f2", "f3", "f5", "f6", "f7", "f8", "f9", "f10", "f11"]
    assert (told[0].rows, told[0].frames, told[0].slips[0].gap.first) == (11, 12, "f4")


def test_a_part_with_a_slip_in_it_is_an_error_that_says_where() -> None:
    with pytest.raises(FaultsError) as caught:
        placed(ROWS, [*WHOLE[:2], *WHOLE[3:7]])
    assert "their light fits the first 7 rows but for a slip" in caught.value.faults[0]
    assert caught.value.faults[1] == "after f1, row 4 (A 1): no frame"


@pytest.mark.parametrize(
    ("shot", "rows", "where"),
    [
        ([*WHOLE[:4], 0.0375, *WHOLE[4:7]], 7, ["after f3, f4: no row"]),
        ([*WHOLE[:4], 0.0375, *WHOLE[4:6], 0.0375], 6, ["after f3, f4: no row", "after f6, f7: no row"]),
        (
            [*WHOLE[:2], *WHOLE[3:5], *WHOLE[6:8]],
            8,
            ["after f1, row 4 (A 1): no frame", "after f3, row 7 (B 1): no frame"],
        ),
    ],
)
def test_a_part_with_a_frame_or_two_too_many_or_too_few(shot: list[float], rows: int, where: list[str]) -> None:
    with pytest.raises(FaultsError) as caught:
        placed(ROWS, shot)
    assert f"their light fits the first {rows} rows but for a slip" in caught.value.faults[0]
    assert list(caught.value.faults[1:]) == where


def test_a_sequence_that_slipped_at_equal_numbers_is_an_error() -> None:
    with pytest.raises(FaultsError) as caught:
        placed(ROWS, [WHOLE[0], *WHOLE[2:7], 0.0375, *WHOLE[7:]])
    assert caught.value.faults[0].startswith("11 rows and as many frames in capture order, but their light says")
