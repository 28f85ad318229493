"""Gangs, wanted outputs and the lights of a choice, from outputs and flash durations written down."""

import numpy as np
import pytest

from greystep.compare.drift import Drift
from greystep.errors import GreystepError
from greystep.mix import choose as choosing
from greystep.mix.choose import Choice, GangChoice, choose, choose_gang
from greystep.session.settings import HeadInfo, Settings
from helpers.kits import drift_of
from helpers.synthetic import make_session

#: t0.1 at full, 1/2 and 1/4 [s].
FLASH = {"A": (0.004, 0.002, 0.001), "B": (0.006, 0.003, 0.001), "C": (0.002, 0.001, 0.0005)}


def settings(**heads: tuple[float, ...]) -> Settings:
    return make_session(heads={
        name: HeadInfo(t01_s=dict(enumerate(times))) for name, times in (heads or FLASH).items()
    })  # fmt: skip


def kit(**more: object) -> Drift:
    """Three heads at full, 1/2, 1/4; B gives half a stop more, C a stop less."""
    return drift_of([[180.0] * 3] * 3, output=[[0.0] * 3, [0.5] * 3, [-1.0] * 3], **more)  # type: ignore[arg-type]


def gang(wanted: str, drift: Drift | None = None, most: int | None = None) -> list[tuple[str, str]]:
    made = choose_gang(drift or kit(), settings(), wanted, most)
    return [(light.head, light.power) for light in made.best.lights]


def test_the_shortest_flash_that_gives_enough_is_taken_and_of_the_fast_heads_the_brightest() -> None:
    made = choose_gang(kit(), settings(), "0")
    assert isinstance(made, GangChoice)
    assert [(light.head, light.power) for light in made.best.lights] == [("A", "1/2"), ("B", "1/2")]
    assert made.best.t01_s == pytest.approx(0.003)
    assert made.best.output_stops == pytest.approx(np.log2(2.0**-1.0 + 2.0**-0.5))
    assert [[light.head for light in other.lights] for other in made.next_best] == [["A"]], "at full, in 1/250 s"
    assert gang("0.45") == [("A", "1/2"), ("B", "1/2"), ("C", "1/2")]
    assert gang("0.45", most=2) == [("A", "1/1"), ("C", "1/1")], "B is brighter and slower"
    assert gang("0.45", most=1) == [("B", "1/1")]


def test_an_output_is_asked_for_in_stops_or_as_a_light_of_the_test() -> None:
    drift, session = kit(), settings()

    def wanted(text: str) -> float:
        return choosing._wanted_stops(text, drift, session)

    assert [wanted(text) for text in ("-1", "0.5 stops", " 1 stop", "+2")] == [-1.0, 0.5, 1.0, 2.0]
    assert [wanted(text) for text in ("B@1/2", "C@full", " A@1/4 ")] == [-0.5, -1.0, -2.0]
    for text, said in (("D@full", "no head \"D\" in the test, which has A, B, C"), ("A@1/8", "was not measured"),
                       ("7", "-12 to 6 stops"), ("-13", "-12 to 6 stops")):  # fmt: skip
        with pytest.raises(GreystepError, match=said):
            wanted(text)


def test_at_most_so_many_heads_and_the_most_that_they_give() -> None:
    assert len(gang("-3")) == 1
    with pytest.raises(GreystepError, match=r"output \+3\.0 stops: the most that these heads give together is \+1\.5"):
        gang("3")
    with pytest.raises(GreystepError, match=r"the most that these heads give together is \+0\.5"):
        gang("3", most=1)


def test_of_a_head_with_several_modifiers_the_brightest_cell_is_used() -> None:
    drift = drift_of(
        [[180.0, 180.0], [180.0, 180.0]], output=[[-1.0, 0.0], [0.3, 0.1]], stops=[[0.0, 0.0], [0.0, 0.0]],
        parts={"modifier": [["dome", "bare"], ["dome", "bare"]]},
    )  # fmt: skip
    output = drift.fitted["output_stops"].cells.values
    assert choosing._one_a_head([0, 1, 2, 3], drift, output) == [1, 2]
    assert choosing._one_a_head([0, 3], drift, output) == [0, 3]


def test_powers_that_may_be_used_are_those_that_were_measured_there() -> None:
    drift, session = kit(), settings()
    lost = drift_of([[180.0, None], [180.0, 180.0]])
    assert choosing._usable(drift, session, ["full", "1/4"]).tolist() == [0, 2, 3, 5, 6, 8]
    assert choosing._usable(lost, session, []).tolist() == [0, 2, 3]
    assert choosing._usable(lost, session, ["1/2"]).tolist() == [3]
    with pytest.raises(GreystepError, match='power "1/8": no head was tested there; tested were 1/1, 1/2, 1/4'):
        choosing._usable(drift, session, ["1/8"])


def test_the_best_choice_is_told_with_its_pair_and_what_the_lights_cost() -> None:
    drift = drift_of([[180.0, 190.0], [195.0, 189.0], [170.0, 150.0]], output=[[0.5, 0.5], [0.0, 0.0], [0.0, 0.0]])
    made = choose(drift, settings(), 2)
    assert isinstance(made, Choice)
    assert (made.need, made.searched, len(made.next_best)) == (2, 6, choosing.NEXT)
    best = made.best
    assert [(one.head, one.power, one.output_stops, one.cost_stops) for one in best.lights] == [
        ("A", "1/2", -0.5, 1.0), ("B", "1/2", -1.0, 1.0),
    ]  # fmt: skip
    assert best.cost_stops == 1.0
    assert best.worst is not None
    assert (best.worst.first.head, best.worst.second.head) == ("A", "B")
    assert best.worst.difference.delta_mired == pytest.approx(-1.0)
    with pytest.raises(GreystepError, match=r"--need 4: 3 heads measured \(A, B, C\); ask for fewer"):
        choose(drift, settings(), 4)
    with pytest.raises(GreystepError, match=r"--need 2: 1 head measured at 1/2 \(A\)"):
        choose(drift_of([[180.0, 180.0], [180.0, None]]), settings(), 2, ["1/2"])


def test_heads_of_two_cameras_are_never_chosen_together() -> None:
    drift = drift_of([[180.0], [190.0], [180.1], [190.2]], bodies=["One", "One", "Two", "Two"])
    made = choose(drift, settings(), 2)
    assert [[one.head for one in found.lights] for found in (made.best, *made.next_best)] == [["A", "B"], ["C", "D"]]
