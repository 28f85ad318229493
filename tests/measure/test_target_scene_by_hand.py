"""What frames share, its even areas and their order: on pictures and areas of a few numbers."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from greystep.measure import target
from greystep.measure.target import Area, common_scene, even_areas, find_again, ranked, target_at

Floats = NDArray[np.float64]
NEUTRAL = np.array([0.55, 1.0, 0.65])


Boxes = dict[tuple[int, int, int, int], float]


def picture(level: float, shape: tuple[int, int] = (40, 60), at: Boxes | None = None) -> Floats:
    """A picture of one level; boxes y0, y1, x0, x1 at others."""
    found = np.full(shape, level)
    for (y0, y1, x0, x1), other in (at or {}).items():
        found[y0:y1, x0:x1] = other
    return found[..., None] * NEUTRAL


# --- what frames share ------------------------------------------------------------------------------------------------


def test_a_scene_is_the_middle_of_its_lit_frames_each_over_its_own_light() -> None:
    card = {(10, 20, 10, 20): 0.4}
    frames = [picture(0.2 * 2.0**-k, at={box: level * 2.0**-k for box, level in card.items()}) for k in range(3)]
    scene, steady, over = common_scene([*frames, picture(0.001), picture(0.2)[:30]])
    assert scene is not None
    assert scene[15, 15] == pytest.approx(2.0 * NEUTRAL)
    assert scene[30, 30] == pytest.approx(NEUTRAL)
    assert steady.all()
    assert not over.any()
    assert common_scene([])[0] is None
    assert common_scene([picture(0.001)] * 3)[0] is None, "all dark"


def test_what_most_frames_do_not_show_is_not_steady() -> None:
    """A hand in one frame of four changes nothing; in two of four the place agrees in too few."""
    plain, hand = picture(0.2), picture(0.2, at={(10, 20, 10, 20): 0.05})
    assert common_scene([plain, plain, plain, hand])[1].all()
    steady = common_scene([plain, plain, hand, hand])[1]
    assert not steady[15, 15]
    assert steady[30, 30]
    a_little = picture(0.2, at={(10, 20, 10, 20): 0.2 * 0.8})
    assert common_scene([plain, plain, a_little, a_little])[1].all(), "a fifth is the light's own course"


def test_frames_that_are_mostly_over_the_range_or_far_darker_are_left_out_where_others_do() -> None:
    blown = picture(1.5, at={(0, 5, 0, 60): 0.3})
    card = {(10, 20, 10, 20): 0.5}
    scene, *_ = common_scene([blown, blown, picture(0.2, at=card)])
    assert scene is not None
    assert scene[15, 15] == pytest.approx(2.5 * NEUTRAL), "of the one that is not blown out"
    assert common_scene([blown, blown])[0] is not None, "of those where there is no other"
    other = picture(0.02, at={(10, 20, 10, 20): 0.005})
    scene, *_ = common_scene([picture(0.2, at=card)] * 3 + [other] * 4)
    assert scene is not None
    assert scene[15, 15] == pytest.approx(2.5 * NEUTRAL), "three stops and more below the brightest, of three"
    scene, *_ = common_scene([picture(0.2, at=card)] * 2 + [other] * 4)
    assert scene is not None
    assert scene[15, 15] == pytest.approx(0.25 * NEUTRAL)


def test_what_is_over_the_range_in_most_frames_is_told_and_is_not_steady() -> None:
    lamp = {(10, 20, 10, 20): 1.2}
    scene, steady, over = common_scene([picture(0.2, at=lamp)] * 2 + [picture(0.2)])
    assert scene is not None
    assert over[15, 15]
    assert not over[30, 30]
    assert not steady[15, 15]
    assert not common_scene([picture(0.2, at=lamp), picture(0.2)])[2].any()


def test_where_nothing_agrees_but_what_is_over_the_range_that_is_steady() -> None:
    """Two frames lit from either side, in both a lamp whose rim flickers: there is nothing but its middle to go by."""
    left, right = picture(0.01, at={(0, 40, 0, 30): 0.2}), picture(0.01, at={(0, 40, 30, 60): 0.2})
    for frame, rim in ((left, 1.0), (right, 40.0)):
        frame[10:22, 10:22], frame[12:20, 12:20] = rim, 1.2
    _, steady, over = common_scene([left, right])
    assert np.argwhere(over).min(axis=0).tolist() == [10, 10]
    assert (steady == (np.indices((40, 60)) <= 18).all(axis=0) & (np.indices((40, 60)) >= 13).all(axis=0)).all()


# --- even areas -------------------------------------------------------------------------------------------------------


def test_the_largest_upright_box_of_each_even_area() -> None:
    scene = picture(0.2, (80, 120), {(20, 50, 30, 70): 0.6})
    areas = even_areas(scene, np.ones((80, 120), dtype=bool), 0.03)
    (card,) = [area for area in areas if area.sides == 0]
    assert (card.y0, card.y1, card.x0, card.x1) == pytest.approx((20, 50, 30, 70), abs=2)
    assert card.colour == pytest.approx(0.6 * NEUTRAL)
    assert card.spread == pytest.approx(0.0, abs=1e-6)
    (ground,) = [area for area in areas if area.sides]
    assert ground.sides == 4
    tilted = scene * np.exp(0.1 * np.linspace(-0.5, 0.5, 120))[None, :, None]
    (slanted,) = [area for area in even_areas(tilted, np.ones((80, 120), dtype=bool), 0.03) if area.sides == 0]
    assert slanted.spread == pytest.approx(0.1 * 36 / 120, rel=0.15)


def test_colour_alone_makes_an_edge_and_dust_makes_none() -> None:
    every = np.ones((80, 120), dtype=bool)
    scene = picture(0.3, (80, 120))
    scene[20:50, 30:70] *= [1.3, 1.0, 1.0]
    assert any(area.sides == 0 for area in even_areas(scene, every, 0.03))
    blue = picture(0.3, (80, 120))
    blue[20:50, 30:70] *= [1.0, 1.0, 0.75]
    assert any(area.sides == 0 for area in even_areas(blue, every, 0.03))
    dusty = picture(0.3, (80, 120), {(40, 42, 60, 62): 0.1})
    assert [area.sides for area in even_areas(dusty, every, 0.03)] == [4]
    moving = every.copy()
    moving[20:50, 30:70] = False
    assert len(even_areas(picture(0.3, (80, 120)), moving, 0.03)) == 1


@pytest.mark.parametrize(("moving", "sides"), [(0, 4), (-1, 4), ([0, 1], 3), ([-2, -1], 3)])
def test_an_area_that_ends_a_pixel_from_the_rim_reaches_it(moving: list[int], sides: int) -> None:
    steady = np.ones((80, 120), dtype=bool)
    steady[moving] = False
    assert [area.sides for area in even_areas(picture(0.2, (80, 120)), steady, 0.03)] == [sides]
    assert [area.sides for area in even_areas(picture(0.2, (120, 80)), steady.T, 0.03)] == [sides]


def test_a_box_grows_to_all_sides_up_to_the_first_edge() -> None:
    edges = np.zeros((20, 30), dtype=bool)
    edges[3, 8:12], edges[15, 10], edges[:, 5], edges[9, 22] = True, True, True, True
    assert target._grown(edges, 9, 11, 10, 12) == (4, 15, 6, 22)
    assert target._grown(np.zeros((20, 30), dtype=bool), 9, 11, 10, 12) == (0, 20, 0, 30)


# --- their order ------------------------------------------------------------------------------------------------------


def area(y0: int, y1: int, x0: int, x1: int, level: float = 0.5, sides: int = 0, **more: object) -> Area:
    usual = {"colour": level * NEUTRAL, "spread": 0.0}
    return Area(y0, y1, x0, x1, sides, **usual | more)  # type: ignore[arg-type]


def order(*areas: Area) -> list[tuple[int, float]]:
    return [(tier, score) for tier, score, _ in ranked(list(areas))]


def test_the_score_of_an_area_is_its_size_less_for_colour_and_unevenness() -> None:
    card = area(20, 50, 30, 70)
    assert order(card) == [(0, pytest.approx(1200.0))]
    assert ranked([]) == []
    uneven = replace(card, spread=0.25)
    assert order(uneven) == [(0, pytest.approx(1200.0 / np.e))]
    tinted = area(60, 70, 30, 40, colour=0.5 * NEUTRAL * [np.exp(0.25), 1.0, 1.0])
    assert order(card, tinted)[1] == (0, pytest.approx(100.0 * np.exp(-0.5)))
    assert len(order(card, area(60, 70, 30, 40, level=0.039))) == 1, "dark against the brightest"
    assert len(order(card, area(60, 70, 30, 40, level=0.041))) == 2


def test_what_leaves_the_frame_comes_after_what_does_not_and_a_background_last() -> None:
    assert [tier for tier, _ in order(*(area(20, 50, 30, 70, sides=sides) for sides in range(5)))] == [0, 1, 1, 3, 3]
    assert order(area(20, 50, 30, 70, sides=1))[0][1] == pytest.approx(600.0), "the brighter, the likelier"


def test_eight_like_areas_near_each_other_are_a_chart() -> None:
    def tiers(count: int, gap: int = 12, size: int = 10) -> set[int]:
        places = [(gap * (at % 2), gap * (at // 2)) for at in range(count)]
        return {tier for tier, _ in order(*(area(y, y + size, x, x + size) for y, x in places))}

    assert tiers(7) == {0}
    assert tiers(8) == {2}
    assert tiers(8, gap=16) == {2}
    assert tiers(8, gap=17) == {0, 2}, "from end to end just too far"
    assert tiers(8, gap=60) == {0}, "too far from each other"
    sizes = [area(20, 30 + 15 * at, 20 * at, 20 * at + 10 + 15 * at) for at in range(8)]
    assert {tier for tier, _ in order(*sizes)} == {0}, "of all sizes"


def test_the_white_of_a_scene_is_what_most_of_it_shares_and_a_camera_can_answer() -> None:
    """A large blue wall and a small grey card: the card is the white, though most of the area is blue."""
    wall = area(0, 60, 0, 60, colour=np.array([0.1, 0.5, 0.9]))
    card = area(20, 30, 70, 80)
    scores = dict(zip(("wall", "card"), order(wall, card), strict=True))
    assert scores["card"][1] == pytest.approx(100.0)
    assert scores["wall"][1] < 1.0


@pytest.mark.parametrize(("times", "large"), [(3.1, True), (2.6, False)])
def test_a_colour_that_cameras_seldom_answer_is_the_white_where_more_of_the_scene_has_it(
    times: float, large: bool
) -> None:
    """It lies 0.4 off in both ratios, so that it counts exp(-1) times the root of its size, here 3.1 or 2.6 times."""
    wall = area(0, 100, 0, round(9 * times**2), colour=0.5 * NEUTRAL * np.exp([0.4, 0.0, -0.4]))
    card = area(200, 210, 0, 90)
    (_, of_wall), (_, of_card) = order(wall, card)
    off = np.exp(-0.5 * 0.32 / 0.25**2)
    assert of_wall == pytest.approx((wall.x1 * 100.0) * (1.0 if large else off))
    assert of_card == pytest.approx(900.0 * (off if large else 1.0))


def plain_order(areas: list[Area]) -> list[tuple[int, float]]:
    """Tiers and scores in loops: the white is the colour that most of the scene is near, and that a camera answers."""
    size = [float((one.y1 - one.y0) * (one.x1 - one.x0)) for one in areas]
    ratio = [np.log([one.colour[0] / one.colour[1], one.colour[2] / one.colour[1]]) for one in areas]
    middle = [np.array([one.y0 + one.y1, one.x0 + one.x1]) / 2.0 for one in areas]

    def near(one: Floats, other: Floats, sd: float) -> float:
        return float(np.exp(-np.sum((one - other) ** 2) / (2.0 * sd**2)))

    alike = [sum(near(one, other, 0.15) * np.sqrt(px) for other, px in zip(ratio, size, strict=True)) for one in ratio]
    share = [near(one, np.log([0.55, 0.65]), 0.4) * like for one, like in zip(ratio, alike, strict=True)]
    white, brightest = ratio[int(np.argmax(share))], max(one.colour[1] for one in areas)
    found = []
    for at, one in enumerate(areas):
        if one.colour[1] < 0.08 * brightest:
            continue
        like = [other for other, px in enumerate(size) if areas[other].sides == 0 and 0.5 < px / size[at] < 2.0
                and np.abs(middle[other] - middle[at]).max() < 5.0 * np.sqrt(size[at])]  # fmt: skip
        tier = 3 if one.sides > 2 else 1 if one.sides else 2 if len(like) >= 8 else 0
        score = size[at] * near(ratio[at], white, 0.25) * np.exp(-((one.spread / 0.25) ** 2))
        found.append((tier, float(score * (one.colour[1] if one.sides else 1.0))))
    return found


@pytest.mark.parametrize("count", [3, 6, 14])
def test_areas_are_ranked_as_a_plain_calculation_ranks_them(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(40):
        areas = []
        for _ in range(count):
            y0, x0 = rng.integers(0, 60, 2)
            high, wide = rng.integers(5, 25, 2)
            light = rng.uniform(0.02, 0.9) * NEUTRAL * np.exp(rng.normal(0.0, 0.25, 3))
            sides = int(rng.choice([0, 0, 0, 1, 2, 3]))
            areas.append(Area(y0, y0 + high, x0, x0 + wide, sides, light, float(rng.uniform(0.0, 0.3))))
        for (tier, score), (wanted_tier, wanted) in zip(order(*areas), plain_order(areas), strict=True):
            assert tier == wanted_tier
            assert score == pytest.approx(wanted)


# --- found again ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("box", "found"),
    [
        ((15, 45, 70, 110), True),
        ((15, 40, 70, 110), False),
        ((15, 45, 70, 116), True),
        ((0, 30, 70, 110), False),
        ((15, 45, 70, 107), True),
        ((15, 45, 70, 105), False),
    ],
)
def test_a_target_that_moved_is_found_by_its_size_where_it_is_whole(
    box: tuple[int, int, int, int], found: bool
) -> None:
    there = find_again(picture(0.2, (80, 120), {box: 0.6}), target_at(20, 50, 30, 70, 80, 120))
    assert (there is not None) == found
    if there is not None:
        y0, y1, x0, x1 = box
        assert there.box == pytest.approx((x0 / 120, y0 / 80, x1 / 120, y1 / 80), abs=0.03)
    assert find_again(picture(0.001, (80, 120)), target_at(20, 50, 30, 70, 80, 120)) is None


@pytest.mark.parametrize(("edge", "seen"), [(0.066, True), (0.058, False)])
def test_an_edge_stands_out_five_times_from_how_most_of_the_scene_differs(edge: float, seen: bool) -> None:
    """A ramp of 0.004 over two pixels, the calm third of sd 0.0104: 0.052, and the ramp against the right edge."""
    level = np.zeros((80, 120)) + 0.002 * np.arange(120)
    level[20:50, 30:70] += edge / special.erf(1.0 / (0.8 * np.sqrt(2.0)))  # of an edge that is smoothed by 0.8 px
    scene = (np.exp(level)[..., None] * np.ones(3)) - 0.03  # so much is added before the logarithm
    found = [area for area in even_areas(scene, np.ones((80, 120), dtype=bool), 0.01) if area.sides == 0]
    assert bool(found) == seen


@pytest.mark.parametrize("side", range(4))
def test_an_area_leaves_the_frame_where_nothing_is_seen_beside_it(side: int) -> None:
    """At the edge of the frame, and one pixel away from it: top, bottom, left, right."""
    for away, sides in ((0, 1), (1, 0)):
        box = [(away, 40, 30, 70), (40, 80 - away, 30, 70), (20, 50, away, 40), (20, 50, 80, 120 - away)][side]
        found = even_areas(picture(0.2, (80, 120), {box: 0.6}), np.ones((80, 120), dtype=bool), 0.03)
        (card,) = [area for area in found if area.colour[1] == pytest.approx(0.6)]
        assert card.sides == sides


@pytest.mark.parametrize(("side", "found"), [(7, False), (8, True)])
def test_a_card_of_eight_pixels_a_side_is_an_area(side: int, found: bool) -> None:
    """Its outline takes two pixels of it a side; the four left within are the least that an area may have."""
    scene = picture(0.2, (80, 120), {(20, 20 + side, 30, 30 + side): 0.6})
    areas = [area for area in even_areas(scene, np.ones((80, 120), dtype=bool), 0.03) if area.sides == 0]
    assert [(one.y0, one.y1, one.x0, one.x1) for one in areas] == [(21, 27, 31, 37)] * found
