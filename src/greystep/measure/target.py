"""The grey target: found without a click in a locked-off series, and checked in each of its frames."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from greystep.errors import GreystepError
from greystep.measure.frame import Mosaic

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1 as fractions of the visible frame, origin top left

#: Longest side of the measured area [pixels]. The contract's ruling on pixels.
LONGEST_PX: Final = 512
#: Share of the target's side that is left out at each edge: penumbra, burrs, and small movements.
INSET: Final = 0.12
#: Margin about the target in which its edges are looked for, in its own sizes.
MARGIN: Final = 0.25
#: Largest side of a surround map [bins].
SURROUND_BINS: Final = 32
#: A shift beyond this share of the target's size is a moved target: 15 % is to be caught, and half a bin to be borne.
MOVED: Final = 0.10
#: Where neighbouring bins of the target differ by more than this (smoothed, sd), there is too little light to tell.
NOISIEST: Final = 0.08
#: Longest shift that is looked for, in the target's sizes.
LONGEST_SHIFT: Final = 0.5
#: Contrast (natural log) over two overview pixels that is an edge: plain ones first, then faint ones.
EDGE_CONTRASTS: Final = (0.03, 0.015)
#: Frames that the search looks at, spread over the series.
FRAMES_LOOKED_AT: Final = 24
#: An area whose pixels differ by more than this from their neighbourhood (median, natural log) is texture or noise.
ROUGH: Final = 0.1
#: Red and blue against green that cameras answer to a grey in flash light; common practice, no source. A mild hint.
USUAL_NEUTRAL: Final = (0.55, 0.65)
#: So many even areas of like size, within five sizes of each other, are a colour chart (or a texture), not targets.
CHART_PATCHES: Final = 8


@dataclass(frozen=True)
class Target:
    """Where the grey target stands.

    Attributes
    ----------
    box : Box
        Its extent: as found (of a rotated target an upright box within it), or as given.
    patch : Box
        What is measured: inset from the box where it was found, the box itself where it was given.
    found : bool
        True if found in the frames, False if given by hand.
    """

    box: Box
    patch: Box
    found: bool


@dataclass(frozen=True)
class _Area:
    """An even area of the scene: an upright box in overview pixels and what speaks for its being the target."""

    y0: int
    y1: int
    x0: int
    x1: int
    sides: int  # sides of the frame that the even area reaches
    colour: Floats  # median camera RGB
    spread: float  # of the light over it, largest against smallest [natural log]


def find_target(overviews: Sequence[NDArray[Any]]) -> Target | None:
    """Find the grey target in the flash frames of one locked-off camera.

    The target is the largest even, near-neutral area that stands in the same place in the frames. An area that does
    not reach the frame's edge is preferred to one that leaves the frame, the patches of a colour chart come after
    both, and what reaches three edges is taken for a background unless there is nothing else. Dark areas are left out.

    Parameters
    ----------
    overviews : sequence of (h, w, 3) arrays
        Linear camera RGB above black, 1 at the white level, at any flash power.

    Returns
    -------
    Target or None
        None where the frames show no even area at all, or there are no frames.
    """
    scene, steady = _common_scene(overviews)
    if scene is None:
        return None
    best: tuple[int, float, _Area] | None = None
    for contrast in EDGE_CONTRASTS:
        for tier, score, area in _ranked(_even_areas(scene, steady, contrast)):
            if best is None or tier < best[0] or (tier == best[0] and score > 1.5 * best[1]):
                best = tier, score, area
        if best is not None and best[0] == 0:
            break
    if best is None:
        return None
    height, width = scene.shape[:2]
    area = best[2]
    inset_y, inset_x = (max(1.0, INSET * size) for size in (area.y1 - area.y0, area.x1 - area.x0))
    return Target(
        box=(area.x0 / width, area.y0 / height, area.x1 / width, area.y1 / height),
        patch=(
            (area.x0 + inset_x) / width,
            (area.y0 + inset_y) / height,
            (area.x1 - inset_x) / width,
            (area.y1 - inset_y) / height,
        ),
        found=True,
    )


def fixed_target(box: Box) -> Target:
    """Return the target that a person has given: it is measured as it stands.

    Raises
    ------
    GreystepError
        If the four fractions do not make a box within the frame.
    """
    x0, y0, x1, y1 = box
    if not (0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1):
        raise GreystepError(
            f"patch {list(box)}: no box within the frame; give x0, y0, x1, y1 as fractions from 0 to 1, "
            "x0 < x1 and y0 < y1, from the top left"
        )
    return Target(box=box, patch=box, found=False)


def pixel_box(box: Box, height: int, width: int, pattern_shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return y0, y1, x0, x1 of a box in pixels: edges rounded, aligned to the filter pattern, at most 512 px a side.

    Parameters
    ----------
    box : Box
        Fractions of the visible frame.
    height, width : int
        Of the visible frame [pixels].
    pattern_shape : tuple of 2 ints
        The filter pattern's period [pixels].
    """
    x0, y0, x1, y1 = box
    top, bottom = _pixel_span(y0, y1, height, pattern_shape[0], LONGEST_PX)
    left, right = _pixel_span(x0, x1, width, pattern_shape[1], LONGEST_PX)
    return top, bottom, left, right


def surround_box(target: Target) -> Box:
    """Return the target's box and a quarter of its size about it, within the frame: what is read of each frame."""
    x0, y0, x1, y1 = target.box
    by, bx = MARGIN * (y1 - y0), MARGIN * (x1 - x0)
    return max(0.0, x0 - bx), max(0.0, y0 - by), min(1.0, x1 + bx), min(1.0, y1 + by)


def surround_pixels(
    target: Target, height: int, width: int, pattern_shape: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Return y0, y1, x0, x1 of the region to read: the surround, and the measured patch whole, aligned alike."""
    x0, y0, x1, y1 = surround_box(target)
    top, bottom = _pixel_span(y0, y1, height, pattern_shape[0], height)
    left, right = _pixel_span(x0, x1, width, pattern_shape[1], width)
    patch = pixel_box(target.patch, height, width, pattern_shape)
    return min(top, patch[0]), max(bottom, patch[1]), min(left, patch[2]), max(right, patch[3])


def surround_of(mosaic: Mosaic) -> Floats:
    """Return a small map of the green above black, 1 at the median of its middle, of the region about the target.

    Parameters
    ----------
    mosaic : Mosaic
        The region of `surround_box`, (h, w) or (h, w, 3).

    Returns
    -------
    (m, n) array
        At most 32 bins a side; all zero where the middle carries no light.
    """
    size = mosaic.values.shape[:2]
    # An odd stride, no multiple of three, meets every place of a filter pattern; some eight pixels a bin are plenty.
    rows, columns = (
        slice(None, None, max(step for step in (1, 5, 7, 11, 13, 17, 23, 31) if step == 1 or step * 256 < side))
        for side in size
    )
    level, colours = mosaic.values[rows, columns] - mosaic.black[rows, columns], mosaic.colours[rows, columns]
    green = ((colours == 1) | (colours == 3)).astype(np.float64)
    if level.ndim == 3:
        level, green = level[..., 1], np.ones(colours.shape)
    for cell in (2, 3, 4):  # pixels to a bin at least, until each bin holds a green one
        counts = [min(SURROUND_BINS, max(1, side // cell)) for side in level.shape]
        y, x = (np.arange(count) * side // count for side, count in zip(level.shape, counts, strict=True))
        total, held = (np.add.reduceat(np.add.reduceat(part, y), x, axis=1) for part in (level * green, green))
        if held.all():
            break
    binned = total / np.maximum(held, 1.0)
    middle = float(np.median(binned[_middle(counts[0]), _middle(counts[1])]))
    return np.round(binned / middle, 4) if middle > 0 else np.zeros_like(binned)


def reference_surround(surrounds: Sequence[Floats]) -> Floats | None:
    """Return the median of a series' surround maps, what each frame is compared with; None without any."""
    lit = [surround for surround in surrounds if surround.any()]
    if not lit:
        return None
    shapes = [surround.shape for surround in lit]
    usual = max(set(shapes), key=shapes.count)
    return np.asarray(np.median([surround for surround in lit if surround.shape == usual], axis=0))


def shift_between(surround: Floats, reference: Floats) -> tuple[float, float, float]:
    """Find by how far the target has moved between two surround maps.

    The edges of both (differences of neighbouring bins, blind to level and slow gradients) are correlated at every
    shift up to half the target's size, each against the edges that are in view at that shift.

    Returns
    -------
    dx, dy : float
        Shift of the target in its own sizes, positive to the right and downwards.
    quality : float
        How much of the reference's edges is there at that shift, 0 to 1.
    """
    dx, dy, there, _ = _best_shift(surround, reference)
    return dx, dy, float(np.clip(there, 0.0, 1.0))


def target_state(surround: Floats, reference: Floats) -> str:
    """Say whether a frame's target stands where it stands in the others.

    Parameters
    ----------
    surround, reference : (m, n) arrays
        Of `surround_of` and `reference_surround`.

    Returns
    -------
    str
        ``target_moved`` where it is shifted by more than 10 % of its size, ``no_target`` where less than a third of
        its edges is found at any shift up to half its size, else blank. Blank too where nothing can be told: too little
        light, maps of unlike shape, a target that fills the frame or equals its background, or noise above a sixth of
        the edges. A turn of the target about its middle, and what stands before it without reaching its edges, are not
        seen.
    """
    if surround.shape != reference.shape or not surround.any() or not reference.any():
        return ""
    dx, dy, there, noise = _best_shift(surround, reference)
    if noise > 1.0 / 6.0:
        return ""
    if there < 1.0 / 3.0:
        return "no_target"
    return "target_moved" if np.hypot(dx, dy) > MOVED else ""


def _pixel_span(start: float, end: float, size: int, period: int, longest: int) -> tuple[int, int]:
    """Round a span's ends to pixels, narrow it to whole periods, and cut it about its middle to `longest` pixels."""
    first, last = -(-round(start * size) // period) * period, round(end * size) // period * period
    if last - first < period:
        first = min(max(0, round((start + end) / 2 * size) // period * period), (size // period - 1) * period)
        last = first + period
    spare = (last - first - longest // period * period) // period
    if spare > 0:
        first += spare // 2 * period
        last = first + longest // period * period
    return first, last


def _middle(count: int) -> slice:
    return slice(count // 3, max(count // 3 + 1, count - count // 3))


def _common_scene(overviews: Sequence[NDArray[Any]]) -> tuple[Floats | None, NDArray[np.bool_]]:
    """Return the scene that the frames share, brightest tenth about 1, and where most of them agree with it."""
    nothing = None, np.zeros((0, 0), dtype=np.bool_)
    shapes = [overview.shape for overview in overviews]
    if not shapes:
        return nothing
    usual = max(set(shapes), key=shapes.count)
    frames = [np.asarray(overview, dtype=np.float64) for overview in overviews if overview.shape == usual]
    levels = [float(np.percentile(frame[..., 1], 90)) for frame in frames]
    clipped = [float(np.mean(frame.max(axis=2) >= 0.98)) for frame in frames]
    lit = [i for i, level in enumerate(levels) if level > max(0.002, max(levels) / 64)]
    bright = [i for i in lit if clipped[i] < 0.2] or lit
    if len([i for i in bright if levels[i] > max(levels) / 8]) >= 3:
        bright = [i for i in bright if levels[i] > max(levels) / 8]
    if not bright:
        return nothing
    chosen = [bright[i] for i in np.unique(np.linspace(0, len(bright) - 1, FRAMES_LOOKED_AT).astype(int))]
    stack = np.stack([frames[i] / levels[i] for i in chosen])
    scene = np.median(stack, axis=0)
    smooth = ndimage.uniform_filter(stack[..., 1], size=(0, 3, 3)) + 0.02
    middle = np.median(smooth, axis=0)
    agree = np.mean(np.abs(smooth / middle - 1.0) < 0.25, axis=0) >= 0.7
    open_end = np.mean([frames[i].max(axis=2) >= 0.98 for i in chosen], axis=0) <= 0.5
    return scene, agree & open_end if (agree & open_end).any() else agree


def _even_areas(scene: Floats, steady: NDArray[np.bool_], contrast: float) -> list[_Area]:
    """Part the scene along its edges of brightness and colour; return the largest upright box of each even area."""
    height, width = scene.shape[:2]
    floor = np.maximum(scene, 0.0) + 0.03
    green = np.log(floor[..., 1])
    edges = ~steady
    for layer in (green, np.log(floor[..., 0]) - green, np.log(floor[..., 2]) - green):
        calm = ndimage.gaussian_filter(ndimage.median_filter(layer, size=3, mode="nearest"), 0.8, mode="nearest")
        for axis in (0, 1):
            step = np.abs(ndimage.correlate1d(calm, [-1.0, 0.0, 1.0], axis=axis, mode="nearest"))
            # The calm third of a normal distribution's differences ends at 0.385 of its standard deviation.
            edges |= step > max(contrast, 5.0 * float(np.percentile(step, 30)) / 0.385)
    marks, count = ndimage.label(edges, structure=np.ones((3, 3)))
    for place in ndimage.find_objects(marks, max_label=count):
        if all(part.stop - part.start <= 5 for part in place):  # dust, no outline
            edges[place] = False
    depth = ndimage.distance_transform_cdt(np.pad(~edges, 1), metric="chessboard")[1:-1, 1:-1]
    regions, count = ndimage.label(depth >= 2, structure=np.ones((3, 3)))
    areas = []
    for number, place in enumerate(ndimage.find_objects(regions, max_label=count), start=1):
        within = np.where(regions[place] == number, depth[place], 0)
        y, x = np.unravel_index(int(within.argmax()), within.shape)
        half = int(within.max()) - 1
        middle = int(y) + place[0].start, int(x) + place[1].start
        y0, y1, x0, x1 = _grown(edges, middle[0] - half, middle[0] + half + 1, middle[1] - half, middle[1] + half + 1)
        if min(y1 - y0, x1 - x0) < max(4, width // 64):
            continue
        sides = sum((place[0].start <= 2, place[0].stop >= height - 2, place[1].start <= 2, place[1].stop >= width - 2))
        inner = np.maximum(scene[y0:y1, x0:x1], 1e-6)
        light = ndimage.uniform_filter(np.log(ndimage.median_filter(inner[..., 1], size=3)), size=3)
        if float(np.median(np.abs(np.log(inner[..., 1]) - light))) > ROUGH:
            continue
        areas.append(
            _Area(
                # An edge marks the pixels on both its sides.
                y0=max(0, y0 - 1),
                y1=min(height, y1 + 1),
                x0=max(0, x0 - 1),
                x1=min(width, x1 + 1),
                sides=sides,
                colour=np.asarray(np.median(inner.reshape(-1, 3), axis=0)),
                spread=float(np.ptp(light)),
            )
        )
    return areas


def _grown(edges: NDArray[np.bool_], y0: int, y1: int, x0: int, x1: int) -> tuple[int, int, int, int]:
    """Move each side of a box outwards by turns while the line that it takes in holds no edge."""
    height, width = edges.shape
    growing = True
    while growing:
        growing = False
        if y0 > 0 and not edges[y0 - 1, x0:x1].any():
            y0, growing = y0 - 1, True
        if y1 < height and not edges[y1, x0:x1].any():
            y1, growing = y1 + 1, True
        if x0 > 0 and not edges[y0:y1, x0 - 1].any():
            x0, growing = x0 - 1, True
        if x1 < width and not edges[y0:y1, x1].any():
            x1, growing = x1 + 1, True
    return y0, y1, x0, x1


def _ranked(areas: list[_Area]) -> list[tuple[int, float, _Area]]:
    """Give each area that is not dark its tier (0 the likeliest) and, within it, its score: size, evenness, colour.

    The scene's white is the colour that most of its even area shares, dark or bright, and a camera's neutral can have.
    """
    if not areas:
        return []
    light = np.array([area.colour[1] for area in areas])
    sizes = np.array([(area.y1 - area.y0) * (area.x1 - area.x0) for area in areas], dtype=np.float64)
    ratios = np.log(np.array([area.colour[[0, 2]] / area.colour[1] for area in areas]))
    apart = np.sum((ratios[:, None] - ratios[None]) ** 2, axis=-1)
    usual = np.exp(-0.5 * np.sum((ratios - np.log(USUAL_NEUTRAL)) ** 2, axis=-1) / 0.4**2)
    white = int(np.argmax(usual * (np.exp(-0.5 * apart / 0.15**2) @ np.sqrt(sizes))))
    alike = (sizes[:, None] < 2 * sizes[None]) & (sizes[None] < 2 * sizes[:, None])
    places = np.array([(area.y0 + area.y1, area.x0 + area.x1) for area in areas]) / 2.0
    close = np.max(np.abs(places[:, None] - places[None]), axis=-1) < 5.0 * np.sqrt(sizes)[:, None]
    neighbours = (alike & close) @ np.array([area.sides == 0 for area in areas], dtype=int)
    neutral = np.exp(-0.5 * apart[white] / 0.25**2)
    ranked = []
    for i, area in enumerate(areas):
        if light[i] < 0.08 * light.max():
            continue
        tier = 3 if area.sides >= 3 else 1 if area.sides else 2 if neighbours[i] >= CHART_PATCHES else 0
        even = np.exp(-((area.spread / 0.25) ** 2))
        ranked.append((tier, float(sizes[i] * neutral[i] * even * (light[i] if area.sides else 1.0)), area))
    return ranked


def _best_shift(surround: Floats, reference: Floats) -> tuple[float, float, float, float]:
    """Return dx, dy (in target sizes), the share of the reference's edges found there, and that share's noise."""
    now, then = _slopes(surround), _slopes(reference)
    height, width = then.shape[1:]
    strength = float(np.sum(then**2))
    if strength <= 4.0 * then.size * _calm(then) ** 2:  # no edges to speak of, only noise
        return 0.0, 0.0, 1.0, np.inf
    # The target's size in bins: the map is the target and its margins.
    size_y, size_x = (count / (1.0 + 2.0 * MARGIN) for count in surround.shape)
    reach_y, reach_x = min(int(LONGEST_SHIFT * size_y), height - 1), min(int(LONGEST_SHIFT * size_x), width - 1)
    near = (slice(height - 1 - reach_y, height + reach_y), slice(width - 1 - reach_x, width + reach_x))
    both = sum((signal.correlate(now[i], then[i]) for i in (0, 1)), start=np.zeros(()))[near]
    in_view = np.maximum(signal.correlate(np.ones((height, width)), np.sum(then**2, axis=0))[near], 0.25 * strength)
    match = both / np.sqrt(in_view * strength)
    noise = _calm(now) / np.sqrt(strength) if _calm(now) < NOISIEST else np.inf
    y, x = (int(place) for place in np.unravel_index(int(match.argmax()), match.shape))
    if match[y, x] < match[reach_y, reach_x] + 3.0 * noise:
        y, x = reach_y, reach_x
    return (x - reach_x) / size_x, (y - reach_y) / size_y, float(both[y, x] / in_view[y, x]), noise


def _calm(slopes: Floats) -> float:
    """Return the noise of slopes, from the middle of the target where there are few edges; 0 where there is none."""
    middle = slopes[:, _middle(slopes.shape[1]), _middle(slopes.shape[2])]
    return 1.4826 * float(np.median(np.abs(middle))) if middle.size else 0.0


def _slopes(surround: Floats) -> Floats:
    """Return the differences of neighbouring bins (2, m - 1, n - 1), down and across, the slow gradient taken off.

    A little smoothing lets an edge between two bins meet itself when it has moved by half a bin.
    """
    smooth = ndimage.gaussian_filter(surround, 0.7, mode="nearest")
    slopes = np.stack([np.diff(smooth, axis=0)[:, :-1], np.diff(smooth, axis=1)[:-1]])
    return np.asarray(slopes - np.median(slopes, axis=(1, 2), keepdims=True))
