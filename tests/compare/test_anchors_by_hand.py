"""A light in two sessions: its change, its variances and what it is held against, by their formulas."""

import numpy as np
import pytest
from scipy import stats

from greystep.compare import anchors
from greystep.compare.anchors import Anchor, Metered, VisitLight, VisitLights
from helpers.kits import drift_of
from helpers.visits import session


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


def light(found: VisitLights, at: int) -> VisitLight:
    return VisitLight(found, at)


OLD, NEW = [[180.0, 181.0], [190.0, 192.0]], [[180.2, 181.0], [195.0, 192.0]]


def test_a_change_against_the_reference_is_a_difference_of_differences() -> None:
    """B went from 10 to 14.8 mired above A; four lights of variance 0.01, 9 degrees of freedom in each session."""
    old, new = session(drift_of(OLD, dof=9.0)), session(drift_of(NEW, dof=9.0), "two")
    found = anchors.change_since(light(old, 2), light(new, 2))
    assert found is not None
    assert (found.anchor, found.reference, found.same_camera, found.observer_mired) == (
        Anchor.REFERENCE,
        "A",
        True,
        0.0,
    )
    assert found.size == pytest.approx({"mired": 4.8, "duv": 0.0})
    assert found.variances["mired"].sum() == pytest.approx(0.04)
    assert anchors.doubt(found, "mired") == pytest.approx(t(36.0) * 0.2, rel=1e-3)
    assert anchors.doubt(found, "mired", 0.1) == pytest.approx(t(36.0, 0.005) * 0.2, rel=1e-3)
    assert anchors.doubt(found, "duv") == pytest.approx(t(36.0) * 2e-4, rel=1e-3)
    own = anchors.change_since(light(old, 0), light(new, 0))
    assert own is not None
    assert (own.anchor, own.reference, own.size["mired"]) == (Anchor.CAMERA, "", pytest.approx(0.2))


def test_another_camera_brings_what_an_observer_may_see() -> None:
    """On the mean 12.4 mired from A at full; one type: 4 % of it, at another power 7 % too; unknown types 3 mired."""
    old, types = drift_of(OLD), {"A": "dome", "B": "dome"}
    there = session(drift_of(NEW), "two", "Other", types=types)
    found = anchors.change_since(light(session(old), 2), light(there, 2))
    assert found is not None
    assert not found.same_camera
    assert found.observer_mired == pytest.approx(0.04 * 12.4)
    assert found.variances["mired"][-1] == pytest.approx((0.04 * 12.4) ** 2)
    assert found.variances["duv"][-1] == 0.0
    lower = anchors.change_since(light(session(old), 3), light(there, 3))
    assert lower is not None
    apart = (12.0 + 11.8) / 2.0
    assert lower.observer_mired == pytest.approx(np.hypot(0.04, 0.07) * apart)
    unknown = anchors.change_since(light(session(old), 2), light(session(drift_of(NEW), "two", "Other"), 2))
    assert unknown is not None
    assert unknown.observer_mired == 3.0
    other_types = session(drift_of(NEW), "two", "Other", types={"A": "dome", "B": "grid"})
    grid = anchors.change_since(light(session(old), 2), light(other_types, 2))
    assert grid is not None
    assert grid.observer_mired == 3.0


def test_a_meter_stands_in_for_a_camera() -> None:
    """Each reading of the meter repeats to 0.3 mired and was compared with a frame of 0.1 or 0.2."""
    old = session(drift_of(OLD), reference="", meters={"One": Metered("A", 0.0, 180.0, 0.1)})
    new = session(drift_of(NEW), "two", "Other", reference="", meters={"One": Metered("A", 0.0, 181.0, 0.2)},
                  types={"A": "dome", "B": "dome"})  # fmt: skip
    found = anchors.change_since(light(old, 2), light(new, 2))
    assert found is not None
    assert (found.anchor, found.size["mired"]) == (Anchor.METER, 5.0)
    assert found.observer_mired == pytest.approx(0.04 * (195.0 - 181.0))
    assert found.variances["mired"][-1] == pytest.approx(2 * 0.3**2 + 0.1**2 + 0.2**2 + found.observer_mired**2)
    metered = anchors.change_since(light(old, 1), light(new, 1))
    assert metered is not None
    assert metered.observer_mired == 0.0, "the metered head, and it reads as the meter does"
    one_alone = session(drift_of(NEW), "two", "Other", reference="")
    assert anchors.change_since(light(old, 2), light(one_alone, 2)) is None
    same = anchors.change_since(light(old, 2), light(session(drift_of(NEW), "two", reference=""), 2))
    assert same is not None
    assert same.anchor == Anchor.CAMERA


def test_a_camera_that_is_not_known_is_none_that_stayed() -> None:
    old, new = session(drift_of(OLD), camera="", reference=""), session(drift_of(NEW), "two", "", reference="")
    assert anchors.change_since(light(old, 2), light(new, 2)) is None


def test_a_reference_that_moved_is_left_out_unless_all_moved_alike() -> None:
    """A moved by 5 mired: B stood still in the camera; where B moved with it, it is the camera."""
    moved = session(drift_of([[185.0, 186.0], [190.0, 192.0]]), "two")
    alone = anchors.change_since(light(session(drift_of(OLD)), 2), light(moved, 2))
    assert alone is not None
    assert (alone.anchor, alone.reference, alone.size["mired"]) == (Anchor.CAMERA, "A", 0.0)
    all_moved = session(drift_of([[185.0, 186.0], [195.0, 197.0]]), "two")
    alike = anchors.change_since(light(session(drift_of(OLD)), 2), light(all_moved, 2))
    assert alike is not None
    assert (alike.anchor, alike.size["mired"]) == (Anchor.REFERENCE, 0.0)
    meters = {"One": Metered("A", 0.0, 180.0, 0.1)}
    metered = anchors.change_since(
        light(session(drift_of(OLD), meters=meters), 2),
        light(session(drift_of([[185.0, 186.0], [195.0, 197.0]]), "two", meters=meters), 2),
    )
    assert metered is not None
    assert (metered.anchor, metered.reference) == (Anchor.METER, "A"), "the meter saw them all move"


def test_the_reference_is_that_of_the_later_session_at_its_highest_power_of_the_same_body() -> None:
    old, new = session(drift_of(OLD), reference="B"), session(drift_of(NEW), "two")
    found = anchors._references(light(old, 3), light(new, 3))
    assert found is not None
    assert (found[0].at, found[1].at, found[1].cell.head) == (0, 0, "A")
    own = anchors._references(light(old, 0), light(new, 0))
    assert own is not None
    assert own[1].cell.head == "B", "A itself is held against what the earlier session names"
    lower = session(drift_of(NEW, stops=[[1, 2], [0, 1]]), "two")
    assert anchors._references(light(session(drift_of(OLD), reference=""), 3), light(lower, 3)) is not None
    shifted = anchors._references(
        light(session(drift_of(OLD, stops=[[0, 2], [0, 1]]), reference=""), 3), light(lower, 3)
    )
    assert shifted is None, "A at 1/2, its highest, was not measured before"
    other = session(drift_of(NEW, bodies=["Two", "One"]), "two", cameras={"One": "One", "Two": "Two"})
    assert anchors._references(light(old, 3), light(other, 3)) is None
    assert anchors.reference_key(session(drift_of(OLD), reference="Z")) == ""
    assert anchors.judged_together(light(session(drift_of([[180.0, None, 181.0], [180.0]])), 0)) == 2


def test_a_light_is_sought_where_it_was_last_measured_by_its_own_camera_and_parts() -> None:
    def on(pack: str, name: str) -> VisitLights:
        return session(drift_of([[180.0]], parts={"pack": [[pack]]}), name)

    now = session(drift_of([[180.0, 181.0]]), "now")
    first, second = session(drift_of([[180.0, 181.0]]), "1"), session(drift_of([[180.0]]), "2")
    found = anchors.last_measured([first, second], light(now, 0))
    assert found is not None
    assert found.session.visit.name == "2"
    lower = anchors.last_measured([first, second], light(now, 1))
    assert lower is not None
    assert (lower.session.visit.name, lower.at) == ("1", 1)
    assert anchors.last_measured([on("P2", "1")], light(on("P1", "2"), 0)) is None
    unnamed = anchors.last_measured([on("P2", "1")], light(now, 0))
    assert unnamed is not None, "without packs any serves"
    two = session(
        drift_of([[180.0], [180.0]], bodies=["Two", "One"], names="AA"), "3", cameras={"One": "One", "Two": "Two"}
    )
    own = anchors.last_measured([two], light(now, 0))
    assert own is not None
    assert own.cell.body == "One"
    assert anchors.last_measured([], light(now, 0)) is None
