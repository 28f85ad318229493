"""Where placing frames on a plan draws its lines: what counts as known, as a warm-up, as the light of a row."""

import math

import numpy as np
import pytest

from greystep.session.arrived import Arrived
from greystep.session.conductor import Aside, Decisions, Lights, Place, conduct
from session.test_conductor_by_hand import place, plan_of

DARK, NAN = -math.inf, math.nan
IN, TO, BACK = Place.IN_ORDER, Place.SKIPPED_TO, Place.PUT_BACK
WARM, AGAIN = Aside.WARM_UP, Aside.NOT_TURNED


def test_a_light_is_known_by_kind_head_and_power() -> None:
    heads, stops = ["A", "A", "A", "", "A", "A"], [0.0, 0.0, 0.0, 0.0, NAN, 0.0]
    kinds = ["flash", "job", "card", "flash", "flash", "ambient"]
    lights = Lights.of(plan_of("A0 A0 A0 A0 A0 A0", head=heads, stops=stops, kind=kinds))
    assert lights.known.tolist() == [True, False, True, False, False, False]
    assert lights.unlit.tolist() == [False] * 5 + [True]
    assert lights.one[0] != lights.one[2], "a card is no flash of the test"


def test_a_frame_of_another_light_ends_no_warm_up() -> None:
    assert place("A0 A1 A2", -1.0, -1.0, -3.0) == ([0, -1, 2], [IN, AGAIN, TO], 1)
    assert place("A0 A1 A2", -1.0, -1.0, DARK)[1] == [IN, AGAIN, Aside.REJECTED]
    assert place("A0 A1 A2", -1.0, -1.0, -1.0) == ([2, -1, -1], [WARM, WARM, IN], 1)
    assert place("A0 A0 A1", -1.0, -1.0, -1.0, -1.0) == ([2, 3, -1], [WARM, WARM, IN, IN], 2), "both rows at full"


def test_a_head_is_warmed_up_at_its_highest_power_only_and_before_its_other_rows() -> None:
    assert place("A1 A0", -2.0, -2.0, -2.0)[1] == [IN, AGAIN, AGAIN], "not at full"
    assert place("A1 A0 A2", -2.0, -1.0, -1.0, -1.0)[1] == [IN, IN, AGAIN, AGAIN], "it has been shot"
    far = place("A1 A2 A3 A4 A5 A0", -2.0, -1.0)
    assert far[1] == [IN, Aside.NO_PLACE], "a head that has been shot is not warmed up"
    assert place("B0 B1 A0 A1", -1.0, -2.0, -1.0, -1.0, -1.0)[1] == [IN, IN, WARM, WARM, IN]


@pytest.mark.parametrize(("stops", "finest"), [((0.0, 1.0, 2.0), 0.45), ((0.0, 0.5, 2.0), 0.25), ((3.0,), 0.45)])
def test_a_frame_fits_a_row_within_half_of_the_finest_step(stops: tuple[float, ...], finest: float) -> None:
    lights = Lights.of(plan_of(" ".join(["A0"] * len(stops)), stops=list(stops)))
    assert lights.fits == pytest.approx(finest)


def test_rows_that_are_left_out_by_hand_are_due_no_more_and_take_no_frame() -> None:
    out = Decisions(skipped=frozenset({0, 3}))
    assert place("A0 A1 A2 A3", -2.0, -3.0, decided=out) == ([-1, 0, 1, -1], [IN, IN], -1)
    assert place("A0 A1 A2 A3", -2.0, -3.0, -4.0, decided=out)[1] == [IN, IN, Aside.NO_PLACE]


def test_a_row_is_exchanged_with_the_one_behind_it_alone() -> None:
    """Row 2 is left out by hand: A3 passes over row 1, which is then put back, and exchanged with none."""
    out = Decisions(skipped=frozenset({2}))
    assert place("A0 A1 A2 A3", -1.0, -4.0, -2.0, decided=out) == ([0, 2, -1, 1], [IN, TO, BACK], -1)
    assert place("A0 A1 A2 A3", -1.0, -3.0, -2.0)[1] == [IN, TO, Place.EXCHANGED]


def test_the_first_row_may_be_due_again_and_takes_a_frame_whose_light_is_uneven() -> None:
    """The log names the frame of the third row: the level of A is known, and its first row is due while it stands."""
    plan = plan_of("A0 A1 A2", frame=["", "", "f0"])
    done = conduct(plan, [Arrived("f0", -3.0), Arrived("f1", -1.0, uneven=True), Arrived("f2", -2.0, uneven=True)])
    assert done.rows.tolist() == [1, 2, 0]
    assert [event.what for event in done.events] == [Place.BY_HAND, BACK, BACK]


def test_iso_and_step_are_read_of_the_plan() -> None:
    lights = Lights.of(plan_of("A0 A1 A2", note=["check ISO 1600, dust", "ISO", "iso 100"]))
    assert lights.iso[0] == 1600.0
    assert np.isnan(lights.iso[1:]).all()
