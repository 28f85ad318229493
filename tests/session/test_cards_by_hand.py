"""Whether a frame shows the card, by its limits."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import GreystepError
from greystep.measure.target import Target
from greystep.session import cards
from greystep.session.settings import load_settings

NAN = np.nan


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


TARGET: Any = Target(box=(0.3, 0.3, 0.7, 0.7), patch=(0.4, 0.4, 0.6, 0.6), found=True)


def test_zones_of_the_map_about_the_card() -> None:
    """A card of 0.4 by 0.5, beside which the ground begins 0.032 and 0.04 away."""
    target: Any = Target(box=(0.2, 0.3, 0.6, 0.8), patch=(0.25, 0.4, 0.5, 0.7), found=True)
    card, edges, ground = cards._zones(target, (16, 20))
    x0, y0, x1, y1 = cards.surround_box(target)
    for row in range(16):
        for column in range(20):
            x, y = x0 + (column + 0.5) / 20 * (x1 - x0), y0 + (row + 0.5) / 16 * (y1 - y0)
            on = 0.25 < x < 0.5 and 0.4 < y < 0.7
            near = 0.168 < x < 0.632 and 0.26 < y < 0.84
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
    assert same(lambda own, card, edges, ground: np.where(ground, own * 1.1425, own)), "0.12 and twice the noise"
    assert not same(lambda own, card, edges, ground: np.where(ground, own * 1.1455, own))
    assert same(lambda own, card, edges, ground: np.where(card, own * 1.019, own))
    assert not same(lambda own, card, edges, ground: np.where(card, own * 1.022, own))
    for dark in (0.0, -0.1):  # by room light taken off: a change as any
        assert same(lambda own, card, edges, ground, dark=dark: np.where(some(0.1, ground), dark, own))
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


def test_of_rows_that_the_log_declares_those_that_can_be_used_show_the_card(tmp_path: Path) -> None:
    kind = np.array(["flash", "check", "card", "job", "flash"])
    frames: Any = SimpleNamespace(of_kind=lambda *kinds: np.isin(kind, kinds))
    nothing = {"r_g": np.full(5, np.nan), "b_g": np.full(5, np.nan)}
    usable = np.array([True, True, True, True, False])
    found = cards.shows_card(load_settings(tmp_path), frames, pd.DataFrame({"level": np.zeros(5)}), nothing, usable, {})
    assert found.tolist() == [True, True, True, False, False]


def test_a_job_frame_is_held_against_the_cards_of_its_lights_in_colour_and_brightness(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two cards under A at full and a dark one under B, and job frames that differ in one respect each."""
    monkeypatch.setattr(cards, "_same_card", lambda frames, target, row, witnesses: held.append(witnesses) is None)
    monkeypatch.setattr(cards, "_near_setting", lambda *_: True)
    held: list[list[int]] = []
    jobs: list[tuple[str, float, float, float]] = [
        ("A", 1.0, 1.0, 0.0), ("A", 1.028, 1.028, 0.0), ("A", 1.012, 1.012, 0.0), ("A", 1.02, 0.98, 0.0),
        ("A", 1.01, 0.99, 0.0), ("A", 1.0, 1.0, 0.3), ("C", 1.0, 1.0, 9.0), ("B", 1.0, 1.0, 0.0), ("", 1.0, 1.0, 9.0),
    ]  # fmt: skip
    shots = [("A", 1.0, 1.0, 0.0), ("A", 1.0, 1.0, 0.0), ("B", 1.0, 1.0, 0.0), *jobs]
    kind = np.array(["flash", "card", "flash", *["job"] * len(jobs)])
    dark = np.arange(len(shots)) == 2
    frames: Any = SimpleNamespace(
        of_kind=lambda *kinds: np.isin(kind, kinds),
        doubts={cards.Flag.TOO_DARK: dark, cards.Flag.UNEVEN: np.arange(len(shots)) == 4},
    )
    heads, red, blue, level = zip(*shots, strict=True)
    compared = pd.DataFrame({"body": "X", "head": heads, "stops": 0.0, "lights": "", "level": level})
    ratios = {"r_g": 0.5 * np.array(red), "b_g": 0.6 * np.array(blue)}
    every = np.ones(len(shots), dtype=bool)

    def shown(**more: Any) -> list[bool]:
        held.clear()
        found = cards.shows_card(load_settings(tmp_path), frames, compared.assign(**more), ratios, every, {"X": TARGET})
        assert found[:3].all()
        return [bool(one) for one in found[3:]]

    assert shown() == [True, False, True, False, True, False, True, True, True]
    assert held == [[0, 1]] * 6, "cards of its own lights, else all; the dark one only where no other is"
    grey = ratios["r_g"][1]
    ratios["r_g"][1] = NAN
    shown()
    assert held == [[0]] * 6, "a card whose colour is not known is no witness; the others are"
    ratios["r_g"][1] = grey
    white = ratios["b_g"][3]
    for lost in (-0.1, 0.0):  # room light taken off leaves less than nothing
        ratios["b_g"][3] = lost
        assert not shown()[0]
    ratios["b_g"][3] = white
    dark[:] = True
    dark[3:] = False
    shown()
    assert held[-2:] == [[2], [0, 1, 2]]
    assert shown(body=["Y"] * 3 + ["X"] * len(jobs)) == [True, False, *[True] * 7], "without a card: by the setting"
    assert held == []
    missing: Any = None
    found = cards.shows_card(load_settings(tmp_path), frames, compared, ratios, every, {"X": missing})
    assert not found[3:].any()


def test_the_lights_that_a_row_names(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)

    def named(lights: str, head: str = "", stops: float = NAN) -> dict[str, float]:
        found = cards.named_lights(lights, head, stops, settings)
        return {name: -1.0 if np.isnan(at) else at for name, at in found.items()}

    assert named("", "A", 1.0) == {"A": 1.0}
    assert named("") == {}
    assert named(" & ") == {}
    assert named("A@1/4 & B@1/16", "C", 1.0) == {"A": 2.0, "B": 4.0}
    assert named("A & B@full") == {"A": -1.0, "B": 0.0}
    assert named("A@1/4 & A@1/2") == {"A": -1.0}, "one head twice: at no one power"
    assert named("a@b@1/2") == {"a@b": 1.0}
    with pytest.raises(GreystepError):
        named("A@soft")
    assert cards._lights({"lights": "A@soft", "head": "A", "stops": 1.0}, settings) == {}
    assert cards._lights({"lights": None, "head": "A", "stops": 1.0}, settings) == {"A": 1.0}
