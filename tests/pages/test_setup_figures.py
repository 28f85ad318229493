"""The figures of a set-up: what a card shows, and bytes that are always the same."""

import xml.etree.ElementTree as Et

import numpy as np
import pytest

from greystep.measure import chromaticity
from greystep.mix.casts import LightCast, LightPair
from greystep.mix.lights import White
from greystep.pages import setup_figures as washes
from greystep.sentences import setups, shutter
from greystep.session.settings import DEFAULT_TOLERANCE

SVG = "{http://www.w3.org/2000/svg}"
WHITE = np.array([0.2061, 0.4762])
LIGHTS = WHITE + np.array([[0.0, 0.0], [0.0024, 0.0041], [-0.0008, 0.0010]])


def linear(card: np.ndarray) -> np.ndarray:
    code = card / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def test_the_light_that_the_balance_is_set_to_is_grey_and_the_other_has_its_cast() -> None:
    card = linear(washes.wash_card(LIGHTS[:2], WHITE, 1.0))
    high, wide, _ = card.shape
    own, other = card[high // 2, wide // 8], card[high // 2, -wide // 8]
    assert np.ptp(own) / own.mean() < 0.03  # 8 bits, and a little spill of the other
    assert other[0] > other[1] > other[2]  # warmer
    from_xyz, _ = chromaticity.working_space("lin_rec709")
    seen = chromaticity.xyz_to_upvp(np.linalg.inv(from_xyz) @ other)
    d65 = chromaticity.xyz_to_upvp(chromaticity.working_space("lin_rec709")[1])
    np.testing.assert_allclose(seen - d65, LIGHTS[1] - WHITE, atol=6e-4)


def test_a_magnified_card_shows_the_cast_as_many_times_larger() -> None:
    d65 = chromaticity.xyz_to_upvp(chromaticity.working_space("lin_rec709")[1])
    inverse = np.linalg.inv(chromaticity.working_space("lin_rec709")[0])
    casts = []
    for times in (1.0, 4.0):
        card = linear(washes.wash_card(LIGHTS[:2], WHITE, times))
        patch = card[70:80, -50:-30].mean(axis=(0, 1))
        casts.append(np.hypot(*(chromaticity.xyz_to_upvp(inverse @ patch) - d65)))
    assert casts[1] / casts[0] == pytest.approx(4.0, rel=0.1)


def test_magnification_is_one_for_all_states_and_keeps_the_worst_in_view() -> None:
    worst = float(chromaticity.steps(LIGHTS, WHITE).max())
    times = washes.magnification([(LIGHTS, WHITE), (LIGHTS / 1.0, LIGHTS.mean(axis=0))])
    assert times * worst <= 26.0
    assert times == 5
    assert washes.magnification([(np.tile(WHITE, (2, 1)), WHITE)]) == 20


def lights() -> list[LightCast]:
    nan = float("nan")
    steps = chromaticity.steps(LIGHTS, WHITE)
    return [
        LightCast(role, "A", "1/1", 0.3, "", nan, nan, nan, *map(float, upvp), nan, nan, nan, nan, float(cast), nan)
        for role, upvp, cast in zip(["key", LONG, "x"], LIGHTS, steps, strict=True)
    ]


LONG = "a very long name of a light"
BALANCE = White(5600.0, 0.0, 1e6 / 5600.0, *map(float, WHITE))
PAIRS = ((1.2, -3.0, 0.0, "x", "within"), (4.3, 1.0, 0.0031, LONG, "outside"))


def test_figures_are_always_the_same_bytes() -> None:
    roles = [light.role for light in lights()]
    for draw in (
        lambda: washes.draw_washes(roles, LIGHTS, WHITE, 5, "as it stands"),
        lambda: washes.draw_pairs(lights(), [pair(*one) for one in PAIRS], DEFAULT_TOLERANCE),
        lambda: washes.draw_whites(lights(), BALANCE, BALANCE),
    ):
        first = draw()
        assert first.startswith("<svg")
        assert first == draw()
        Et.fromstring(first)


def test_the_matrix_of_lights_says_the_verdict_and_by_what_it_is_the_worst() -> None:
    drawing = Et.fromstring(washes.draw_pairs(lights(), [pair(*one) for one in PAIRS], DEFAULT_TOLERANCE))
    cells = {one.get("data-pair"): one for one in drawing.iter(f"{SVG}g") if one.get("data-pair")}
    assert cells[f"{LONG}|key"].get("data-verdict") == "outside"
    assert [text.text for text in cells[f"{LONG}|key"].iter(f"{SVG}text")] == ["0.0031", "pinker"]  # turned: key to it
    assert cells["x|key"].get("data-verdict") == "within"
    assert "3.0" in [text.text for text in cells["x|key"].iter(f"{SVG}text")]
    assert "every other: of 2 pairs 1 in tolerance and 1 out of tolerance" in (drawing.get("aria-label") or "")


def test_names_stand_below_their_wash_and_the_cast_is_told_to_those_who_do_not_see_it() -> None:
    drawing = Et.fromstring(washes.draw_washes(["key", "fill", "back"], LIGHTS, WHITE, 5, "as it stands"))
    pictures = [float(one.get("y", 0)) + float(one.get("height", 0)) for one in drawing.iter(f"{SVG}image")]
    names = [one for one in drawing.iter(f"{SVG}text") if one.get("class") == "strong"]
    assert [one.text for one in names] == ["key", "fill", "back"] * 2
    assert all(float(one.get("y", 0)) > pictures[place // 3] for place, one in enumerate(names))
    assert "key 0.0" in (drawing.get("aria-label") or "")


def pair(steps: float, mired: float, duv: float, second: str = "fill", verdict: str = "outside") -> LightPair:
    return LightPair("key", second, mired, 0.3, -31 * mired, 9.0, duv, 1e-4, steps, 0.1, verdict)


@pytest.mark.parametrize(
    ("steps", "said"), [(0.5, "Nobody"), (2.0, "trained eye"), (4.0, "side by side"), (9.0, "Anyone will see")]
)
def test_what_is_seen_goes_by_how_far_two_whites_stand_apart(steps: float, said: str) -> None:
    assert said in setups.seen(pair(steps, 2.3 * steps, 0.0))


def test_which_way_the_second_light_leans_is_told() -> None:
    assert setups.seen(pair(4.0, 8.0, -0.002)).count("fill looks warmer and pinker") == 1
    assert "fill looks cooler." in setups.seen(pair(4.0, -9.0, 0.0))


def test_a_shutter_is_named_by_its_marking() -> None:
    assert shutter.shutter_time(1 / 128) == "1/125 s"
    assert shutter.shutter_time(1 / 64) == "1/60 s"
    assert shutter.shutter_time(1 / 2000) == "1/2000 s"
