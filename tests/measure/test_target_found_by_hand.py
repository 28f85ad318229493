"""Which of several areas is the target, and when a card over the range is: from tiers and scores written down."""

from typing import Any

import numpy as np
import pytest

from greystep.measure import target
from greystep.measure.target import Area, Target, find_target, target_at

Box = tuple[int, int, int, int]  # y0, y1, x0, x1
#: Areas by name; the last is no grey.
BOXES: dict[str, Box] = {"A": (10, 30, 10, 40), "B": (50, 70, 10, 40), "C": (10, 30, 60, 90), "red": (50, 70, 60, 90)}


def area(name: str) -> Area:
    colour = np.array([0.9, 0.3, 0.1]) if name == "red" else np.array([0.27, 0.5, 0.33])
    return Area(*BOXES[name], 0, colour, 0.0)


def find(
    monkeypatch: pytest.MonkeyPatch,
    plain: list[tuple[int, float, str]],
    faint: list[tuple[int, float, str]] | None = None,
    card: Box | None = None,
    over: bool = True,
    has_card: bool = True,
) -> str:
    """The name of the target among areas (tier, score, name) at the plain and at the faint contrast; or the card."""
    scene, flags = np.full((100, 100, 3), 0.2), np.zeros((100, 100), dtype=bool)
    flags[0, 0] = over
    by_contrast = dict(zip(target.EDGE_CONTRASTS, (plain, faint), strict=True))
    monkeypatch.setattr(target, "common_scene", lambda overviews: (scene, ~flags, flags))
    monkeypatch.setattr(target, "even_areas", lambda seen, steady, contrast: contrast)

    def ranked(contrast: float) -> list[tuple[int, float, Area]]:
        listed = by_contrast[contrast]
        assert listed is not None, "the faint edges are not asked for"
        return [(tier, score, area(name)) for tier, score, name in listed]

    monkeypatch.setattr(target, "ranked", ranked)
    monkeypatch.setattr(target, "_card_over_range", lambda seen, there: card if there is flags else None)
    names: dict[Target | None, str] = {target_at(*box, 100, 100): name for name, box in BOXES.items()}
    names |= {None: "none"} | ({target_at(*card, 100, 100): "card"} if card else {})
    overviews: Any = ["frames"]
    return names[find_target(overviews, has_card)]


def test_the_likeliest_tier_then_a_score_half_as_high_again(monkeypatch: pytest.MonkeyPatch) -> None:
    assert find(monkeypatch, [(0, 100.0, "A")]) == "A"
    assert find(monkeypatch, [(1, 900.0, "A"), (0, 10.0, "B")]) == "B"
    assert find(monkeypatch, [(0, 10.0, "A"), (1, 900.0, "B")]) == "A"
    assert find(monkeypatch, [(0, 100.0, "A"), (0, 149.0, "B")]) == "A"
    assert find(monkeypatch, [(0, 100.0, "A"), (0, 151.0, "B")]) == "B"
    assert find(monkeypatch, [(0, 151.0, "A"), (0, 100.0, "B")]) == "A"


def test_faint_edges_are_asked_for_where_plain_ones_show_no_whole_area(monkeypatch: pytest.MonkeyPatch) -> None:
    assert find(monkeypatch, [], []) == "none"
    assert find(monkeypatch, [], [(2, 5.0, "B")]) == "B"
    assert find(monkeypatch, [(1, 100.0, "A")], [(0, 1.0, "B")]) == "B"
    assert find(monkeypatch, [(1, 100.0, "A")], [(1, 149.0, "B"), (2, 999.0, "C")]) == "A"
    assert find(monkeypatch, [(1, 100.0, "A")], [(1, 151.0, "B")]) == "B"


CARD = (2, 22, 70, 90)  # 400 px


def test_a_card_over_the_range_is_the_target_where_no_grey_stands_out(monkeypatch: pytest.MonkeyPatch) -> None:
    assert find(monkeypatch, [], [], CARD) == "card"
    assert find(monkeypatch, [], [], CARD, has_card=False) == "none"
    assert find(monkeypatch, [], [], CARD, over=False) == "none"
    assert find(monkeypatch, [(3, 900.0, "A")], [], CARD) == "card", "a background"
    assert find(monkeypatch, [(0, 11.0, "A")], None, CARD) == "A", "a thousandth of 10,000 pixels"
    assert find(monkeypatch, [(0, 9.0, "A")], None, CARD) == "card"
    assert find(monkeypatch, [(0, 9.0, "A")], None, None) == "A"
    for tier in (1, 2):
        assert find(monkeypatch, [(tier, 201.0, "A")], [], CARD) == "A", "more than half of its size"
        assert find(monkeypatch, [(tier, 200.0, "A")], [], CARD) == "A"
        assert find(monkeypatch, [(tier, 199.0, "A")], [], CARD) == "card"
    assert find(monkeypatch, [(0, 199.0, "red")], None, CARD) == "card", "no grey"
    assert find(monkeypatch, [(0, 201.0, "red")], None, CARD) == "red"


def test_without_a_scene_there_is_no_target(monkeypatch: pytest.MonkeyPatch) -> None:
    assert find_target([]) is None
    assert find_target([np.zeros((20, 30, 3))]) is None


@pytest.mark.parametrize("box", [(30, 35, 40, 45), (20, 29, 30, 41), (10, 26, 90, 99)])
def test_a_card_over_the_range_is_found_to_the_pixel_but_for_its_corners(box: Box) -> None:
    """The median of three by three pixels takes them off: what is whole between them is the box, one pixel less."""
    over = np.zeros((80, 120), dtype=bool)
    y0, y1, x0, x1 = box
    over[y0:y1, x0:x1] = True
    found = target._card_over_range(np.where(over, 1.0, 0.3)[..., None] * np.ones(3), over)
    assert found is not None
    whole = (y0 + 1, y1 - 1, x0, x1), (y0, y1, x0 + 1, x1 - 1)
    assert found in whole


def again(
    monkeypatch: pytest.MonkeyPatch, *seen: tuple[float, Box, int], faint: tuple[float, Box, int] | None = None
) -> Box | None:
    """Where a target of 20 by 30 px is found again among areas with their scores, boxes and sides at the rim."""
    scene, steady, asked = np.full((100, 100, 3), 0.2), np.ones((100, 100), dtype=bool), ["the frame"]
    monkeypatch.setattr(
        target, "common_scene", lambda given: (scene, steady, ~steady) if given == [asked] else (None,) * 3
    )
    monkeypatch.setattr(target, "even_areas", lambda *given: given)
    by_contrast = dict(zip(target.EDGE_CONTRASTS, (list(seen), [faint] if faint else []), strict=True))

    def ranked(given: Any) -> list[tuple[int, float, Area]]:
        assert (given[0] is scene, given[1] is steady) == (True, True)
        grey = np.array([0.27, 0.5, 0.33])
        return [(0, score, Area(*box, sides, grey, 0.0)) for score, box, sides in by_contrast[given[2]]]

    monkeypatch.setattr(target, "ranked", ranked)
    overview: Any = asked
    found = target.find_again(overview, target_at(10, 30, 10, 40, 100, 100))
    if found is None:
        return None
    x0, y0, x1, y1 = (round(100 * edge) for edge in found.box)
    return y0, y1, x0, x1


def test_a_target_is_found_again_by_its_size_whole_and_the_likeliest(monkeypatch: pytest.MonkeyPatch) -> None:
    same, other, faint = (50, 70, 50, 80), (20, 40, 60, 90), (60, 80, 5, 35)
    assert again(monkeypatch) is None
    assert again(monkeypatch, (500.0, same, 0)) == same
    assert again(monkeypatch, (500.0, same, 1)) is None, "it leaves the frame"
    assert again(monkeypatch, (301.0, same, 0)) == same
    assert again(monkeypatch, (299.0, same, 0)) is None, "half of its 600 px"
    assert again(monkeypatch, (500.0, same, 0), (550.0, other, 0)) == other
    assert again(monkeypatch, (550.0, same, 0), (500.0, other, 0)) == same
    assert again(monkeypatch, (500.0, same, 0), faint=(550.0, faint, 0)) == faint
    assert again(monkeypatch, faint=(550.0, faint, 0)) == faint
    for high, wide, alike in ((23, 30, True), (24, 30, False), (17, 30, True), (16, 30, False),
                              (20, 34, True), (20, 35, False), (20, 26, True), (20, 25, False)):  # fmt: skip
        box = (50, 50 + high, 50, 50 + wide)
        assert (again(monkeypatch, (900.0, box, 0)) is not None) == alike, "by 15 % in each direction"
