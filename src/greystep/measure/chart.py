"""A 24-patch colour chart in a frame: its colours under a light, where it stands, and the signal of each patch.

The grid has 4 rows of 6 patches. Its coordinates run from (0, 0) at the centre of dark skin to (5, 3) at that of black;
its corners are the outer corners of the four corner patches, clockwise from that of dark skin.
"""

from collections.abc import Iterator
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, ndimage, spatial

from greystep.arrays import Booleans, Floats
from greystep.errors import GreystepError
from greystep.measure import chromaticity, locus
from greystep.measure.camera import smooth_light
from greystep.measure.patch import PatchSignal, measure_patch
from greystep.measure.target import pixel_box
from greystep.raw.frame import Frame, read_region
from greystep.raw.overview import overview

PATCH_ROWS: Final = 4
PATCH_COLUMNS: Final = 6
#: The greys by number, white to black.
GREYS: Final = tuple(range(18, 24))
#: Side of a patch over the distance of two patches' centres; common practice, no source.
FILL: Final = 0.86
#: Share of a patch's half side that is measured: its edges are left out.
INNER: Final = 0.6
#: Below this luminance factor the fit's weight rises no more: darker patches are glare and noise before colour.
DARK: Final = 0.02
#: Longest sides of the picture in which the chart is looked for [pixels].
LOOKED_AT: Final = (1024, 512, 256)
#: Largest misfit of the sampled colours of what is taken for a chart, in cube roots of the white's signal.
#: Measured on a real frame in warm mixed light: the chart 0.03 to 0.04, every wrong place 0.34 and more.
LARGEST_MISFIT: Final = 0.15
#: White of the colours by which a chart is recognised; a 3x3 matrix takes up the light's own colour.
_ANY_LIGHT: Final = (5000.0, 0.0)
#: Share of the picture that is calm enough to be inside a patch, tried in turn.
_CALM: Final = (0.4, 0.55, 0.7, 0.8, 0.88, 0.94)
_FEWEST_FOUND: Final = 10


def chart_colours(cct: float, duv: float) -> tuple[Floats, Floats]:
    """Return XYZ (24, 3) of the patches under the smooth light of a CCT [K] and Duv, and its white (3,) with Y = 1."""
    nm, functions = locus.observer()
    _, known, factors = chromaticity.chart_reflectances()
    held = np.clip(nm, known[0], known[-1])
    reflectances = interpolate.CubicSpline(known, factors, axis=1)(held)
    lit = smooth_light(cct, duv)[:, None] * functions
    return np.asarray(reflectances @ lit), np.asarray(lit.sum(axis=0))


def fit_weights(xyz: Floats) -> Floats:
    """Return the weight (n,) of each patch: the slope of the cube root, so that equal weights look equally wrong."""
    return np.asarray(np.maximum(xyz[:, 1], DARK) ** (-2.0 / 3.0))


def find_chart(frame: Frame) -> Floats | None:
    """Find the chart in a frame, at any turn and in mild perspective.

    Even areas of like size that stand in a lattice are extended to a grid, and every 6 by 4 places of it are tried in
    both directions: it is the chart where one 3x3 matrix from the chart's known colours explains all the sampled ones.

    Returns: array (4, 2) or None: The corners as fractions of the frame; None where no 24 places answer like the chart.
    """
    picture = overview(frame, LOOKED_AT[0]).astype(np.float64)
    known, _ = chart_colours(*_ANY_LIGHT)
    for longest in LOOKED_AT:
        small = _binned(picture, max(1, round(max(picture.shape) / longest)))
        found = max(_grids(small, known), key=lambda grid: grid[:2], default=None)
        if found is not None:
            return np.asarray((found[2] + 0.5) / (small.shape[1], small.shape[0]))
    return None


def turned_corners(frame: Frame, corners: Floats) -> tuple[Floats, int]:
    """Return given corners (4, 2) in the order that the colours ask for, and by how many places they were turned.

    Raises:
        GreystepError: If they do not go round clockwise, or no order of them shows a chart.
    """
    sides = np.roll(corners, -1, axis=0) - corners
    turn = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if not ((turn > 1e-6).all() and (corners >= 0).all() and (corners <= 1).all()):
        raise GreystepError(
            f"corners {np.round(corners, 3).tolist()}: they do not go round an area of the frame clockwise; give the"
            " outer corners of the four corner patches from dark skin clockwise, as fractions of the frame"
        )
    picture = overview(frame, LOOKED_AT[0]).astype(np.float64)
    known, _ = chart_colours(*_ANY_LIGHT)
    misfits = []
    for places in range(4):
        centres = _project(_from_corners(np.roll(corners, -places, axis=0)), _grid())
        misfits.append(_misfit(_sampled(picture, centres * (picture.shape[1], picture.shape[0]) - 0.5), known))
    best = int(np.argmin(misfits))
    if not misfits[best] < LARGEST_MISFIT:
        raise GreystepError(
            f"{frame.path.name}: no 24-patch colour chart between these corners; one matrix leaves"
            f" {100.0 * misfits[best]:.0f} % of the white, a chart less than {100.0 * LARGEST_MISFIT:.0f} %;"
            " give the outer corners of the four corner patches from dark skin clockwise"
        )
    return np.roll(corners, -best, axis=0), best


def measure_chart(frame: Frame, corners: Floats) -> list[PatchSignal]:
    """Measure the 24 patches of a chart with the given corners (4, 2): of each an upright box within its middle."""
    shape = np.array([frame.width, frame.height], np.float64)
    to_frame = _from_corners(corners)
    centres = _project(to_frame, _grid()) * shape
    reach = 0.5 * FILL * INNER
    signals = []
    for centre, place in zip(centres, _grid(), strict=True):
        along = np.array([_project(to_frame, place + step)[0] * shape - centre for step in reach * np.eye(2)]).T
        # The largest half side of an upright square within the parallelogram of the two half sides.
        half = 1.0 / np.abs(np.linalg.inv(along)).sum(axis=1).max()
        (x0, y0), (x1, y1) = np.clip((centre - half) / shape, 0, 1), np.clip((centre + half) / shape, 0, 1)
        box = pixel_box((x0, y0, x1, y1), frame.height, frame.width, frame.pattern.shape)
        signals.append(measure_patch(read_region(frame, *box), frame.white))
    return signals


def _grids(picture: Floats, known: Floats) -> Iterator[tuple[int, float, Floats]]:
    """Yield what in a small picture could be the chart: its areas' number, minus the misfit, corners (4, 2) [pixels].

    The more of its areas were seen, the better its place is known.
    """
    level = np.maximum(np.percentile(picture, 99, axis=(0, 1)), 1e-6)
    layers = np.sqrt(np.clip(picture / level, 0.0, 4.0))  # the root makes photon noise alike everywhere
    edge = np.hypot.reduce([ndimage.gaussian_gradient_magnitude(layers[..., c], 1.0) for c in range(3)])
    smooth = ndimage.gaussian_filter(picture, (1.0, 1.0, 0.0))
    smooth[ndimage.maximum_filter(picture.max(axis=2), 3) >= 0.98] = np.nan
    for threshold in np.quantile(edge, _CALM):
        centres, sizes = _even_areas(edge < threshold)
        for nodes in _lattices(centres, sizes):
            yield from _placed(np.array(list(nodes)), centres[list(nodes.values())], smooth, known)


def _even_areas(calm: Booleans) -> tuple[Floats, Floats]:
    """Return centres (n, 2) as x, y and sides (n,) [pixels] of the calm areas that could be patches."""
    marks, count = ndimage.label(calm)
    where = marks.ravel()
    y, x = (axis.ravel().astype(np.float64) for axis in np.indices(calm.shape))
    area = np.bincount(where, minlength=count + 1)
    usable = (area >= 12) & (area < calm.size / 40)  # what is not calm, the first, is more of it: see _CALM

    def mean(values: Floats) -> Floats:
        return np.bincount(where, values, count + 1)[usable] / area[usable]

    mx, my = mean(x), mean(y)
    xx, yy, xy = mean(x * x) - mx**2 + 1 / 12, mean(y * y) - my**2 + 1 / 12, mean(x * y) - mx * my
    root = np.sqrt(np.maximum(xx * yy - xy**2, 1e-9))
    # A parallelogram has the area 12 sqrt(det covariance), whatever its shape (closed form); a ragged area has less.
    filled = area[usable] / (12.0 * root)
    stretch = (xx + yy) / 2.0 / root  # 1 for a square, 1.25 for sides of 1 to 2
    likely = (filled > 0.8) & (stretch < 1.4)
    return np.stack([mx, my], axis=1)[likely], np.sqrt(area[usable][likely].astype(np.float64))


def _lattices(centres: Floats, sizes: Floats) -> Iterator[dict[tuple[int, int], int]]:
    """Yield lattices: (column, row) to the number of an area, at least ten of them."""
    if len(centres) < _FEWEST_FOUND:
        return
    tree = spatial.cKDTree(centres)
    seen: set[int] = set()
    for seed in range(len(centres)):
        if seed in seen:
            continue
        basis = _basis(tree, centres, sizes, seed)
        if basis is None:
            continue
        nodes = _grown(tree, centres, sizes, seed, basis)
        if len(nodes) >= _FEWEST_FOUND:
            seen.update(nodes.values())
            yield nodes


def _basis(tree: Any, centres: Floats, sizes: Floats, seed: int) -> Floats | None:
    """Return the steps (2, 2) from an area to its two nearest like neighbours at about a right angle."""
    near = [i for i in tree.query_ball_point(centres[seed], 2.5 * sizes[seed] + 6.0) if i != seed]
    near = [i for i in near if 0.6 < sizes[i] / sizes[seed] < 1.6]
    steps = sorted((centres[i] - centres[seed] for i in near), key=lambda step: float(np.hypot(*step)))
    for second in range(1, len(steps)):
        for first in range(second):
            a, b = steps[first], steps[second]
            long_a, long_b = np.hypot(*a), np.hypot(*b)
            if abs(a @ b) < 0.5 * long_a * long_b and long_b < 1.6 * long_a and long_a > sizes[seed]:
                return np.array([a, b] if a[0] * b[1] > a[1] * b[0] else [b, a])
    return None


def _grown(tree: Any, centres: Floats, sizes: Floats, seed: int, basis: Floats) -> dict[tuple[int, int], int]:
    """Extend a lattice from one area, step by step, each step as the last one in its direction."""
    nodes, steps, queue = {(0, 0): seed}, {(0, 0): basis}, [(0, 0)]
    while queue:
        node = queue.pop(0)
        here = centres[nodes[node]]
        for axis, sign in product((0, 1), (1, -1)):
            place = (node[0] + sign, node[1]) if axis == 0 else (node[0], node[1] + sign)
            if place in nodes or max(map(abs, place)) > 12:
                continue
            step = sign * steps[node][axis]
            away, found = tree.query(here + step)
            alike = 0.6 < sizes[found] / sizes[seed] < 1.6
            if away < 0.2 * np.hypot(*step) and alike and found not in nodes.values():
                nodes[place] = int(found)
                steps[place] = steps[node].copy()
                steps[place][axis] = sign * (centres[found] - here)
                queue.append(place)
    return nodes


def _placed(
    nodes: NDArray[np.int64], centres: Floats, smooth: Floats, known: Floats
) -> Iterator[tuple[int, float, Floats]]:
    """Try every place of a chart on a lattice; yield those that could be it, as `_grids` does."""
    low, high = nodes.min(axis=0) - 3, nodes.max(axis=0) + 3
    if min(np.ptp(nodes, axis=0)) < 1:
        return
    places = np.stack(np.meshgrid(*(np.arange(a, b + 1) for a, b in zip(low, high, strict=True))), axis=-1)
    spots = _project(_homography(nodes, centres), places.reshape(-1, 2))
    colours = _sampled(smooth, spots).reshape(*places.shape[:2], 3)
    taken = {tuple(node): centre for node, centre in zip(nodes.tolist(), centres, strict=True)}
    for turns in range(4):
        rows, columns = (PATCH_ROWS, PATCH_COLUMNS) if turns % 2 == 0 else (PATCH_COLUMNS, PATCH_ROWS)
        for top, left in product(range(places.shape[0] - rows + 1), range(places.shape[1] - columns + 1)):
            window = (slice(top, top + rows), slice(left, left + columns))
            misfit = _misfit(np.rot90(colours[window], turns).reshape(-1, 3), known)
            if misfit >= LARGEST_MISFIT:
                continue
            spot = [tuple(place) for place in np.rot90(places[window], turns).reshape(-1, 2).tolist()]
            own = [i for i, place in enumerate(spot) if place in taken]
            if len(own) >= _FEWEST_FOUND:
                to_picture = _homography(_grid()[own], np.array([taken[spot[i]] for i in own]))
                yield len(own), -misfit, _project(to_picture, _corner_places())


def _misfit(rgb: Floats, known: Floats) -> float:
    """Return what the best 3x3 from the chart's colours (24, 3) leaves of sampled ones, NaN where clipped."""
    usable = np.isfinite(rgb).all(axis=1)
    top = rgb[usable].max(axis=0) if usable.sum() >= 18 else np.zeros(3)
    if not (top > 0).all():
        return float("inf")
    weight = fit_weights(known)[usable, None]
    right = weight * rgb[usable] / top
    left = weight * known[usable]
    rest = right - left @ np.linalg.lstsq(left, right, rcond=None)[0]
    return float(np.sqrt(np.mean(rest**2)))


def _sampled(picture: Floats, spots: Floats) -> Floats:
    """Return the picture's colour (n, 3) at spots (n, 2) x, y [pixels]; NaN outside it."""
    x, y = spots.T
    inside = (x >= 0) & (y >= 0) & (x <= picture.shape[1] - 1) & (y <= picture.shape[0] - 1)
    nearest = np.rint(np.where(inside, spots.T, 0.0)).astype(np.int64)
    return np.where(inside[:, None], picture[nearest[1], nearest[0]], np.nan)


def _binned(picture: Floats, factor: int) -> Floats:
    height, width = (side // factor * factor for side in picture.shape[:2])
    cells = picture[:height, :width].reshape(height // factor, factor, width // factor, factor, 3)
    return np.asarray(cells.mean(axis=(1, 3)))


def _grid() -> Floats:
    """Return the grid coordinates (24, 2) of the patches' centres, column and row."""
    return np.array([(column, row) for row in range(PATCH_ROWS) for column in range(PATCH_COLUMNS)], np.float64)


def _corner_places() -> Floats:
    low, right, bottom = -FILL / 2, PATCH_COLUMNS - 1 + FILL / 2, PATCH_ROWS - 1 + FILL / 2
    return np.array([(low, low), (right, low), (right, bottom), (low, bottom)])


def _from_corners(corners: Floats) -> Floats:
    return _homography(_corner_places(), corners)


def _homography(source: NDArray[Any], target: Floats) -> Floats:
    """Return the projective map (3, 3) that takes points (n, 2) nearest to others, four pairs or more."""
    scale = [np.diag([1.0 / points.std(), 1.0 / points.std(), 1.0]) for points in (source, target)]
    for matrix, points in zip(scale, (source, target), strict=True):
        matrix[:2, 2] = -points.mean(axis=0) * matrix[0, 0]
    (x, y), (u, v) = _project(scale[0], source).T, _project(scale[1], target).T
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = [[x, y, one, none, none, none, -u * x, -u * y, -u], [none, none, none, x, y, one, -v * x, -v * y, -v]]
    equations = np.array(rows).transpose(0, 2, 1).reshape(-1, 9)
    found = np.linalg.svd(equations)[2][-1].reshape(3, 3)
    return np.asarray(np.linalg.inv(scale[1]) @ found @ scale[0])


def _project(matrix: Floats, points: NDArray[Any]) -> Floats:
    """Map points (n, 2) or one point (2,) by a projective matrix; the result is always (n, 2)."""
    flat = np.atleast_2d(np.asarray(points, np.float64))
    mapped = np.c_[flat, np.ones(len(flat))] @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])
