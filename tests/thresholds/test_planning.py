"""Limits of planning that no hand arithmetic of its own tests shows."""

import pytest

from greystep.errors import GreystepError
from greystep.planning.pace import check_day
from greystep.planning.plans import plan_test
from greystep.planning.rig import distance_for
from greystep.planning.wishes import Wishes


@pytest.mark.parametrize("width_m", [0.2, 1.5])
def test_the_edge_of_a_target_gets_one_and_a_half_percent_less(width_m: float) -> None:
    distance = distance_for(width_m)
    assert 100.0 * (1.0 - (1.0 + (width_m / 2.0 / distance) ** 2) ** -1.5) == pytest.approx(1.5, rel=0.1)


def test_a_day_holds_9600_frames_of_nine_seconds() -> None:
    check_day(9600)
    with pytest.raises(GreystepError, match="9601 frames: more than a day"):
        check_day(9601)
    with pytest.raises(GreystepError, match="more than a day"):
        check_day(9600, heads=1)


def test_a_stack_is_shot_every_three_seconds_where_no_recycle_time_is_given() -> None:
    def run_seconds(recycle_s: float | None) -> list[float]:
        plan = plan_test("Test", ["A"], Wishes(stack=("A",), run_frames=5, recycle_s=recycle_s), {}, {}, "")
        return [step.seconds for step in plan.draft.steps if step.head == "A"][2:5]

    assert run_seconds(None) == [3.0] * 3
    assert run_seconds(2.0) == [2.0] * 3
