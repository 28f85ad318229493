"""A raw frame made an image, and the trend of a series: pixel by pixel and place by place, in plain loops."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.correct import demosaic as module
from greystep.correct.demosaic import demosaic, developed_bands, reach_of
from greystep.correct.trend import trend
from greystep.raw.frame import Mosaic
from measure.test_patch import RGGB, XTRANS

Floats = NDArray[np.float64]


def plain(light: Floats, colours: NDArray[np.int_], reach: int) -> Floats:
    """Own value, else the mean of the colour's pixels about it, each by its nearness down times that across."""
    height, width = light.shape
    found = np.full((height, width, 3), np.nan)
    for y, x, colour in np.ndindex(height, width, 3):
        if colours[y, x] == colour:
            found[y, x, colour] = light[y, x]
            continue
        total = weight = 0.0
        for v in range(max(0, y - reach), min(height, y + reach + 1)):
            for u in range(max(0, x - reach), min(width, x + reach + 1)):
                if colours[v, u] == colour:
                    near = (reach + 1 - abs(v - y)) * (reach + 1 - abs(u - x))
                    total, weight = total + near * light[v, u], weight + near
        if weight:
            found[y, x, colour] = total / weight
    return found


@pytest.mark.parametrize("pattern", [RGGB, XTRANS], ids=["Bayer", "X-Trans"])
def test_a_colour_is_filled_in_by_its_neighbours_the_near_ones_with_more_weight(pattern: NDArray[np.int8]) -> None:
    colours = np.tile(np.where(pattern == 3, 1, pattern), (3, 3))[:11, :13]
    light = np.random.default_rng(1).uniform(100.0, 900.0, colours.shape)
    reach = reach_of(np.where(pattern == 3, 1, pattern))
    wanted = plain(light, colours, reach)
    found = demosaic(light.astype(np.float32), colours, reach)
    assert found.dtype == np.float32
    there = np.isfinite(wanted)
    assert np.count_nonzero(~there) <= 4, "at the corners a colour may be missing"
    assert found[there] == pytest.approx(wanted[there], rel=1e-5)


def test_where_a_corner_lacks_a_colour_the_nearest_pixel_fills_it() -> None:
    colours = np.ones((6, 6), dtype=int)
    colours[3:, :3], colours[:3, 3:] = 0, 2
    light = np.arange(36.0, dtype=np.float32).reshape(6, 6)
    found = demosaic(light, colours, 1)
    assert found[0, 0, 0] == found[2, 0, 0], "the first row that has red about it"
    assert found[0, 0, 2] == found[0, 2, 2]
    assert found[5, 5, 0] == found[5, 3, 0]
    assert np.isfinite(found).all()


@pytest.mark.parametrize("planes", [False, True])
def test_a_frame_is_developed_in_bands_as_it_would_be_at_once(monkeypatch: pytest.MonkeyPatch, planes: bool) -> None:
    """Black off, over one scale, times the factors, cut where the first channel reaches its top, into the space."""
    rng = np.random.default_rng(2)
    height, width, scale = 22, 10, 8000.0
    shape = (height, width, 3) if planes else (height, width)
    values, black = rng.uniform(600.0, 9000.0, shape), rng.uniform(500.0, 520.0, shape)
    pattern = np.array([[-1]], np.int8) if planes else RGGB
    colours = np.full((height, width), -1, np.int8) if planes else np.tile(RGGB, (height // 2, width // 2))
    asked: list[tuple[int, ...]] = []

    def read(frame: Any, y0: int, y1: int, x0: int, x1: int) -> Mosaic:
        asked.append((y0, y1, x0, x1))
        return Mosaic(values[y0:y1, x0:x1], colours[y0:y1, x0:x1], black[y0:y1, x0:x1])

    monkeypatch.setattr(module, "read_region", read)
    monkeypatch.setattr(module, "usable_range", lambda frame: scale)
    monkeypatch.setattr(module, "BAND", 8)
    frame: Any = SimpleNamespace(height=height, width=width, pattern=pattern)
    factors, neutral = np.array([1.5, 1.2, 0.9]), np.array([0.5, 1.0, 0.6])
    developed = rng.uniform(-0.3, 1.0, (3, 3))
    bands = list(developed_bands(frame, factors, neutral, developed))
    assert [top for top, _ in bands] == [0, 8, 16]
    assert [len(band) for _, band in bands] == [8, 8, 6]
    rim = 0 if planes else 1
    assert asked == [(0, 8 + rim, 0, 10), (8 - rim, 16 + rim, 0, 10), (16 - rim, 22, 0, 10)]
    whole = values - black
    rgb = whole if planes else plain(whole, np.where(colours == 3, 1, colours), 1)
    top = min(1.5 / 0.5, 1.2, 0.9 / 0.6) * neutral
    wanted = np.minimum(rgb * factors / scale, top) @ developed.T
    assert (rgb * factors / scale > top).any()
    found = np.concatenate([band for _, band in bands])
    assert found.dtype == np.float32
    there = np.isfinite(wanted)
    assert found[there] == pytest.approx(wanted[there], rel=1e-4, abs=1e-5)


# --- the trend of a series --------------------------------------------------------------------------------------------


def drawn(values: Floats, over: int) -> Floats:
    """Cleveland's locally weighted line, four rounds, in loops."""
    known = np.flatnonzero(np.isfinite(values))
    x, y = known.astype(float), values[known]
    near, steady = min(max(over, 3), len(known)), np.ones(len(known))
    for _ in range(4):
        line = []
        for at in x:
            away = np.abs(x - at)
            reach = np.sort(away)[near - 1] * (1.0 + 1.0 / near)
            weight = np.maximum(1.0 - (away / reach) ** 3, 0.0) ** 3 * steady
            slope, start = np.polyfit(x, y, 1, w=np.sqrt(weight))
            line.append(start + slope * at)
        left = y - np.array(line)
        cut = 6.0 * np.median(np.abs(left))
        steady = np.maximum(1.0 - (left / cut) ** 2, 1e-6) ** 2
    found = np.full(len(values), np.nan)
    found[known] = line
    return found


@pytest.mark.parametrize("over", [3, 5, 9, 40])
def test_a_trend_is_a_line_through_the_nearest_frames_by_weight(over: int) -> None:
    rng = np.random.default_rng(3)
    values = 0.02 * np.arange(23.0) + 0.05 * rng.standard_normal(23)
    values[[4, 11]] += 0.8
    values[[7, 8, 19]] = np.nan
    found = trend(values, over)
    assert found == pytest.approx(drawn(values, over), abs=2e-4 if over == 3 else 1e-6, nan_ok=True)
    assert np.isnan(found[[7, 8, 19]]).all()


def test_a_trend_of_few_frames_is_their_mean() -> None:
    assert trend([1.0, np.nan, 3.0], 9) == pytest.approx([2.0, np.nan, 2.0], nan_ok=True)
    assert trend([np.nan, 4.0], 9) == pytest.approx([np.nan, 4.0], nan_ok=True)
    assert np.isnan(trend([np.nan, np.nan], 9)).all()
    assert trend([1.0, 2.0, 4.0], 9)[1] != pytest.approx(2.3333333), "three make a line"
    assert trend([1.0, 2.0, 3.0], 1) == pytest.approx([1.0, 2.0, 3.0]), "no fewer than three are asked"
