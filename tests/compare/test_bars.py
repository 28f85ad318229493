"""Verdicts and intervals where a test is not ideal, a few sessions each; the benchmark of verdicts measures them all.

Seeds are fixed. A share of so few sessions is known to some per cent only, so the limits here are wider than the bar of
92 to 98 %, and far from what the code gave that took all shots for independent.
"""

import pandas as pd
import pytest

from benchmarks.simulate_verdicts import one_session

SEED = 5


def sessions(name: str, number: int, true: str = "0") -> pd.DataFrame:
    """Return the scores of some sessions of a condition: shares of what holds, and 1 where a thing is so."""
    return pd.DataFrame([one_session(name, true, SEED, at) for at in range(number)])


# --- 1: a light is told at the mean heat of its test ------------------------------------------------------------------


def test_a_light_is_told_where_its_frames_lie() -> None:
    found = sessions("warm 9 shots", 6)
    assert found[["abs", "pair", "cell"]].mean().between(0.86, 1.0).all()
    assert found["warm"].mean() > 0.8  # from the first shot to the hottest, not to a state that was never shot
    assert found["U"].max() < 1.0
    assert not found["kit+"].any()  # the frames themselves lie 9 mired apart


def test_a_head_whose_frames_move_beyond_the_limit_never_holds() -> None:
    found = sessions("p1 one head moves 8", 8)
    assert not found["in!"].any()
    assert not found["out!"].any()
    assert found["abs"].mean() > 0.85
    assert found["U"].max() < 4.0  # it was 24: an asymptote far from every frame


# --- 2: heat and power that cannot be parted --------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "true"), [("p2 heat against drift", "7 cancel"), ("p2 one head warms 11", "0")])
def test_nothing_is_called_where_heat_and_power_go_together(name: str, true: str) -> None:
    found = sessions(name, 8, true)
    assert not found["call"].any()
    assert not found["kit+"].any()
    assert not found["kit-"].any()


# --- 3: what moves between heads --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["drift 1.5", "placement 0.5", "drift 1.5 shuffled checks"])
def test_check_frames_make_intervals_hold_between_heads(name: str) -> None:
    found = sessions(name, 14)
    assert found[["pair", "cell", "span"]].mean().between(0.86, 1.0).all()
    assert found["kept"].mean() <= 0.3
    assert not found["out!"].any()


def test_without_check_frames_no_two_blocks_are_within() -> None:
    found = sessions("drift 1.5 no checks", 6)
    assert not found["kit+"].any()
    assert not found["pin"].any()
    assert not found["back"].any()


# --- 4: room light, and errors that the frames of a light share -------------------------------------------------------


@pytest.mark.parametrize("name", ["lamp 0.5 % first and last", "lamp 2 %", "lamp 2 % first and last"])
def test_a_lamp_sends_no_head_back(name: str) -> None:
    found = sessions(name, 10)
    assert not found["out!"].any()
    assert found[["pair", "cell"]].mean().between(0.86, 1.0).all()


def test_a_lamp_in_raw_files_sends_no_head_back() -> None:
    found = sessions("raw lamp 2 %", 1)
    assert not found["back"].any()
    assert found["pair"].mean() > 0.6  # 0.24 where all frames were given the mean of all flash-off frames


def test_room_light_that_is_not_known_leaves_all_open() -> None:
    found = sessions("raw no last ambient", 1)
    assert not found["kit+"].any()
    assert not found["pin"].any()


def test_an_error_of_black_does_not_shrink_with_more_frames() -> None:
    found = sessions("black 0.3 legs 5", 10)
    assert found[["pair", "cell", "abs", "span", "slope"]].mean().between(0.86, 1.0).all()


# --- 5: shots that remember each other --------------------------------------------------------------------------------


def test_serial_scatter_widens_intervals_or_leaves_open() -> None:
    found = sessions("serial 0.6", 14)
    assert found[["pair", "abs", "span", "slope"]].mean().between(0.88, 1.0).all()
    assert found["kept"].mean() <= 0.25  # a warm-up that is not there


def test_scatter_that_grows_over_the_powers_keeps_spans_and_slopes() -> None:
    found = sessions("spread x5", 40)
    assert found[["span", "slope"]].mean().between(0.915, 1.0).all()


# --- 6: what was compared ---------------------------------------------------------------------------------------------


def test_nothing_compared_is_not_within() -> None:
    assert not sessions("p6 two bodies", 3, "25 head")["kit+"].any()


def test_scatter_of_output_leaves_the_verdict_on_colour() -> None:
    assert sessions("p6 output 0.03", 6)["col+"].mean() >= 0.8
