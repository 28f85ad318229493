"""What placing is told of each frame of a shoot, field by field."""

import math
from dataclasses import replace

import numpy as np
import pytest

from greystep.measure.reading import Reading
from greystep.session.arrived import Arrived, Mark, arrived
from session.test_shoot import reading


def at(minute: int, light: float = 0.5, *flags: str, iso: float | None = 100.0) -> Reading:
    frame = reading(light)
    told = replace(frame.exposure, captured=f"2026-03-02T10:{minute:02d}:00", iso=iso)
    return replace(frame, exposure=told, flags=flags)


def test_a_frame_of_which_nothing_is_said_can_be_used() -> None:
    plain = Arrived("f0", -1.0)
    assert (plain.dim, plain.uneven, plain.late, plain.rejected, plain.marks) == (False, False, False, "", ())
    assert math.isnan(plain.iso)
    assert math.isnan(plain.share)


def test_what_is_told_of_each_frame_in_its_order() -> None:
    frames = [at(3), at(1, 0.25, iso=None), at(2, 0.001), at(4, 0.125, iso=400.0)]
    found = arrived(list("abcd"), frames, {"d": "outlier"}, moved=["b", "d"], late=["d"])
    assert [one.frame for one in found] == list("abcd")
    assert np.isnan([one.light for one in found]).tolist() == [False, True, False, True]
    assert [one.rejected for one in found] == ["", "", "", "outlier"]
    assert [one.iso for one in found] == pytest.approx([100.0, math.nan, 100.0, 400.0], nan_ok=True)
    assert [one.share for one in found] == pytest.approx([0.5, 0.25, 0.001, 0.125])
    assert [one.dim for one in found] == [False, False, True, False]
    assert [one.marks for one in found] == [(), (Mark.SET_BACK, Mark.MOVED), (), (Mark.MOVED,)]
    assert [one.late for one in found] == [False, False, False, True]


def test_an_uneven_frame_is_told_where_most_of_those_with_light_are_even() -> None:
    def uneven(*frames: Reading) -> list[bool]:
        return [one.uneven for one in arrived([f"f{n}" for n in range(len(frames))], frames, {})]

    odd, dark = at(1, 0.5, "uneven"), at(2, 0.001, "uneven")
    assert uneven(odd, at(2), dark, dark) == [True, False, False, False], "one of two; what is dim does not count"
    assert uneven(odd, odd, at(3), at(4, 0.001)) == [False] * 4, "two of three: the light falls off"
    assert uneven(odd, odd, at(3), at(4), at(5)) == [True, True, False, False, False]


def test_a_dim_frame_is_rejected_by_all_that_rejects_but_for_its_target() -> None:
    frames = [at(1, 0.001, "no_target", "damaged"), at(2, 0.001, "no_target"), at(3, 0.5, "no_target", "damaged")]
    assert [one.rejected for one in arrived(list("abc"), frames, {})] == ["damaged", "", "no_target"]
