"""The signal of one frame's patch: mean, uncertainty, clipping, unevenness and damage, per filter colour."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from greystep.arrays import SD_PER_MAD, Booleans, Floats, Triple
from greystep.measure.damage import damage_of
from greystep.measure.filter_colours import OUTLIER_SD, SATURATED_SHARE, ColourFit, Sites, picked, sites_of
from greystep.measure.light_surface import fit_surface, mean_square, powers, surface
from greystep.raw.frame import Mosaic

#: Lowest count of coefficients that the noise at low spatial frequencies is pooled to across the filter colours.
POOLED_WEIGHT: Final = 60.0
#: Least share of pixels at one top value that may be a saturated shelf.
SHELF_SHARE: Final = 0.0005
#: A patch with more pixels at the ceiling is clipped [%]. The contract's ruling on status.
CLIPPED_PCT: Final = 0.1
#: More pixels than this share at the ceiling are a part of the scene, however far above the light: of hot pixels there
#: are far fewer.
HOT_SHARE: Final = 0.01

#: Of values that are whole numbers up to this, counting them is quicker than sorting.
_MOST_LEVELS: Final = 1 << 17
#: From so many places a side on, a quarter of them tells which pixels lie off the light's surface.
_MANY: Final = 128


@dataclass(frozen=True)
class PatchSignal:
    """What one frame's patch says; triples are red, green, blue, the green being the mean of both greens.

    Attributes:
        mean, u: Tuple of 3 floats. Mean above the file's black and its standard uncertainty (k = 1), correlated noise
            allowed for [raw counts].
        sd: Tuple of 3 floats. Standard deviation of the pixels about the light's surface [raw counts].
        black, white: Tuple of 3 floats. The file's black level, mean over the patch, and its declared white level [raw
            counts].
        ceiling: Tuple of 3 floats. Where the pixels saturate: the declared white level, or the shelf that they show
            below it [raw counts].
        g1_g2: Ratio of the two greens; 1 where the mosaic has only one green, NaN without signal.
        clipped_pct: Pixels at the ceiling, in the worst filter colour [%]; hot pixels are none, see `_clipped`.
        gradient_pct: Largest minus smallest of the green plane over its mean [%]; NaN without signal.
        damage: What the pixels show that no camera writes; empty where they are sound.
        off_pct: Pixels dropped because they lie off the light's surface, in the worst filter colour [%].
    """

    mean: Triple
    u: Triple
    sd: Triple
    n: tuple[int, int, int]
    black: Triple
    white: Triple
    ceiling: Triple
    g1_g2: float
    clipped_pct: float
    gradient_pct: float
    damage: str
    off_pct: float = 0.0


def measure_patch(mosaic: Mosaic, white: tuple[float, float, float, float]) -> PatchSignal:
    """Measure the grey patch that `mosaic` holds.

    Args:
        mosaic: The patch: values (h, w), or (h, w, 3) of three planes, black not subtracted [raw counts].
        white: Tuple of 4 floats. Declared white level of R, G1, B and G2 [raw counts].

    Returns: The mean is the light's smooth surface (second degree) averaged over the whole patch, so that dropped
        pixels leave no hole in it. Its uncertainty is sqrt(F/n) of the residual's standard deviation, F being the
        residual's power at the lowest spatial frequencies against its mean power: 1 for white noise, more where raw
        files are denoised; to this comes what coarse coding hides where the noise does not dither it.
    """
    sites = sites_of(mosaic)
    fits = {colour: _fit(site, white[colour]) for colour, site in sites.items()}
    pooled = np.concatenate([fit.waves for fit in fits.values()])
    u = {colour: _uncertainty(fit, pooled) for colour, fit in fits.items()}
    greens = [colour for colour in (1, 3) if colour in fits]
    members = ([0], greens, [2])

    def triple(values: dict[int, float]) -> Triple:
        red, green, blue = (float(np.mean([values[colour] for colour in member])) for member in members)
        return red, green, blue

    mean = triple({colour: fit.mean for colour, fit in fits.items()})
    slopes = np.abs(np.mean([fits[colour].slopes for colour in greens], axis=0))
    lit = mean[1] > 0
    second = fits[greens[-1]].mean
    counts = [sum(fits[colour].n for colour in member) for member in members]
    return PatchSignal(
        mean=mean,
        u=(u[0], float(np.sqrt(sum(u[colour] ** 2 for colour in greens))) / len(greens), u[2]),
        sd=triple({colour: fit.sd for colour, fit in fits.items()}),
        n=(counts[0], counts[1], counts[2]),
        black=triple({colour: fit.black for colour, fit in fits.items()}),
        white=triple(dict(enumerate(white))),
        ceiling=triple({colour: fit.ceiling for colour, fit in fits.items()}),
        g1_g2=fits[1].mean / second if lit and second > 0 else float("nan"),
        clipped_pct=100.0 * max(fit.clipped for fit in fits.values()),
        gradient_pct=float(100.0 * 2.0 * slopes.sum() / mean[1]) if lit else float("nan"),
        damage=damage_of(mosaic, sites, fits),
        off_pct=100.0 * max(1.0 - fits[colour].n / int(np.count_nonzero(site.mask)) for colour, site in sites.items()),
    )


def _fit(sites: Sites, white: float) -> ColourFit:
    """Measure one filter colour: outliers dropped about the light's surface, clipped pixels counted."""
    raw, level = picked(sites.raw, sites), sites.raw - sites.black
    step = _coding_step(_sample(raw, 2048))
    black = float(np.mean(picked(sites.black, sites))) if any(sites.black.strides) else float(sites.black[0, 0])
    middle, spread = _middle_and_sd(picked(level, sites))
    ceiling = _ceiling(raw, white, black, spread)
    degree = 2 if len(raw) >= 64 else 0
    # What is kept is told by a first surface, which a quarter of many pixels gives well enough.
    few = (slice(None, None, 2 if min(level.shape) >= _MANY else 1),) * 2
    keep = sites.mask[few] & (np.abs(level[few] - middle) <= OUTLIER_SD * np.hypot(spread, step))
    terms = fit_surface(level[few], keep, sites.y[few[0]], sites.x[few[1]], degree)
    residual = level - surface(terms, sites.y, sites.x)
    _, scale = _middle_and_sd(picked(residual, sites))
    keep = np.abs(residual) <= OUTLIER_SD * np.hypot(scale, step)
    keep = keep if sites.whole else keep & sites.mask
    terms = fit_surface(level, keep, sites.y, sites.x, degree)
    above = level - surface(terms, sites.y, sites.x)
    n = int(np.count_nonzero(keep))
    residual = above if n == keep.size else above * keep
    sd = float(np.sqrt(np.vdot(residual, residual) / max(1, n - 6)))
    down, across = (powers(side.tobytes()).mean(axis=1) for side in (sites.y, sites.x))
    light = np.sqrt(max(0.0, mean_square(terms, down, across) - float(down[:3] @ terms @ across[:3]) ** 2))
    waves, band = _waves(residual, sites, sd, n)
    return ColourFit(
        mean=float(terms[0, 0] + terms[2, 0] * down[2] + terms[0, 2] * across[2]),
        sd=sd,
        n=n,
        black=black,
        ceiling=ceiling,
        clipped=_clipped(raw >= ceiling, picked(above, sites), sd, step),
        slopes=(float(terms[1, 0]), float(terms[0, 1])),
        step=step,
        spread=float(np.hypot(sd, light)),
        waves=waves,
        band=band,
    )


def _clipped(at_top: Booleans, above: Floats, sd: float, step: float) -> float:
    """Return the share of clipped pixels: at the ceiling, where that is within reach of the light's distribution.

    Args:
        at_top: Array like the pixels. Those at the ceiling.
        above: Likewise. How far each lies above the light's surface [raw counts].
        sd, step: Of the pixels about the surface; of the coded values [raw counts].
    """
    share = float(np.count_nonzero(at_top) / at_top.size)
    if 0.0 < share <= HOT_SHARE:
        share = float(np.count_nonzero(above[at_top] <= OUTLIER_SD * np.hypot(sd, step)) / at_top.size)
    return share


def _sample(values: Floats, count: int) -> Floats:
    """Return some `count` of the values, at an odd stride, so that no row or column is favoured."""
    return values[:: max(1, len(values) // count) | 1]


def _middle_and_sd(values: Floats) -> tuple[float, float]:
    """Return the median of values (n,) and their standard deviation that outliers do not change, from some of them."""
    some = _sample(values, 4096)
    some = some[: len(some) - 1 + len(some) % 2]  # of an odd number, one is the median
    middle = float(np.partition(some, len(some) // 2)[len(some) // 2])
    away = np.abs(some - middle)
    return middle, SD_PER_MAD * float(np.partition(away, len(away) // 2)[len(away) // 2])


def _waves(residual: Floats, sites: Sites, sd: float, n: int) -> tuple[Floats, float]:
    """Return the residual's squared cosine coefficients at low frequencies and their mean squared frequency.

    Each has the expectation 1 for white noise; the orders that the light's surface takes up are left out. The mean's
    variance is the power at frequency zero, so the lowest frequencies tell how much correlated neighbours enlarge it.
    """
    if n < 64 or sd == 0:
        return np.array([]), 0.0
    waves_y, waves_x, norm, chosen, squared = _waves_of(sites.y.tobytes(), sites.x.tobytes())
    power = (waves_y @ residual @ waves_x.T)[chosen] ** 2 / (norm * n * sd**2)
    return power, squared / (1.0 if sites.whole else float(np.mean(sites.mask)))


@lru_cache(maxsize=16)
def _waves_of(y: bytes, x: bytes) -> tuple[Floats, Floats, Floats, Booleans, float]:
    """Return what `_waves` needs of places alone, which are given as their bytes.

    Returns: The cosine waves down and across; those of their products that are taken (orders down, across), the mean
        square of each of these, and their mean squared frequency [radian per place, squared].
    """
    down, across = (np.frombuffer(side) for side in (y, x))
    top_y, top_x = (int(np.clip(len(side) // 8, 4, 16)) for side in (down, across))
    waves_y, waves_x = (_cosines(side, top) for side, top in ((down, top_y), (across, top_x)))
    order_y, order_x = np.ogrid[: top_y + 1, : top_x + 1]
    chosen = (order_y / top_y + order_x / top_x <= 1.0) & (order_y + order_x >= 3)
    squared = np.pi**2 * ((order_y / len(down)) ** 2 + (order_x / len(across)) ** 2)
    norm = np.outer(np.mean(waves_y**2, axis=1), np.mean(waves_x**2, axis=1))
    return waves_y, waves_x, norm[chosen], chosen, float(np.mean(squared[chosen]))


def _cosines(places: Floats, top: int) -> Floats:
    """Return the cosine waves of the orders 0 to `top` over places (n,)."""
    return np.asarray(np.cos(0.5 * np.pi * np.outer(np.arange(top + 1), places + 1.0)))


def _uncertainty(fit: ColourFit, pooled: Floats) -> float:
    """Return the standard uncertainty of a colour's mean, enlarged for correlated noise and for coarse coding.

    A colour with few coefficients also uses those of all colours, because one process denoises them all. Noise that is
    smoothed to a power F at frequency zero falls off as exp(-F w**2 / (4 pi)) when its spectrum is a Gaussian of
    mean 1 (closed form); this is corrected here over the band that was measured.
    A rounded mean is off by the first harmonic of the sawtooth error, step / pi * exp(-2 pi**2 (spread / step)**2),
    when light and noise dither it by `spread` (closed form of a uniform quantiser with normal input).
    """
    enlarged = 1.0
    if len(pooled):
        own = float(np.sum(fit.waves)) + POOLED_WEIGHT * float(np.mean(pooled))
        power = own / (len(fit.waves) + POOLED_WEIGHT)
        enlarged = max(1.0, power * float(np.exp(min(1.0, power * fit.band / (4.0 * np.pi)))))
    dither = max(0.0, (fit.spread / fit.step) ** 2 - 1.0 / 12.0)
    rounding = fit.step / np.pi / np.sqrt(2.0) * np.exp(-2.0 * np.pi**2 * dither)
    return float(np.hypot(fit.sd * np.sqrt(enlarged / max(1, fit.n)), rounding))


def _coding_step(some: Floats) -> float:
    """Return the step between the coded values of a sample, 1 where it holds only one value."""
    some = some - some.min()
    whole = some.max() < _MOST_LEVELS and bool((some == np.floor(some)).all())
    levels = np.flatnonzero(np.bincount(some.astype(np.intp))) if whole else np.unique(some)
    return float(np.median(np.diff(levels))) if len(levels) > 1 else 1.0


def _ceiling(raw: Floats, white: float, black: float, spread: float) -> float:
    """Return where the pixels saturate: the declared white level, or a lower shelf of equal top values.

    A shelf stands out from the values just below it, at the end of the patch's own distribution: a tail thins out
    towards its top, pixels cut off pile up there. Hot pixels of one value lie beyond it and are no shelf.
    """
    top = float(raw.max())
    at_top = int(np.count_nonzero(raw == top))
    if top >= white or at_top < max(4, SHELF_SHARE * len(raw)):
        return white
    if at_top > SATURATED_SHARE * len(raw):
        return top if top - black >= 0.7 * (white - black) else white
    levels, counts = np.unique(raw[raw < top], return_counts=True)
    in_reach = top - float(np.median(raw)) <= (OUTLIER_SD + 1.0) * spread and top - levels[-1] <= np.ptp(levels) / 4
    stands_out = len(levels) >= 6 and at_top > 4 * int(counts[-10:].max())
    return top if in_reach and stands_out else white
