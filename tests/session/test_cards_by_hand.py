"""Whether a frame shows the card, what a run from rest and a lamp nobody saw cost: each by its arithmetic."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.flags import Flag
from greystep.measure import chromaticity
from greystep.measure.target import Target
from greystep.session import cards, colour, runs
from greystep.session.runs import RUN_NOTE, Settles, settling

NAN = np.nan


# --- reach ------------------------------------------------------------------------------------------------------------


def reaches(away: tuple[float, float, float], of: dict[str, float], at: dict[str, float], alike: bool = True) -> bool:
    place = np.array([[0.1, 0.2, -3.0], [0.1 + away[0], 0.2 + away[1], -3.0 + away[2]]])
    return cards._within_reach(place, [at, of], 1, 0, alike)


def test_a_card_frame_of_the_same_lights_is_near_in_colour_and_brightness() -> None:
    one = {"A": 1.0}
    assert reaches((0.029, -0.019, 0.24), one, one)
    for away in ((0.031, 0.0, 0.0), (-0.031, 0.0, 0.0), (0.0, 0.021, 0.0), (0.0, 0.0, -0.26)):
        assert not reaches(away, one, one)
    assert reaches((0.049, 0.025, -2.34), {"A": 3.0}, one), "two stops lower: so much darker, and a little more reach"
    assert not reaches((0.051, 0.0, -2.0), {"A": 3.0}, one)
    assert not reaches((0.0, 0.027, -2.0), {"A": 3.0}, one)
    assert not reaches((0.0, 0.0, -1.6), {"A": 3.0}, one)
    assert reaches((0.0, 0.0, 1.9), {"A": 1.0}, {"A": 3.0})


def test_brightness_says_nothing_where_the_powers_do_not_tell_it() -> None:
    assert reaches((0.0, 0.0, 5.0), {"A": NAN}, {"A": 1.0})
    assert reaches((0.0, 0.0, 5.0), {"A": 1.0}, {"B": 1.0}, alike=False)
    assert reaches((0.0, 0.0, 5.0), {"A": 1.0, "B": 2.0}, {"A": 1.0, "B": 3.0}), "one of two heads was turned"
    assert not reaches((0.0, 0.0, 5.0), {"A": 1.0, "B": 2.0}, {"A": 1.0, "B": 2.0})
    assert not reaches((0.035, 0.0, 0.0), {"A": 1.0}, {"B": 1.0}, alike=False)


# --- the same card ----------------------------------------------------------------------------------------------------

TARGET: Any = Target(box=(0.3, 0.3, 0.7, 0.7), patch=(0.4, 0.4, 0.6, 0.6), found=True)


def test_zones_of_the_map_about_the_card() -> None:
    card, edges, ground = cards._zones(TARGET, (20, 20))
    x0, y0, x1, y1 = cards.surround_box(TARGET)
    for row in range(20):
        for column in range(20):
            x, y = x0 + (column + 0.5) / 20 * (x1 - x0), y0 + (row + 0.5) / 20 * (y1 - y0)
            on = 0.4 < x < 0.6 and 0.4 < y < 0.6
            near = 0.268 < x < 0.732 and 0.268 < y < 0.732
            assert (card[row, column], edges[row, column], ground[row, column]) == (on, near and not on, not near)
    assert card.any()
    assert edges.any()
    assert ground.any()


def frame(surround: np.ndarray | None, sd: float = 10.0, mean: float = 1000.0) -> Any:
    signal = SimpleNamespace(sd=(sd,) * 3, mean=(mean,) * 3)
    return SimpleNamespace(signal=signal, surround=surround)


def same(change: Any = None, noise: float = 10.0, **more: Any) -> bool:
    """Hold a job frame against two cards: outside the card the ground is half as bright."""
    card, edges, ground = cards._zones(TARGET, (20, 20))
    usual = np.where(ground, 0.5, 1.0)
    own = usual.copy()
    if change is not None:
        own = change(own, card, edges, ground)
    frames: Any = SimpleNamespace(read=[frame(usual), frame(usual * 1.001), frame(own, noise, **more), None])
    return cards._same_card(frames, TARGET, 2, [0, 1, 3])


def some(share: float, zone: np.ndarray) -> np.ndarray:
    """Return the first so much of a zone."""
    chosen = np.zeros(zone.shape, dtype=bool)
    at = np.argwhere(zone)
    for row, column in at[: round(share * len(at))]:
        chosen[row, column] = True
    return chosen


def test_a_card_has_its_outline_on_the_same_ground_and_is_as_even() -> None:
    assert same()
    assert same(lambda own, card, edges, ground: np.where(some(0.24, ground), own * 2.0, own))
    assert not same(lambda own, card, edges, ground: np.where(some(0.26, ground), own * 2.0, own))
    assert same(lambda own, card, edges, ground: np.where(some(0.39, edges), own * 2.0, own))
    assert not same(lambda own, card, edges, ground: np.where(some(0.42, edges), own * 2.0, own))
    assert same(lambda own, card, edges, ground: np.where(ground, own * 1.13, own)), "0.12 and twice the noise"
    assert not same(lambda own, card, edges, ground: np.where(ground, own * 1.16, own))
    assert same(lambda own, card, edges, ground: np.where(card, own * 1.019, own))
    assert not same(lambda own, card, edges, ground: np.where(card, own * 1.022, own))
    assert not same(noise=15.0), "its pixels scatter more than a card's do"
    assert not same(lambda own, card, edges, ground: own[:10])


def test_without_an_outline_or_a_map_nothing_is_proven() -> None:
    flat = np.ones((20, 20))
    plain: Any = SimpleNamespace(read=[frame(flat), frame(flat)])
    assert not cards._same_card(plain, TARGET, 1, [0])
    none: Any = SimpleNamespace(read=[frame(None), frame(flat)])
    assert not cards._same_card(none, TARGET, 1, [0])
    lost: Any = SimpleNamespace(read=[frame(flat), frame(None)])
    assert not cards._same_card(lost, TARGET, 1, [0])


@pytest.mark.parametrize(
    ("sd", "mean", "even"),
    [
        (14.2, 1000.0, True), (14.3, 1000.0, False), (20.1, 2000.0 * 0.999, True), (28.6, 2000.0, False),
        (9.9, 490.0, True), (10.1, 490.0, False),
    ],
)  # fmt: skip
def test_pixels_scatter_with_light_or_with_its_square(sd: float, mean: float, even: bool) -> None:
    """Of a card with 10 counts at 1000: in variance twice 100 at 1000, 4 times that at 2000, and half at 500."""
    one: Any = SimpleNamespace(sd=(sd,) * 3, mean=(mean,) * 3)
    card: Any = SimpleNamespace(sd=(10.0,) * 3, mean=(1000.0,) * 3)
    assert cards._as_even(one, card) == even


def test_a_neutral_near_the_white_that_the_camera_is_set_to() -> None:
    def near(own: tuple[float, float], setting: Any) -> bool:
        tags = SimpleNamespace(as_shot_neutral=setting)
        frames: Any = SimpleNamespace(read=[SimpleNamespace(colour=tags), SimpleNamespace(colour=None), None])
        return cards._near_setting(frames, 0, np.array(own))

    assert near((0.5, 0.7), (0.5, 1.0, 0.7))
    assert near((0.5, 0.7), (1.0, 2.0, 1.4)), "whatever its green is"
    assert near((0.5 * 1.22, 0.7), (0.5, 1.0, 0.7))
    assert not near((0.5 * 1.23, 0.7), (0.5, 1.0, 0.7))
    assert not near((0.5, 0.7 / 1.23), (0.5, 1.0, 0.7))
    assert near((9.0, 9.0), None)
    frames: Any = SimpleNamespace(read=[None, SimpleNamespace(colour=None)])
    assert cards._near_setting(frames, 0, np.ones(2))
    assert cards._near_setting(frames, 1, np.ones(2))


# --- a run from rest --------------------------------------------------------------------------------------------------


def run_of(mired: np.ndarray, **more: Any) -> pd.DataFrame:
    usual: dict[str, Any] = {
        "body": "X", "head": "A", "power": "1/1", "kind": "flash", "note": RUN_NOTE, "status": "ok", "flags": "",
        "shot": np.arange(len(mired)), "mired": mired,
    }  # fmt: skip
    return pd.DataFrame(usual | more)


def test_a_run_settles_after_so_many_frames_by_its_closed_form() -> None:
    """6 mired that fade by e in 4.7 frames: a quarter of 4 mired is left after 4.7 ln 6 = 8.4 frames."""
    frames, tau = np.arange(20.0), float(np.geomspace(0.7, 1.5 * 19.0, 40)[20])  # one of those that are tried
    course = 180.0 + 6.0 * (1.0 - np.exp(-frames / tau)) + 0.01 * (-1.0) ** frames
    (found,) = settling(run_of(course), 4.0)
    assert (found.head, found.power, found.frames, found.after) == ("A", "1/1", 20, 9)
    assert found.mired == pytest.approx(6.0, abs=0.05)
    assert settling(run_of(course), 12.0)[0].after == 4, "4.7 ln 2 = 3.3"
    (held,) = settling(run_of(course), 25.0)
    assert (held.after, held.mired) == (0, pytest.approx(6.0 * (1.0 - np.exp(-19.0 / tau)), abs=0.05))
    lost = run_of(course, status=["ok", "rejected", *["ok"] * 18])
    assert settling(lost, 4.0)[0].after == 9, "a lost frame has its place"
    turned = run_of(course)[::-1].reset_index(drop=True)
    assert settling(turned, 4.0) == settling(run_of(course), 4.0)


def test_runs_that_tell_nothing() -> None:
    steady = 180.0 + 0.1 * (-1.0) ** np.arange(20)
    assert settling(run_of(steady), 0.1)[0].after == 0
    rise = 180.0 + 6.0 * (1.0 - np.exp(-np.arange(20.0) / 5.0)) + 0.01 * (-1.0) ** np.arange(20)
    assert settling(run_of(rise[:7]), 4.0) == ()
    assert len(settling(run_of(rise[:8]), 4.0)) == 1
    for change in (
        {"flags": "outlier;settings_changed"},
        {"status": "rejected"},
        {"mired": NAN},
        {"kind": "job"},
        {"note": ""},
    ):
        assert settling(run_of(rise).assign(**change), 4.0) == ()
    two = pd.concat([run_of(rise), run_of(rise, head="B")], ignore_index=True)
    assert [one.head for one in settling(two, 4.0)] == ["A", "B"]
    assert isinstance(settling(two, 4.0)[0], Settles)
    assert runs.run_rows(run_of(rise[:2], kind=["flash", "job"], note=[f"x {RUN_NOTE} y", RUN_NOTE])).tolist() == [
        True,
        False,
    ]


# --- a lamp that nobody saw -------------------------------------------------------------------------------------------

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def unproven(
    seen: list[tuple[bool, bool]], matrix: np.ndarray | None = MATRIX, times: list[float] | None = None
) -> list[Any]:
    """Three lights of A at 8000, 2000 and 500 counts of green; a lamp is a thousandth of the brightest."""
    white = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.0))
    level = np.array([8000.0, 2000.0, 500.0])
    signals: Any = SimpleNamespace(signal=level[:, None] * white / white[1], seen=np.array(seen))
    log = pd.DataFrame({"body": "X", "head": "A", "power": ["1/1", "1/4", "1/16"], "exposure_s": times or [0.008] * 3,
                        "f_number": 11.0, "iso": 100.0})  # fmt: skip
    sees = None if matrix is None else matrix
    body: Any = SimpleNamespace(label="X", matrix=matrix, target_factor=np.ones(3), sees=sees)
    return colour.unproven_room(log, np.ones(3, dtype=bool), {"X": body}, signals)


def test_what_a_lamp_does_to_the_darkest_light_that_was_not_watched() -> None:
    """8 counts of a tungsten lamp on 500: log2(1.016) stop."""
    (found,) = unproven([(True, True), (False, True), (True, False)])
    assert (found.body, found.before, found.after, found.head, found.power) == ("X", True, True, "A", "1/16")
    assert found.stops == pytest.approx(np.log2(1.0 + 8.0 / 500.0))
    flash, lamp = (chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(one, 0.0)) for one in (5600.0, 2900.0))
    raw_flash, raw_lamp = MATRIX @ flash, MATRIX @ lamp
    both = np.linalg.solve(MATRIX, raw_flash / raw_flash[1] * 500.0 + raw_lamp / raw_lamp[1] * 8.0)
    kelvin = chromaticity.cct_duv(chromaticity.xyz_to_xy(both))[0]
    assert found.mired == pytest.approx(1e6 / float(kelvin) - 1e6 / 5600.0, abs=0.01)
    assert found.mired > 1.0
    (first,) = unproven([(False, True), (True, True), (True, True)])
    assert (first.power, first.before, first.after) == ("1/1", True, False)
    assert unproven([(True, True)] * 3) == []
    (blind,) = unproven([(False, True)] * 3, matrix=None)
    assert np.isnan(blind.mired)
    (longer,) = unproven([(True, True), (True, True), (False, True)], times=[0.008, 0.008, 0.016])
    assert longer.stops == pytest.approx(np.log2(1.0 + 16.0 / 500.0)), "twice the time: twice the lamp"


def doubts(change: float, share: float, known: bool = True, green: float = 1000.0) -> tuple[bool, bool]:
    white = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.0))
    signals: Any = SimpleNamespace(
        signal=np.array([green * white / white[1]]), share=np.array([share]), black_known=np.array([known]),
        change=np.array([change * white / white[1]]),
    )  # fmt: skip
    body: Any = SimpleNamespace(label="X", sees=MATRIX)
    found = colour.light_doubts(["X"], np.ones(1, dtype=bool), {"X": body}, signals)
    return bool(found[Flag.BLACK_DOUBTFUL][0]), bool(found[Flag.AMBIENT_CHANGED][0])


def test_room_light_that_may_have_changed_matters_from_half_a_hundredth_of_the_light_on() -> None:
    """Half a chance either way: half of the change."""
    assert doubts(10.2, 0.5) == (False, True)
    assert doubts(9.8, 0.5) == (False, False)
    assert doubts(40.0, 0.999) == (False, False), "hardly in doubt"
    assert doubts(1000.0, NAN) == (False, False)
    assert doubts(0.0, 0.5, known=False, green=8000.0) == (False, False)
    assert doubts(0.0, 0.5, known=False, green=100.0) == (True, False), "one count moves it by more than 3 K"
    assert doubts(0.0, 0.5, green=100.0) == (False, False)
