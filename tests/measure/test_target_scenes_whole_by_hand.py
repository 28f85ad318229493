"""What is made of pictures before anything is sought in them: scenes, edges and maps against plain calculations."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.measure import chart, target, target_moved
from greystep.measure.target import common_scene, even_areas

Floats = NDArray[np.float64]
Booleans = NDArray[np.bool_]


# --- the scene that frames share --------------------------------------------------------------------------------------


def plain_scene(frames: list[Floats]) -> tuple[Floats | None, Booleans, Booleans]:
    """Lit are frames whose brightest tenth of green is above 0.2 % and a 64th of the brightest frame's.

    Of those, the ones with less than a fifth over the range; and of three and more within three stops of the brightest,
    these alone.
    """
    none = np.zeros((0, 0), dtype=bool)
    level = [float(np.percentile(frame[..., 1], 90)) for frame in frames]
    top = max(level)
    lit = [at for at in range(len(frames)) if level[at] > 0.002 and level[at] > top / 64]
    whole = [at for at in lit if np.mean(np.any(frames[at] >= 0.98, axis=2)) < 0.2]
    chosen = whole if whole else lit
    bright = [at for at in chosen if level[at] > top / 8]
    chosen = bright if len(bright) >= 3 else chosen
    if not chosen:
        return None, none, none
    stack = [frames[at] / level[at] for at in chosen]
    scene = np.median(stack, axis=0)
    kernel = np.full((3, 3), 1.0 / 9.0)
    smooth = np.array([ndimage.correlate(one[..., 1], kernel, mode="reflect") for one in stack]) + 0.02
    off = np.abs(smooth / np.median(smooth, axis=0) - 1.0)
    agree = np.count_nonzero(off < 0.25, axis=0) >= 0.7 * len(chosen)
    over = np.count_nonzero([np.any(frames[at] >= 0.98, axis=2) for at in chosen], axis=0) > 0.5 * len(chosen)
    steady = agree & ~over
    return scene, steady if steady.any() else agree, over


def shots(rng: np.random.Generator) -> list[Floats]:
    """Frames of one scene over eight stops; hands before it, lamps in it, and some over the range."""
    scene = np.exp(0.4 * ndimage.gaussian_filter(rng.standard_normal((24, 30)), 2.0) * 4.0)[..., None]
    scene = scene * np.array([0.55, 1.0, 0.65])
    scene[2:6, 3:9] *= rng.choice([1.0, 6.0])
    frames = []
    for _ in range(rng.integers(1, 9)):
        frame = scene * 0.9 * 2.0 ** -rng.uniform(-2.0, 9.0) * np.exp(0.08 * rng.standard_normal(scene.shape))
        y, x = rng.integers(0, 20, 2)
        frame[y : y + 8, x : x + 8] *= rng.choice([1.0, 1.0, 0.5, 0.8])
        frames.append(frame)
    return frames


@pytest.mark.parametrize("seed", range(2))
def test_a_scene_is_what_a_plain_calculation_makes_of_its_frames(seed: int) -> None:
    rng = np.random.default_rng(seed)
    told = 0
    for _ in range(12):
        frames = shots(rng)
        scene, steady, over = common_scene(frames)
        wanted, wanted_steady, wanted_over = plain_scene(frames)
        assert (scene is None) == (wanted is None)
        assert (steady == wanted_steady).all()
        assert (over == wanted_over).all()
        if scene is not None:
            assert scene == pytest.approx(wanted)
            told += 1
    assert told > 6


def test_of_many_frames_some_over_the_whole_series_are_looked_at() -> None:
    """Twenty-four of a hundred: the first, the last, and each fourth or fifth between."""
    frames = [np.full((6, 8, 3), 0.2) * (1.0 + at * 1e-4) for at in range(100)]
    for at, frame in enumerate(frames):
        frame[3, 4] = at
    scene, *_ = common_scene(frames)
    assert scene is not None
    chosen = np.linspace(0, 99, 24).astype(int)
    assert scene[3, 4, 1] == pytest.approx(
        np.median([frames[at][3, 4, 1] / (0.2 * (1.0 + at * 1e-4)) for at in chosen])
    )


# --- edges ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("contrast", [0.03, 0.3])
@pytest.mark.parametrize("seed", [1, 2])
def test_edges_are_where_light_or_colour_step_by_more_than_is_usual(
    monkeypatch: pytest.MonkeyPatch, seed: int, contrast: float
) -> None:
    """Over two pixels of a picture cleaned by a median and a little smoothing; without dust of five pixels."""
    rng = np.random.default_rng(seed)
    scene = np.exp(0.01 * rng.standard_normal((60, 80, 3))) * np.array([0.5, 1.0, 0.6]) * 0.3
    scene[10:30, 12:40] *= [1.3, 1.3, 1.3]
    scene[35:55, 30:60] *= [1.0, 1.0, 1.4]
    scene[40:58, 64:76] *= [0.8, 1.0, 1.0]
    scene[4:7, 60:63] *= 0.2
    scene[20:22, 60:62] = -0.01
    steady = rng.random((60, 80)) > 0.002
    steady[50:60, 0:8] = False
    edges = ~steady
    light = np.log(np.where(scene > 0.0, scene, 0.0) + 0.03)
    for layer in (light[..., 1], light[..., 0] - light[..., 1], light[..., 2] - light[..., 1]):
        calm = ndimage.median_filter(np.pad(layer, 1, mode="edge"), size=3)[1:-1, 1:-1]
        calm = ndimage.gaussian_filter(np.pad(calm, 20, mode="edge"), 0.8)[20:-20, 20:-20]
        wide = np.pad(calm, 1, mode="edge")
        for step in (np.abs(wide[2:, 1:-1] - wide[:-2, 1:-1]), np.abs(wide[1:-1, 2:] - wide[1:-1, :-2])):
            usual = float(np.percentile(step, 30)) / 0.385
            edges |= step > max(contrast, 5.0 * usual)
    marks, _ = ndimage.label(edges, structure=np.ones((3, 3)))
    for number, place in enumerate(ndimage.find_objects(marks), start=1):
        if place[0].stop - place[0].start <= 5 and place[1].stop - place[1].start <= 5:
            edges[marks == number] = False
    seen: list[Booleans] = []

    def grown(found: Booleans, y0: int, y1: int, x0: int, x1: int) -> tuple[int, int, int, int]:
        seen.append(found.copy())
        return y0, y1, x0, x1

    monkeypatch.setattr(target, "_grown", grown)
    even_areas(scene, steady, contrast)
    assert seen
    assert (seen[0] == edges).all()
    assert edges.any()


# --- what a chart is sought in ----------------------------------------------------------------------------------------


def test_calm_places_and_colours_of_a_picture_in_which_a_chart_is_sought(monkeypatch: pytest.MonkeyPatch) -> None:
    """Roots of light over the bright end of each channel; what is near a clipped pixel has no colour."""
    rng = np.random.default_rng(3)
    picture = ndimage.gaussian_filter(rng.uniform(0.0, 1.0, (40, 50, 3)), (1.0, 1.0, 0.0)) * [0.4, 1.5, 0.05]
    picture[10, 12] = [0.1, 0.981, 0.01]
    picture[30, 40] = [0.1, 0.979, 0.01]
    picture[5, 5] *= 30.0
    picture[8, 30, 2] = -0.01
    calm: list[Booleans] = []
    given: list[Any] = []
    monkeypatch.setattr(chart, "_even_areas", lambda mask: calm.append(mask) or (np.arange(4.0).reshape(2, 2), "sizes"))
    monkeypatch.setattr(chart, "_lattices", lambda centres, sizes: [{(0, 0): 1, (1, 0): 0}])
    monkeypatch.setattr(chart, "_placed", lambda *words: given.append(words) or ["a place"])
    assert list(chart._grids(picture, np.zeros((24, 3)))) == ["a place"] * 6
    total = np.zeros((40, 50))
    for channel in range(3):
        of = picture[..., channel]
        layer = np.sqrt(np.minimum(np.maximum(of / np.percentile(of, 99), 0.0), 4.0))
        total += ndimage.gaussian_gradient_magnitude(layer, 1.0) ** 2
    edge = np.sqrt(total)
    for mask, share in zip(calm, (0.4, 0.55, 0.7, 0.8, 0.88, 0.94), strict=True):
        assert (mask == (edge < np.quantile(edge, share))).all()
    nodes, centres, smooth, _ = given[0]
    assert nodes.tolist() == [[0, 0], [1, 0]]
    assert centres.tolist() == [[2.0, 3.0], [0.0, 1.0]]
    clipped = ndimage.binary_dilation(picture.max(axis=2) >= 0.98, np.ones((3, 3), dtype=bool))
    assert (np.isnan(smooth).any(axis=2) == clipped).all()
    assert np.isnan(smooth).all(axis=2).sum() == clipped.sum()
    for channel in range(3):
        wanted = ndimage.gaussian_filter(picture[..., channel], 1.0)
        assert smooth[..., channel][~clipped] == pytest.approx(wanted[~clipped])


# --- edges of a target that are sought elsewhere ----------------------------------------------------------------------


def test_what_is_sought_is_told_with_how_much_of_it_is_in_view_at_each_shift() -> None:
    rng = np.random.default_rng(4)
    reference = np.full((24, 30), 0.3) + 0.001 * rng.standard_normal((24, 30))
    reference[4:20, 5:25] += 0.7
    found = target_moved._sought(reference)
    assert found is not None
    assert found.size == pytest.approx((16.0, 20.0))
    assert found.reach == (8, 10)
    then = target_moved.slopes(reference)
    squares = np.sum(then**2, axis=0)
    assert found.strength == pytest.approx(squares.sum())
    assert found.in_view.shape == (17, 21)
    for down in range(-8, 9):
        for right in range(-10, 11):
            inside = [squares[y, x] for y in range(23) if 0 <= y + down < 23 for x in range(29) if 0 <= x + right < 29]
            wanted = max(sum(inside), 0.25 * squares.sum())
            assert found.in_view[down + 8, right + 10] == pytest.approx(wanted)
    assert all(side % 8 == 0 for side in found.shape)
    assert found.shape[0] >= 23 + 8
    assert found.shape[1] >= 29 + 10


@pytest.mark.parametrize(("times", "sought"), [(0.9, False), (1.1, True)])
def test_edges_must_be_four_times_as_strong_as_noise_makes_them(times: float, sought: bool) -> None:
    """In squares, all slopes together, by the noise in the middle of the map."""
    noise = np.random.default_rng(5).standard_normal((30, 30))
    edge = np.zeros((30, 30))
    edge[:, 2:28] = 1.0

    def excess(height: float) -> float:
        then = target_moved.slopes(noise + height * edge)
        middle = then[:, 9:20, 9:20]
        return float(np.sum(then**2) / then.size / (4.0 * (1.4826 * np.median(np.abs(middle))) ** 2))

    low, high = 0.0, 100.0
    for _ in range(50):  # the height of the edge at which it is so much
        middle = (low + high) / 2.0
        low, high = (middle, high) if excess(middle) < times else (low, middle)
    assert excess(high) == pytest.approx(times, rel=1e-3)
    assert (target_moved._sought(noise + high * edge) is not None) == sought
    assert target_moved._sought(np.full((30, 30), 0.3)) is None
