"""The grey target: found without a click in a locked-off series, or given by hand, and its place in pixels."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy  # its parts are imported when they are first named, so that a process that measures needs none
from numpy.typing import NDArray

from greystep.arrays import Booleans, Floats
from greystep.errors import GreystepError

Box = tuple[float, float, float, float]  # x0, y0, x1, y1 as fractions of the visible frame, origin top left

#: Longest side of the measured area [pixels]. The contract's ruling on pixels.
LONGEST_PX: Final = 512
#: Share of the target's side that is left out at each edge: penumbra, burrs, and small movements.
INSET: Final = 0.12
#: Contrast (natural log) over two overview pixels that is an edge: plain ones first, then faint ones.
EDGE_CONTRASTS: Final = (0.03, 0.015)
#: Frames that the search looks at, spread over the series.
FRAMES_LOOKED_AT: Final = 24
#: An area whose pixels differ by more than this from their neighbourhood (median, natural log) is texture or noise.
ROUGH: Final = 0.1
#: Red and blue against green that cameras answer to a grey in flash light; common practice, no source. A mild hint.
USUAL_NEUTRAL: Final = (0.55, 0.65)
#: A pixel of an overview has reached the white level from here on, in its brightest colour.
OVER: Final = 0.98
#: An even area of less than this share of the frame is a piece of texture rather than a card beside white goods; own.
SMALLEST: Final = 0.001
#: A target that has moved has its size in both directions to this share, or to two pixels of an overview; own.
SAME_SIZE: Final = 0.15
#: A card over the range stands out from pixels below this share of it, a soft highlight does not; own, no source.
BELOW_OVER: Final = 0.8
#: Area over the root of the determinant of its points' covariance: 12 of any rectangle, 4 pi of an ellipse, 10.4 of a
#: triangle, less of what has arms or holes (closed forms); cards seen askew lie within these.
RECTANGLE: Final = (11.3, 12.4)
#: So many even areas of like size, within five sizes of each other, are a colour chart (or a texture), not targets.
CHART_PATCHES: Final = 8


@dataclass(frozen=True)
class Target:
    """Where the grey target stands.

    Attributes:
        box: Its extent: as found (of a rotated target an upright box within it), or as given.
        patch: What is measured: inset from the box where it was found, the box itself where it was given.
    """

    box: Box
    patch: Box
    found: bool


@dataclass(frozen=True)
class Area:
    """An even area of the scene: an upright box in overview pixels and what speaks for its being the target."""

    y0: int
    y1: int
    x0: int
    x1: int
    sides: int  # sides of the frame that the even area reaches
    colour: Floats  # median camera RGB
    spread: float  # of the light over it, largest against smallest [natural log]


def find_target(overviews: Sequence[NDArray[Any]], has_card: bool = True) -> Target | None:
    """Find the grey target in the flash frames of one locked-off camera.

    The target is the largest even, near-neutral area that stands in the same place in the frames. An area that does
    not reach the frame's edge is preferred to one that leaves the frame, the patches of a colour chart come after
    both, and what reaches three edges is taken for a background unless there is nothing else. Dark areas are left out.
    Where nothing stands out that a grey could be, an outlined rectangle over the range is the card.

    Args:
        overviews: Sequence of (h, w, 3) arrays. Linear camera RGB above black, 1 at the white level, at any flash
            power.
        has_card: There is a target in the frames; without that, what is over the range is none.

    Returns: None where the frames show no even area at all, or there are no frames.
    """
    scene, steady, over = common_scene(overviews)
    if scene is None:
        return None
    best: tuple[int, float, Area] | None = None
    for contrast in EDGE_CONTRASTS:
        for tier, score, area in ranked(even_areas(scene, steady, contrast)):
            if best is None or tier < best[0] or (tier == best[0] and score > 1.5 * best[1]):
                best = tier, score, area
        if best is not None and best[0] == 0:
            break
    found = (best[2].y0, best[2].y1, best[2].x0, best[2].x1) if best is not None else None
    card = _card_over_range(scene, over) if has_card and over.any() else None
    if card is not None:
        size = (card[1] - card[0]) * (card[3] - card[2])
        grey = best is not None and best[0] == 0 and best[1] > SMALLEST * over.size and may_be_grey(best[2])
        if best is None or best[0] == 3 or (not grey and size > 2.0 * best[1]):
            found = card
    return None if found is None else target_at(*found, *scene.shape[:2])


def target_at(y0: int, y1: int, x0: int, x1: int, height: int, width: int) -> Target:
    """Return the target whose edges are given in pixels of an overview."""
    inset_y, inset_x = max(1.0, INSET * (y1 - y0)), max(1.0, INSET * (x1 - x0))
    return Target(
        box=(x0 / width, y0 / height, x1 / width, y1 / height),
        patch=((x0 + inset_x) / width, (y0 + inset_y) / height, (x1 - inset_x) / width, (y1 - inset_y) / height),
        found=True,
    )


def may_be_grey(area: Area) -> bool:
    """Say whether a camera may answer so to a grey in flash light: within a stop of the usual, red and blue alike."""
    return bool(np.all(np.abs(np.log2(area.colour[[0, 2]] / area.colour[1] / USUAL_NEUTRAL)) < 1.0))


def _card_over_range(scene: Floats, over: Booleans) -> tuple[int, int, int, int] | None:
    """Return y0, y1, x0, x1 of the largest outlined rectangle that is over the range, the frame's edges not reached.

    Args:
        scene: (h, w, 3) array.
        over: (h, w) array. Where most frames have reached the white level in some colour.
    """
    height, width = over.shape
    filled = scipy.ndimage.binary_fill_holes(scipy.ndimage.median_filter(over, size=3))
    marks, count = scipy.ndimage.label(filled)
    level = scene.max(axis=2) / np.median(scene.max(axis=2)[over])
    best: tuple[int, tuple[int, int, int, int]] | None = None
    for number in range(1, count + 1):
        mask = marks == number
        points = np.argwhere(mask)
        low, high = points.min(axis=0), points.max(axis=0)
        if min(high - low) < max(3, width // 64) or min(low) < 2 or high[0] > height - 3 or high[1] > width - 3:
            continue
        spread = float(np.sqrt(np.linalg.det(np.cov(points.T))))
        near, far = (scipy.ndimage.binary_dilation(mask, iterations=steps) for steps in (1, 3))
        outlined = float(np.median(level[far & ~near])) < BELOW_OVER
        if not (outlined and RECTANGLE[0] < len(points) / spread < RECTANGLE[1]):
            continue
        depth = scipy.ndimage.distance_transform_cdt(np.pad(mask, 1))[1:-1, 1:-1]
        y, x = (int(place) for place in np.unravel_index(int(depth.argmax()), depth.shape))
        half = int(depth.max()) - 1
        box = _grown(~mask, y - half, y + half + 1, x - half, x + half + 1)
        size = (box[1] - box[0]) * (box[3] - box[2])
        if best is None or size > best[0]:
            best = size, box
    return best[1] if best is not None else None


def find_again(overview: NDArray[Any], target: Target) -> Target | None:
    """Find the target of a series elsewhere in one frame: an even grey of its size, whole.

    Args:
        overview: (h, w, 3) array. Of the frame, see `find_target`.
        target: As it stands in the other frames.
    """
    scene, steady, _ = common_scene([overview])
    if scene is None:
        return None
    height, width = scene.shape[:2]
    sides = (target.box[3] - target.box[1]) * height, (target.box[2] - target.box[0]) * width
    found: list[tuple[float, Area]] = []
    for contrast in EDGE_CONTRASTS:
        for _, score, area in ranked(even_areas(scene, steady, contrast)):
            own = area.y1 - area.y0, area.x1 - area.x0
            alike = all(abs(one - other) <= max(2.0, SAME_SIZE * other) for one, other in zip(own, sides, strict=True))
            if alike and area.sides == 0 and score > own[0] * own[1] / 2.0:
                found.append((score, area))
    if not found:
        return None
    area = max(found, key=lambda entry: entry[0])[1]
    return target_at(area.y0, area.y1, area.x0, area.x1, height, width)


def fixed_target(box: Box) -> Target:
    """Return the target that a person has given: it is measured as it stands.

    Raises:
        GreystepError: If the four fractions do not make a box within the frame.
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

    Args:
        height, width: Of the visible frame [pixels].
        pattern_shape: Tuple of 2 ints. The filter pattern's period [pixels].
    """
    x0, y0, x1, y1 = box
    top, bottom = pixel_span(y0, y1, height, pattern_shape[0], LONGEST_PX)
    left, right = pixel_span(x0, x1, width, pattern_shape[1], LONGEST_PX)
    return top, bottom, left, right


def pixel_span(start: float, end: float, size: int, period: int, longest: int) -> tuple[int, int]:
    """Round a span's ends to pixels, narrow it to whole periods, and cut it about its middle to `longest` pixels.

    `start` and `end` are fractions of `size`; the pattern's `period` and `longest` are pixels, as is what is returned.
    """
    first, last = -(-round(start * size) // period) * period, round(end * size) // period * period
    if last - first < period:
        first = min(max(0, round((start + end) / 2 * size) // period * period), (size // period - 1) * period)
        last = first + period
    spare = (last - first - longest // period * period) // period
    if spare > 0:
        first += spare // 2 * period
        last = first + longest // period * period
    return first, last


def common_scene(overviews: Sequence[NDArray[Any]]) -> tuple[Floats | None, Booleans, Booleans]:
    """Return the scene that the frames share, where most of them agree with it, and where most are over the range.

    The brightest tenth of the scene is about 1. What is over the range is left out of what agrees.
    """
    nothing = None, np.zeros((0, 0), dtype=np.bool_), np.zeros((0, 0), dtype=np.bool_)
    shapes = [overview.shape for overview in overviews]
    if not shapes:
        return nothing
    usual = max(set(shapes), key=shapes.count)
    frames = [np.asarray(overview, dtype=np.float64) for overview in overviews if overview.shape == usual]
    levels = [float(np.percentile(frame[..., 1], 90)) for frame in frames]
    clipped = [float(np.mean(frame.max(axis=2) >= OVER)) for frame in frames]
    lit = [i for i, level in enumerate(levels) if level > max(0.002, max(levels) / 64)]
    bright = [i for i in lit if clipped[i] < 0.2] or lit
    if len([i for i in bright if levels[i] > max(levels) / 8]) >= 3:
        bright = [i for i in bright if levels[i] > max(levels) / 8]
    if not bright:
        return nothing
    chosen = [bright[i] for i in np.unique(np.linspace(0, len(bright) - 1, FRAMES_LOOKED_AT).astype(int))]
    stack = np.stack([frames[i] / levels[i] for i in chosen])
    scene = np.median(stack, axis=0)
    smooth = scipy.ndimage.uniform_filter(stack[..., 1], size=(0, 3, 3)) + 0.02
    middle = np.median(smooth, axis=0)
    agree = np.mean(np.abs(smooth / middle - 1.0) < 0.25, axis=0) >= 0.7
    over = np.mean([frames[i].max(axis=2) >= OVER for i in chosen], axis=0) > 0.5
    return scene, agree & ~over if (agree & ~over).any() else agree, over


def even_areas(scene: Floats, steady: Booleans, contrast: float) -> list[Area]:
    """Divide the scene along its edges of brightness and colour; return the largest upright box of each even area."""
    height, width = scene.shape[:2]
    floor = np.maximum(scene, 0.0) + 0.03
    green = np.log(floor[..., 1])
    edges = ~steady
    for layer in (green, np.log(floor[..., 0]) - green, np.log(floor[..., 2]) - green):
        calm = scipy.ndimage.gaussian_filter(scipy.ndimage.median_filter(layer, size=3), 0.8, mode="nearest")
        for axis in (0, 1):
            step = np.abs(scipy.ndimage.correlate1d(calm, [-1.0, 0.0, 1.0], axis=axis))
            # The calm third of a normal distribution's differences ends at 0.385 of its standard deviation.
            edges |= step > max(contrast, 5.0 * float(np.percentile(step, 30)) / 0.385)
    marks, _ = scipy.ndimage.label(edges, structure=np.ones((3, 3)))
    for place in scipy.ndimage.find_objects(marks):
        if all(part.stop - part.start <= 5 for part in place):  # dust, no outline
            edges[place] = False
    depth = scipy.ndimage.distance_transform_cdt(np.pad(~edges, 1))[1:-1, 1:-1]
    regions, _ = scipy.ndimage.label(depth >= 2, structure=np.ones((3, 3)))
    areas = []
    for number, place in enumerate(scipy.ndimage.find_objects(regions), start=1):
        within = np.where(regions[place] == number, depth[place], 0)
        y, x = np.unravel_index(int(within.argmax()), within.shape)
        half = int(within.max()) - 1
        middle = int(y) + place[0].start, int(x) + place[1].start
        y0, y1, x0, x1 = _grown(edges, middle[0] - half, middle[0] + half + 1, middle[1] - half, middle[1] + half + 1)
        if min(y1 - y0, x1 - x0) < max(4, width // 64):
            continue
        sides = sum((place[0].start <= 2, place[0].stop >= height - 2, place[1].start <= 2, place[1].stop >= width - 2))
        inner = np.maximum(scene[y0:y1, x0:x1], 1e-6)
        light = scipy.ndimage.uniform_filter(np.log(scipy.ndimage.median_filter(inner[..., 1], size=3)))
        if float(np.median(np.abs(np.log(inner[..., 1]) - light))) > ROUGH:
            continue
        areas.append(
            Area(
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


def _grown(edges: Booleans, y0: int, y1: int, x0: int, x1: int) -> tuple[int, int, int, int]:
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


def ranked(areas: list[Area]) -> list[tuple[int, float, Area]]:
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
