"""What is offered to bring lights together, and what is too little to be worth the work, from lights written down."""

import numpy as np
import pytest

from greystep.compare.drift import Drift
from greystep.mix.changes import NewGels, NewPowers
from greystep.mix.gels import NO_GEL, Gel
from greystep.mix.lights import build_lights
from greystep.mix.options import find_options
from greystep.mix.remedies import find_remedies
from greystep.mix.setup import SetupRow
from greystep.session.settings import DEFAULT_TOLERANCE
from helpers.kits import drift_of

#: Steps in u'v' that one mired makes in `helpers.kits`.
STEP = np.hypot(0.0004, 0.00025) / 0.0011


def row(drift: Drift, role: str, head: str, stops: float = 0.0, gel: Gel = NO_GEL) -> SetupRow:
    table = drift.cells.table
    cell = int(np.flatnonzero((table["head"] == head) & (table["stops"] == stops))[0])
    return SetupRow(ord(head), role, head, str(table["power"].iloc[cell]), stops, 0.5, gel, "", ((cell, 1.0),))


@pytest.mark.parametrize(("gained", "listed"), [(0.25, False), (0.35, True)])
def test_a_power_that_gains_less_than_can_be_seen_is_no_remedy(gained: float, listed: bool) -> None:
    """Ten mired apart; at 1/2 the fill comes nearer by a part of a step."""
    drift = drift_of([[180.0, None], [190.0, 190.0 - gained / STEP]])
    rows = [row(drift, "key", "A"), row(drift, "fill", "B")]
    found = find_remedies(rows, drift, DEFAULT_TOLERANCE, (), np.eye(3))
    assert [one.kind for one in found if one.kind != "plates"] == (["power"] if listed else [])


def test_gels_on_all_lights_but_one_are_chosen_by_what_they_leave_and_what_is_not_known_of_them() -> None:
    """Two lights 20 mired cooler than the key: the gel that brings both to it, though makers differ on it by 3."""
    drift = drift_of([[200.0], [180.0], [180.0]])
    rows = [row(drift, "key", "A"), row(drift, "fill", "B"), row(drift, "back", "C")]
    right, near = (Gel(name, shift, 0.0, 0.3, ((name, doubt, 0.0),), False)
                   for name, shift, doubt in (("right", 20.0, 3.0), ("near", 7.0, 1.0)))  # fmt: skip
    options = find_options(build_lights(rows, drift.fitted), rows, drift, (near, right))
    (both,) = [one for one in options if one.kind == "gel" and len(one.roles) > 1]
    assert isinstance(both.change, NewGels)
    assert [(one.role, one.old, one.new, one.lost_stops) for one in both.change.lights] == [
        ("fill", "", "right", 0.3), ("back", "", "right", 0.3),
    ]  # fmt: skip
    assert both.cost_stops == 0.3


def test_each_light_in_turn_is_the_one_that_stays() -> None:
    """The middle one of three stays, though gels would bring it most of the way to the first."""
    drift = drift_of([[200.0], [180.0], [220.0]])
    rows = [row(drift, role, head) for role, head in (("key", "A"), ("fill", "B"), ("back", "C"))]
    gels = [Gel(f"{shift:+g}", shift, 0.0, 0.2, ((f"{shift:+g}", 0.0, 0.0),), True) for shift in (7.0, -20.0, -40.0)]
    options = find_options(build_lights(rows, drift.fitted), rows, drift, gels)
    (both,) = [one for one in options if one.kind == "gel" and len(one.roles) > 1]
    assert isinstance(both.change, NewGels)
    assert [(one.role, one.new) for one in both.change.lights] == [("key", "-20"), ("back", "-40")]


def test_a_gel_that_is_on_a_light_is_replaced_and_its_loss_given_back() -> None:
    drift = drift_of([[200.0], [180.0]])
    warm = Gel("warm", 20.0, 0.0, 0.4, (("warm", 0.0, 0.0),), True)
    rows = [row(drift, "key", "A", gel=warm), row(drift, "fill", "B")]
    off = [one for one in find_options(build_lights(rows, drift.fitted), rows, drift, [warm]) if one.kind == "gel"]
    told = [one.change.lights for one in off if isinstance(one.change, NewGels)]
    assert [[(gel.role, gel.old, gel.new, gel.lost_stops) for gel in lights] for lights in told] == [
        [("key", "warm", "", -0.4)],
        [("fill", "", "warm", 0.4)], [("fill", "", "warm + warm", 0.8)],
    ]  # fmt: skip
    assert [one.cost_stops for one in off] == [0.0, 0.4, 0.8]
    assert off[0].rows[0].gel == NO_GEL


def test_several_powers_at_once_are_offered_where_they_leave_less_than_one_alone() -> None:
    """Key and fill 12 mired apart; each comes 5 nearer at 1/2."""
    drift = drift_of([[180.0, 185.0], [192.0, 187.0]], output=[[0.0, 0.0], [0.0, 0.2]])
    rows = [row(drift, "key", "A"), row(drift, "fill", "B")]
    options = find_options(build_lights(rows, drift.fitted), rows, drift, ())
    one, other, both = [option for option in options if option.kind == "power"]
    assert [option.roles for option in (one, other, both)] == [("key",), ("fill",), ("key", "fill")]
    assert isinstance(both.change, NewPowers)
    assert [light.brighter_stops for light in both.change.lights] == pytest.approx([-1.0, -0.8])
    assert [[(row.head, row.power, row.stops) for row in option.rows] for option in (one, other, both)] == [
        [("A", "1/2", 1.0), ("B", "1/1", 0.0)], [("A", "1/1", 0.0), ("B", "1/2", 1.0)],
        [("A", "1/2", 1.0), ("B", "1/2", 1.0)],
    ]  # fmt: skip
    assert (one.cost_stops, other.cost_stops, both.cost_stops) == (0.0, 0.0, 0.0)  # a brighter light is turned down
