"""The light of a head at a power from a test whose lights read exactly what is written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from correct.test_doubts_by_hand import BODY, MATRIX, blocks, lit
from greystep.compare.drift import Drift
from greystep.constants import OBSERVER_OTHER_TYPE_MIRED, OBSERVER_SAME_HEAD, OBSERVER_SAME_TYPE
from greystep.correct import lit_by, profile
from greystep.correct.profile import Profile, light_at, make_profile, observer_mired, profile_reference, profile_wanted
from greystep.correct.references import Reference
from greystep.correct.unmix import Unmixed
from greystep.errors import GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.uncertainty import student_factor
from greystep.session.reference import HeadAtPower, WholeKit
from greystep.session.settings import HeadInfo, Settings
from helpers.kits import drift_of
from helpers.synthetic import make_session


def profile_of(drift: Drift, **settings: Any) -> Profile:
    ingested: Any = SimpleNamespace(settings=make_session(**settings))
    lights: Any = SimpleNamespace(cells="cells", fitted="fitted")
    return Profile("the test", ingested, drift, lights)


def one(stops: float, mired: list[float | None], head: str = "A", body: str = "One", **more: Any) -> Any:
    drift = drift_of([mired, [180.0] * len(mired)], **more)
    return light_at(profile_of(drift), body, head, stops)


def test_a_tested_power_is_taken_as_it_is() -> None:
    found = one(1.0, [180.0, 184.0, 190.0], output=[[0.0, -0.2, 0.1], [0.0] * 3])
    assert (found.head, found.stops, found.mired, found.how) == ("A", 1.0, 184.0, "A at 1/2 in the test")
    assert found.u_mired == pytest.approx(student_factor(20.0) * 0.1)
    assert found.u_duv == pytest.approx(student_factor(20.0) * 1e-4)
    assert found.output_error_stops == pytest.approx(-0.2)
    assert one(1.005, [180.0, 184.0, 190.0]).how == "A at 1/2 in the test"


def test_between_two_powers_the_light_is_on_the_line_and_what_bends_is_a_bias() -> None:
    """At 1.25 stops of values 180, 184, 190: weights of 3 to 1; second differences of 1 over 0.75 x 0.25."""
    drift = drift_of([[180.0, 184.0, 190.0]] * 2, output=[[0.0, -0.2, 0.1], [0.0] * 3])
    found = light_at(profile_of(drift), "One", "A", 1.25)
    assert found.how == "A between 1/2 and 1/4 in the test"
    assert found.mired == pytest.approx(185.5)
    weights, bent = np.array([0.0, 0.75, 0.25]), 0.25 * 0.75 / 2.0 * np.array([1.0, -2.0, 1.0])
    half = student_factor(20.0) * 0.1 * np.hypot(np.hypot(*weights[1:]), np.sqrt(bent @ bent))
    assert found.u_mired == pytest.approx(bent @ [180.0, 184.0, 190.0] + half, rel=1e-3)
    assert found.output_error_stops == pytest.approx(0.75 * -0.2 + 0.25 * 0.1)
    powers = drift.powers[drift.powers["head"] == "A"]
    u_error = np.nan_to_num(powers["u_output_error_stops"].to_numpy())
    expected = np.sqrt(np.sum((weights * u_error) ** 2)) + abs(bent @ [0.0, -0.2, 0.1])
    assert found.u_output_stops == pytest.approx(expected)
    assert u_error[1] > 0
    other = drift_of([[180.0, 184.0, 190.0]] * 2, output=[[0.0, 0.2, -0.1], [0.0] * 3])
    bent_down = light_at(profile_of(other), "One", "A", 1.25)
    assert bent_down.u_output_stops == pytest.approx(expected), "a bend in either direction"


def test_every_triplet_that_holds_one_of_the_two_powers_tells_of_the_bend() -> None:
    tested = np.array([0.0, 1.0, 3.0, 7.0, 8.0, 9.0])

    def triplets(*used: int) -> list[list[int]]:
        weights = np.isin(np.arange(6), used) / 2.0
        bends = profile._bends(tested, weights, float(tested[list(used)].mean()))
        return [np.flatnonzero(bent).tolist() for bent in bends]

    assert triplets(2, 3) == [[0, 1, 2], [1, 2, 3], [2, 3, 4], [3, 4, 5]]
    assert triplets(0, 1) == [[0, 1, 2], [1, 2, 3]]
    assert triplets(4, 5) == [[2, 3, 4], [3, 4, 5]]
    assert triplets(1, 2) == [[0, 1, 2], [1, 2, 3], [2, 3, 4]]


def test_what_was_not_tested_is_told() -> None:
    lights: list[float | None] = [180.0, 184.0, 190.0]
    assert one(2.3, lights).how == "A beyond 1/2 and 1/4 in the test"
    assert one(2.3, lights).mired == pytest.approx(191.8)
    assert one(-0.3, lights).mired == pytest.approx(178.8)
    with pytest.raises(GreystepError, match=r"A was tested from 1/1 to 1/4 only, 2\.4 stops below full is outside"):
        one(2.4, lights)
    with pytest.raises(GreystepError, match=r"A was tested at 1/2 only, 1\.1 stops below full is outside"):
        one(1.1, [None, 184.0, None])
    with pytest.raises(GreystepError, match=r"A was tested at 1/2 only, 0\.9 stops below full is outside"):
        one(0.9, [None, 184.0, None])
    assert one(1.0, [None, 184.0, None]).mired == 184.0
    assert one(1.0, [180.0, None, 184.0]).how == "A between 1/1 and 1/4 in the test", "what was not measured is none"
    with pytest.raises(GreystepError, match="A has no usable frame in the test"):
        one(1.0, [None, None])
    with pytest.raises(GreystepError, match="head C was not tested in the test; tested: A, B"):
        one(1.0, lights, "C")
    with pytest.raises(GreystepError, match=r"head \(none named\) was not tested in the test; tested: none with this"):
        one(1.0, lights, "", "Two")


def test_a_head_that_was_tested_with_several_modifiers_is_told_apart_by_the_log() -> None:
    drift = drift_of([[180.0, 190.0]], stops=[[0.0, 0.0]], parts={"modifier": [["dome", "bare"]]})
    with pytest.raises(GreystepError, match="the test tested A with more than one modifier; name it in the log"):
        light_at(profile_of(drift), "One", "A", 0.0)
    assert light_at(profile_of(drift), "One", "A", 0.0, {"modifier": "bare"}).mired == 190.0
    assert light_at(profile_of(drift), "One", "A", 0.0, {"modifier": "bare", "pack": "P"}).mired == 190.0


def test_only_what_differs_between_its_cells_is_asked_for() -> None:
    parts = {"modifier": [["dome", "dome"]], "pack": [["P", "Q"]]}
    drift = drift_of([[180.0, 190.0]], stops=[[0.0, 0.0]], parts=parts)
    with pytest.raises(GreystepError, match="the test tested A with more than one pack; name it in the log"):
        light_at(profile_of(drift), "One", "A", 0.0)


@pytest.mark.parametrize("values", [[180.0, 182.0, 183.2, 183.3], [180.0, 182.0, 183.0, 189.0]])
def test_the_largest_bend_of_those_about_the_light_is_the_bias(values: list[float]) -> None:
    """At 1.25 stops between powers at 0, 1, 1.5 and 4: the parabola through either triplet."""
    stops, of = np.array([0.0, 1.0, 1.5, 4.0]), np.array(values)
    found = light_at(profile_of(drift_of([values, values], stops=[[0.0, 1.0, 1.5, 4.0]] * 2)), "One", "A", 1.25)
    assert found.mired == pytest.approx((of[1] + of[2]) / 2.0)
    bends = []
    for first in (0, 1):
        at = stops[first : first + 3]
        weights = np.array([np.polyfit(at, unit, 2)[0] for unit in np.eye(3)]) * 0.25 * 0.25
        bends.append((abs(weights @ of[first : first + 3]), np.sqrt(weights @ weights)))
    bend, norm = max(bends)
    assert found.u_mired == pytest.approx(bend + student_factor(20.0) * 0.1 * np.hypot(np.sqrt(0.5), norm), rel=1e-3)


def test_one_flash_lies_about_its_mean_as_the_heads_flashes_do() -> None:
    drift = drift_of([[180.0, 184.0], [190.0, 191.0]], sd=[0.1, 0.4], dof=[20.0, 0.0])
    assert profile._scatter(profile_of(drift), 0, "mired") == pytest.approx(student_factor(20.0) * 0.1 * np.sqrt(3.0))
    assert profile._scatter(profile_of(drift), 2, "mired") == 0.0, "nothing was repeated"


def test_what_another_camera_sees_otherwise_hangs_on_the_heads() -> None:
    heads = {name: HeadInfo(type=kind) for name, kind in (("A", "small"), ("B", "small"), ("C", "large"), ("D", ""))}
    found = profile_of(drift_of([[180.0]]), heads=heads)
    light: Any = SimpleNamespace(head="A", mired=184.0)

    def u(label: str) -> float:
        return observer_mired(found, light, Reference(label, (0.5, 1.0, 0.6), 1.0, 180.0, 0.0, 0.1))

    assert u("A@full") == pytest.approx(2.0 * OBSERVER_SAME_HEAD * 4.0)
    assert u("B@full") == pytest.approx(2.0 * OBSERVER_SAME_TYPE * 4.0)
    for other in ("C@full", "D@full", "E@full", "kit"):
        assert u(other) == pytest.approx(2.0 * OBSERVER_OTHER_TYPE_MIRED)
    light.mired = 177.0
    assert u("A@full") == pytest.approx(2.0 * OBSERVER_SAME_HEAD * 3.0), "in either direction"
    light.head = "D"
    assert u("E@full") == pytest.approx(2.0 * OBSERVER_OTHER_TYPE_MIRED), "of two unknown types nothing is known"


def test_the_reference_of_a_profile_is_that_of_its_report() -> None:
    drift = drift_of([[180.0, 184.0], [190.0, 191.0]], settings=make_session("B", "1/2"))
    assert profile_wanted(profile_of(drift)) == HeadAtPower("B", 1.0)
    kit: Settings = make_session(kit=True)
    of_kit = drift_of([[180.0, 184.0], [190.0, 191.0]], settings=kit)
    assert isinstance(profile_wanted(profile_of(of_kit, kit=True)), WholeKit)


# --- which light has changed ------------------------------------------------------------------------------------------


def changed(lights: str, amounts: float, monkeypatch: pytest.MonkeyPatch, heads: str = "AB", **other: Any) -> str:
    """A frame of two lights, of which A was shot alone at 1 stop below full, long before and just before."""
    found = Unmixed(np.full((3, 3), amounts), np.full(3, 0.05), np.full(3, 0.5), 90.0)
    monkeypatch.setattr(lit_by, "unmix", lambda singles, mixed: found)
    (mine,) = lit([180.0], frame="both", shot=9, kind="job", head="", lights=lights)
    singles = [
        *lit([180.0], frame="old", shot=1, stops=1.0), *lit([180.0], frame="a", shot=7, stops=1.0),
        *lit([180.0], frame="b", shot=8, head="B", stops=0.0, **other), *lit([180.0], frame="d", shot=2, head="D"),
    ]  # fmt: skip
    singles = [one for one in singles if one.reading.head in heads]
    return lit_by.what_changed(mine, [*singles, mine], make_session(), BODY, lambda name: blocks(0.5))


def test_each_light_is_held_against_the_last_frame_that_it_lit_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    assert changed("A@1/2 & B@full", 1.0, monkeypatch) == "A as in a, B as in b"
    assert changed("A@full & B@full", 2.0, monkeypatch) == "A as in a, B 1.00 stop brighter than in b"
    assert changed("A & B", 0.5, monkeypatch) == "A 1.00 stop darker than in a, B 1.00 stop darker than in b"
    assert changed("A@1/2 & C@full", 1.0, monkeypatch) == "", "of C no frame is known"
    assert changed("A@1/2 & B@full", 1.0, monkeypatch, f_number=8.0) == "", "at another exposure"
    assert changed("A@bad & B", 1.0, monkeypatch) == ""
    assert changed("", 1.0, monkeypatch) == "A as in a, B as in b", "whoever lit it"
    assert changed("A@1/2 & B@full", 1.0, monkeypatch, heads="ABD") == "A as in a, B as in b", "D did not light it"
    assert changed("A@1/2", 1.0, monkeypatch, heads="A") == "", "of one light there is nothing to tell apart"
    three = changed("A@1/2 & B@full & D@full", 1.0, monkeypatch, heads="ABD")
    assert three == "A as in a, D as in d, B as in b"


def test_the_colour_of_a_light_alone_is_its_cards_else_what_the_camera_was_set_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    neutrals: dict[str, list[float]] = {}

    def said(head: str, frame: str, found: Unmixed, place: int, expected: float, neutral: Any, body: Any) -> str:
        neutrals[frame] = neutral.tolist()
        return head

    monkeypatch.setattr(lit_by, "_said", said)
    assert changed("A@1/2 & B@full", 1.0, monkeypatch, source="overlap") == "A, B"
    assert neutrals == {"a": [0.5, 1.0, 0.6], "b": [1.0, 1.0, 1.0]}


# --- the reference of a profile ---------------------------------------------------------------------------------------


def test_a_reference_between_tested_powers_is_the_light_there_as_the_camera_sees_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(profile, "reference_light", lambda *_: None)
    found = profile_of(drift_of([[180.0, 184.0, 190.0]] * 2, duv=[[0.001] * 3] * 2))
    one = profile_reference(found, "One", BODY, HeadAtPower("A", 1.25), "A@-1.25")
    assert (one.label, one.mired, one.duv) == ("A@-1.25", pytest.approx(185.5), pytest.approx(0.001))
    assert one.u_mired == light_at(found, "One", "A", 1.25).u_mired
    assert np.isnan(one.green), "it has no brightness"
    seen = MATRIX @ xy_to_xyz(cct_duv_to_xy(1e6 / 185.5, 0.001))
    assert one.neutral == pytest.approx(tuple(seen / seen[1]))
    with pytest.raises(GreystepError, match="--to kit: no head was tested at the reference power in the test"):
        profile_reference(found, "One", BODY, WholeKit(1.0), "kit")
    with pytest.raises(GreystepError, match="is outside"):
        profile_reference(found, "One", BODY, HeadAtPower("A"), "A")
    with pytest.raises(GreystepError, match="Made Up 7: no colour matrix is known, so no profile can be seen"):
        profile_reference(found, "One", replace(BODY, matrix=None), HeadAtPower("A", 1.25), "A@-1.25")


def test_a_tested_reference_is_that_of_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    reference = Reference("A@full", (0.5, 1.0, 0.6), 8000.0, 180.0, 0.0, 0.1)
    asked: list[Any] = []
    monkeypatch.setattr(profile, "reference_light", lambda *given: "the light")
    monkeypatch.setattr(profile, "seen_light", lambda *given: asked.append(given) or reference)
    found = profile_of(drift_of([[180.0]]))
    assert profile_reference(found, "One", BODY, HeadAtPower("A", 0.0), "A@full") is reference
    assert asked == [("the light", found.lights, BODY)]
    with pytest.raises(GreystepError, match="no head was measured in it"):
        make_profile(found.ingested, drift_of([[None, None]]))
