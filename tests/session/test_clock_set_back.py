"""The order of capture where the clock was set back in mid-shoot: the camera's own numbers go on."""

from collections.abc import Sequence

import pytest

from greystep.session.raw_files import capture_order


def at(*minutes: float) -> list[str]:
    return [f"2026-03-01T{9 + int(m // 60):02d}:{int(m % 60):02d}:{int(m % 1 * 60):02d}" for m in minutes]


def numbered(*numbers: int, stem: str = "IMG_") -> list[str]:
    return [f"{stem}{number:04d}.dng" for number in numbers]


@pytest.mark.parametrize(
    ("names", "times", "order"),
    [
        (numbered(1, 2, 3, 4, 5), at(60, 61, 62, 3, 4), [0, 1, 2, 3, 4]),  # an hour back after the third
        (numbered(1, 2, 3, 4), at(4, 3, 2, 1), [3, 2, 1, 0]),  # names against the clock: the clock tells
        (numbered(9998, 9999, 1, 2), at(1, 2, 3, 4), [0, 1, 2, 3]),  # the counter begins anew
        (numbered(1, 2, 300, 301), at(60, 61, 3, 4), [2, 3, 0, 1]),  # two runs of numbers: the clock tells
        ([*numbered(1, 2, 3, stem="A"), *numbered(4, 5, stem="B")], at(60, 61, 62, 3, 4), [3, 4, 0, 1, 2]),
        (numbered(1, 2, 3, 4, 5, 6), at(10, 11, 12, 11.5, 14, 15), [0, 1, 3, 2, 4, 5]),  # half a minute: burst and card
    ],
)
def test_order_of_capture(names: Sequence[str], times: Sequence[str], order: list[int]) -> None:
    assert capture_order(names, times) == order
