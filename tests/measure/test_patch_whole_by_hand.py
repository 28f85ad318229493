"""A whole patch against a plain calculation of it: lists of pixels, least squares and cosines, one colour at a time."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.arrays import SD_PER_MAD
from greystep.measure import patch
from greystep.raw.frame import Mosaic
from measure.test_patch import RGGB, XTRANS

Floats = NDArray[np.float64]
BLACK = 512.0
WHITES = (16383.0, 16000.0, 15000.0, 15500.0)


@dataclass(frozen=True)
class Plain:
    """What one colour of a patch says."""

    mean: float
    sd: float
    n: int
    share_off: float
    slopes: Floats
    u: float
    black: float


def middle_and_sd(values: Floats) -> tuple[float, float]:
    """The median of an odd number, so the last of an even one is left out."""
    values = values[: len(values) - 1 + len(values) % 2]
    middle = float(np.median(values))
    return middle, SD_PER_MAD * float(np.median(np.abs(values - middle)))


def plain(values: Floats, black: Floats, mine: NDArray[np.bool_], pooled: Floats | None = None) -> tuple[Plain, Floats]:
    """Measure one colour: its pixels in a row, a surface of second degree twice, what is far from it left out."""
    height, width = values.shape
    rows, columns = np.nonzero(mine)
    v, u = (rows + 0.5) / (height / 2) - 1.0, (columns + 0.5) / (width / 2) - 1.0

    def terms(v: Floats, u: Floats) -> Floats:
        return np.stack([np.ones_like(v), u, u**2, v, v * u, v**2], axis=1)

    level = values[mine] - black[mine]
    centre, spread = middle_and_sd(level)
    keep = np.abs(level - centre) <= 5.0 * np.hypot(spread, 1.0)
    for again in (True, False):
        surface = np.linalg.lstsq(terms(v, u)[keep], level[keep], rcond=None)[0]
        left = level - terms(v, u) @ surface
        keep = np.abs(left) <= 5.0 * np.hypot(middle_and_sd(left)[1], 1.0) if again else keep
    n = int(keep.sum())
    sd = float(np.sqrt(np.sum(left[keep] ** 2) / (n - 6)))

    def light(v: Floats, u: Floats) -> Floats:
        return terms(np.repeat(v, len(u)), np.tile(u, len(v))) @ surface

    # The mean is that of the light on all pixels of the patch; its spread is that on the colour's rows and columns.
    mean = float(np.mean(light(*((np.arange(side) + 0.5) / (side / 2) - 1.0 for side in (height, width)))))
    spread = float(np.std(light(np.unique(v), np.unique(u))))
    down, across = len(np.unique(rows)), len(np.unique(columns))
    top = [int(min(max(side // 8, 4), 16)) for side in (down, across)]
    each, other = ([np.cos(np.pi * i * (at + 1) / 2) for i in range(17)] for at in (np.unique(v), np.unique(u)))
    down_at, across_at = np.searchsorted(np.unique(v), v)[keep], np.searchsorted(np.unique(u), u)[keep]
    sums = np.array([wave[down_at] * left[keep] for wave in each]) @ np.array([wave[across_at] for wave in other]).T
    orders = [(i, j) for i in range(17) for j in range(17) if i + j >= 3 and i / top[0] + j / top[1] <= 1.0]
    waves = [sums[i, j] ** 2 / (np.mean(each[i] ** 2) * np.mean(other[j] ** 2) * n * sd**2) for i, j in orders]
    squares = [np.pi**2 * ((i / down) ** 2 + (j / across) ** 2) for i, j in orders]
    band = np.mean(squares) * down * across / len(rows)
    u_mean = np.nan
    if pooled is not None:
        power = (np.sum(waves) + 60.0 * np.mean(pooled)) / (len(waves) + 60.0)
        enlarged = max(1.0, power * np.exp(min(1.0, power * band / (4 * np.pi))))
        dither = max(0.0, sd**2 + spread**2 - 1 / 12)
        rounding = np.exp(-2 * np.pi**2 * dither) / np.pi / np.sqrt(2)
        u_mean = float(np.hypot(sd * np.sqrt(enlarged / n), rounding))
    found = Plain(mean, sd, n, 1.0 - n / len(rows), surface[[3, 1]], u_mean, float(black[mine].mean()))
    return found, np.array(waves)


def shot(
    height: int, width: int, noise: float, dust: int, slow: float = 0.0, shadow: float = 0.0, level: float = 2000.0
) -> Floats:
    """Light that falls off and is bent, with noise, waves of `slow` counts, dust, and a shadow [deviations]."""
    rng = np.random.default_rng(height + dust)
    y, x = np.mgrid[0:height, 0:width] / [[[height]], [[width]]] - 0.5
    light = level * (1.0 + 0.03 * x - 0.05 * y + 0.02 * x * y - 0.04 * x**2 + 0.03 * y**2)
    values = light + rng.normal(0.0, noise, (height, width)) + slow * np.sin(17.0 * y + 11.0 * x)
    at = rng.integers(0, height * width, dust)
    values.ravel()[at] += rng.choice([-900.0, 40.0 * noise, 3000.0], dust)
    values[: height // 3, : 2 * width // 3] -= shadow * noise
    return np.asarray(np.round(values + BLACK))


@pytest.mark.parametrize("pattern", [RGGB, XTRANS], ids=["Bayer", "X-Trans"])
@pytest.mark.parametrize(
    ("height", "width", "noise", "dust", "slow", "shadow"),
    [
        (48, 60, 12.0, 0, 0.0, 0.0), (60, 48, 12.0, 25, 0.0, 0.0), (84, 96, 5.0, 40, 3.0, 0.0),
        (96, 84, 0.3, 9, 0.2, 0.0), (96, 120, 20.0, 30, 1.0, 0.0), (264, 258, 9.0, 60, 2.0, 0.0),
        (60, 72, 12.0, 9, 0.0, 4.0), (72, 60, 12.0, 9, 0.0, 6.0), (48, 60, 7.0, 9, 0.0, 9.0),
    ],
)  # fmt: skip
def test_a_patch_is_what_a_plain_calculation_makes_of_its_pixels(
    pattern: NDArray[np.int8], height: int, width: int, noise: float, dust: int, slow: float, shadow: float
) -> None:
    values = shot(height, width, noise, dust, slow, shadow)
    colours = np.tile(pattern, (height // len(pattern), width // len(pattern)))
    black = BLACK + np.add.outer(np.arange(height) % 4, np.arange(width) % 3) / 8.0  # a pattern of its own
    found = patch.measure_patch(Mosaic(values, colours, black), WHITES)
    some = sorted(np.unique(colours).tolist())
    first = {colour: plain(values, black, colours == colour) for colour in some}
    pooled = np.concatenate([waves for _, waves in first.values()])
    parts = {colour: plain(values, black, colours == colour, pooled)[0] for colour in some}
    greens = [parts[colour] for colour in some if colour in (1, 3)]
    groups = [[parts[0]], greens, [parts[2]]]
    for at, group in enumerate(groups):
        assert found.mean[at] == pytest.approx(np.mean([one.mean for one in group]), rel=1e-9)
        assert found.sd[at] == pytest.approx(np.mean([one.sd for one in group]), rel=1e-7)
        assert found.n[at] == sum(one.n for one in group)
        assert found.black[at] == pytest.approx(np.mean([one.black for one in group]))
        u = np.sqrt(sum(one.u**2 for one in group)) / len(group)
        assert found.u[at] == pytest.approx(u, rel=1e-6)
    whites = WHITES[0], np.mean([WHITES[colour] for colour in (1, 3) if colour in parts]), WHITES[2]
    assert found.white == found.ceiling == pytest.approx(whites)
    assert found.g1_g2 == pytest.approx(greens[0].mean / greens[-1].mean)
    slopes = np.mean([one.slopes for one in greens], axis=0)
    assert found.gradient_pct == pytest.approx(200.0 * np.abs(slopes).sum() / found.mean[1])
    assert found.off_pct == pytest.approx(100.0 * max(one.share_off for one in parts.values()))
    assert found.clipped_pct == 0.0
    assert (found.off_pct > 0.0) == (dust > 0)


def test_three_planes_are_measured_each_for_itself() -> None:
    values = np.stack(
        [shot(48, 60, 12.0, dust, level=level) for dust, level in ((4, 900.0), (9, 2000.0), (2, 1300.0))], -1
    )
    black = np.full(values.shape, BLACK)
    found = patch.measure_patch(Mosaic(values, np.full((48, 60), -1, np.int8), black), WHITES)
    every = np.ones((48, 60), dtype=bool)
    pooled = np.concatenate([plain(values[..., at], black[..., at], every)[1] for at in range(3)])
    parts = [plain(values[..., at], black[..., at], every, pooled)[0] for at in range(3)]
    assert found.mean == pytest.approx([one.mean for one in parts])
    assert found.u == pytest.approx([one.u for one in parts])
    assert found.n == tuple(one.n for one in parts)
    assert found.gradient_pct == pytest.approx(200.0 * np.abs(parts[1].slopes).sum() / parts[1].mean)
    assert (found.g1_g2, found.white) == (1.0, WHITES[:3])


@pytest.mark.parametrize(("height", "tilted"), [(16, True), (14, False)])
def test_light_is_taken_for_a_plane_from_64_pixels_a_colour_on(height: int, tilted: bool) -> None:
    """A light that falls off by a tenth across; of 56 pixels only their mean counts."""
    values = np.round(BLACK + 3000.0 * (1.0 + 0.1 * (np.arange(16.0) - 7.5) / 16.0) + np.zeros((height, 1)))
    values += np.random.default_rng(1).integers(-3, 4, values.shape)
    found = patch.measure_patch(Mosaic(values, np.tile(RGGB, (height // 2, 8)), np.full(values.shape, BLACK)), WHITES)
    assert found.gradient_pct == pytest.approx(10.0 if tilted else 0.0, abs=0.3)
    assert found.mean == pytest.approx((3000.0,) * 3, rel=3e-3 if tilted else 5e-3)
    assert found.sd == pytest.approx((2.0,) * 3 if tilted else (86.0,) * 3, rel=0.25)
    assert found.u == pytest.approx(np.array(found.sd) / np.sqrt(found.n), rel=0.35 if tilted else 1e-6)
