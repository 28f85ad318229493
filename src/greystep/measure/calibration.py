"""A camera's matrix from a frame of a 24-patch colour chart, with what it leaves unexplained: ``camera.json``."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any, Final

import numpy as np
import scipy  # its parts are imported when they are first named: that takes half of the start

from greystep.arrays import Booleans, Floats, jackknife_sd
from greystep.constants import LIGHT_SOURCE_K
from greystep.documents import document_of
from greystep.errors import GreystepError
from greystep.measure import chart, chromaticity
from greystep.measure.camera import USUAL_FLASH, WORST_CONDITION, neutral_to_xy
from greystep.measure.patch import CLIPPED_PCT, PatchSignal
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import body_label, read_exposure
from greystep.raw.frame import open_frame

#: With fewer patches, or fewer greys, there is no fit.
FEWEST_PATCHES: Final = 18
FEWEST_GREYS: Final = 3
#: Largest plausible median of the residuals [delta E 2000]; a real frame in poor light left 1.2. No source.
LARGEST_MEDIAN: Final = 4.0
#: A further correction is made only where it lowers the error of left-out patches by this share, and by more than this.
WORTH: Final = (0.05, 0.05)
#: Below this share of the range the white patch is called dark.
DARK_WHITE: Final = 0.2
#: Illuminants that a matrix is filed under, where its light is this near [mired].
_FILED_UNDER: Final = (4, 17, 24, 23, 21, 22)
_NEAR_MIRED: Final = 15.0
#: Difference of two lights at which the matrix's own uncertainty is given [mired].
_DIFFERENCE_MIRED: Final = 10.0


@dataclass(frozen=True, eq=False)
class Fit:
    """What explains the chart's signals: ``signal = shade * (matrix @ xyz + offset)``.

    Attributes:
        matrix: Array (3, 3). XYZ (white Y = 1) to camera RGB above black [counts].
        offset: Array (3,). Glare, and what the file's black level is wrong by [counts].
        shade: Array (24, 3). The light on each patch against that on the middle of the chart.
        terms: Tuple of 2. Planes of light that were fitted (0, 1 common to all channels, 3 one each), and whether an
            offset was.
    """

    matrix: Floats
    offset: Floats
    shade: Floats
    terms: tuple[int, bool]


@dataclass(frozen=True, eq=False)
class Calibration:
    """A camera's matrix and everything that its file says of it.

    Attributes:
        corners: Array (4, 2). Of the chart, fractions of the visible frame, clockwise from dark skin.
        light: Tuple of 2 floats. CCT [K] and Duv of the light that the fit takes for true.
        light_from: ``given``, ``file`` (the greys through the file's own matrix) or ``assumed``.
        own_light: Tuple of 2 floats or None. CCT and Duv that the file's own matrix reads off the greys; None without
            one.
        delta_e, delta_uv, left_out: Arrays (24,). Delta E 2000 and distance in u'v' of each patch, and the former with
            this patch left out of the fit.
        u_difference_mired: Half-width of the 95 % interval of a difference of 10 mired, from leaving out each patch in
            turn.
    """

    frame: str
    body: str
    corners: Floats
    found: bool
    light: tuple[float, float]
    light_from: str
    own_light: tuple[float, float] | None
    fit: Fit
    names: tuple[str, ...]
    excluded: dict[int, str]
    delta_e: Floats
    delta_uv: Floats
    left_out: Floats
    u_difference_mired: float
    notes: tuple[str, ...]

    @property
    def used(self) -> Booleans:
        """Which of the 24 patches were fitted."""
        return np.array([number not in self.excluded for number in range(len(self.names))])

    @property
    def worst_patch(self) -> str:
        """The patch that the fit explains worst, of those that were fitted."""
        return self.names[int(np.argmax(np.where(self.used, self.delta_e, -np.inf)))]

    @property
    def light_over_chart_pct(self) -> Floats:
        """How uneven the light on the chart is, a value a channel [%]."""
        return np.asarray(100.0 * (self.fit.shade.max(axis=0) / self.fit.shade.min(axis=0) - 1.0))


def calibrate(path: Path, corners: Floats | None = None, light: tuple[float, float] | None = None) -> Calibration:
    """Fit a camera's matrix to a frame of a 24-patch colour chart under one light.

    Args:
        corners: Array (4, 2) or None. Outer corners of the four corner patches, fractions of the visible frame,
            clockwise from dark skin; None to find the chart.
        light: Tuple of 2 floats or None. CCT [K] and Duv of the light; None to take what the file's own matrix reads
            off the greys, else a usual flash.

    Raises:
        GreystepError: Where no chart is found, too many patches are clipped, or the fit leaves too much; as
            `FrameError` where the file cannot be read.
    """
    frame = open_frame(path)
    notes = []
    if corners is None:
        place = chart.find_chart(frame)
        if place is None:
            raise GreystepError(
                f"{path.name}: no 24-patch colour chart found; give its place with --corners: the outer corners of the"
                " four corner patches from dark skin clockwise, as fractions of the frame"
            )
    else:
        place, turned = chart.turned_corners(frame, corners)
        if turned:
            notes.append(f"the corners were taken from number {turned + 1} on: there the colours put dark skin")
    signals = chart.measure_chart(frame, place)
    names = chromaticity.chart_reflectances()[0]
    rgb = np.array([signal.mean for signal in signals])
    used, excluded = _usable(path.name, signals, names)
    own = _own_light(frame.colour, rgb, used)
    true_light, light_from = (light, "given") if light else (own, "file") if own else (USUAL_FLASH, "assumed")
    xyz, white = chart.chart_colours(*true_light)
    fit, left_out = best_fit(rgb, xyz, white, used)
    seen = patch_xyz(fit, rgb)
    residuals = chromaticity.delta_e_2000(seen, xyz, white)
    uv = chromaticity.xyz_to_upvp(seen) - chromaticity.xyz_to_upvp(xyz)
    _check(path.name, fit, residuals, used, names)
    if frame.opcodes:
        notes.append("the file asks for pixel corrections that are not applied here")
    bright = signals[chart.GREYS[0]]
    level = max(m / (w - b) for m, w, b in zip(bright.mean, bright.white, bright.black, strict=True))
    if level < DARK_WHITE:
        notes.append(f"the white patch reaches {100 * level:.0f} % of the range; expose it to 60-80 % for less noise")
    return Calibration(
        frame=path.name,
        body=body_label(read_exposure(path)),
        corners=place,
        found=corners is None,
        light=true_light,
        light_from=light_from,
        own_light=own,
        fit=fit,
        names=names,
        excluded=excluded,
        delta_e=residuals,
        delta_uv=np.hypot(uv[:, 0], uv[:, 1]),
        left_out=left_out,
        u_difference_mired=_difference_uncertainty(fit, rgb, xyz, used, true_light),
        notes=tuple(notes),
    )


def fit_matrix(rgb: Floats, xyz: Floats, used: Booleans, terms: tuple[int, bool] = (0, False)) -> Fit:
    """Fit the matrix to patches of known colour: weighted least squares, the sum of the greys kept exactly.

    Args:
        rgb, xyz: Arrays (24, 3). Camera RGB above black, and XYZ with the white of the light at Y = 1.
        used: Array (24,) of bool. Patches to fit.
        terms: Tuple of 2. As in `Fit`. The planes of light run over the chart as its logarithm.
    """
    planes, offset = terms
    greys = [i for i in chart.GREYS if used[i]]
    scale = rgb[greys].sum(axis=0) / xyz[greys, 1].sum()
    inputs = np.c_[xyz, np.ones(len(xyz))] if offset else xyz
    weight = chart.fit_weights(xyz)[:, None]
    column, row = np.meshgrid(np.linspace(-1, 1, chart.PATCH_COLUMNS), np.linspace(-1, 1, chart.PATCH_ROWS))
    places = np.stack([column.ravel(), row.ravel()], axis=1)
    anchor = inputs[greys].sum(axis=0)
    free = np.linalg.svd(anchor[None])[2][1:].T  # the directions that leave the greys' sum alone

    def solved(slopes: Floats) -> tuple[Floats, Floats, Floats]:
        shade = np.exp(places @ slopes.reshape(2, planes)) if planes else np.ones((1, 1))
        shade = np.broadcast_to(shade, rgb.shape)
        wanted = rgb / scale / shade
        fixed = np.outer(anchor, wanted[greys].sum(axis=0)) / (anchor @ anchor)
        left, right = weight * (inputs @ free), weight * (wanted - inputs @ fixed)
        found = fixed + free @ np.linalg.lstsq(left[used], right[used], rcond=None)[0]
        return found, shade, (weight * (wanted - inputs @ found))[used].ravel()

    def left_over(slopes: Floats) -> Floats:
        return solved(slopes)[2]

    slopes = np.zeros(2 * planes)
    if planes:
        slopes = scipy.optimize.least_squares(left_over, slopes, xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    found, shade, _ = solved(slopes)
    found = found * scale
    return Fit(found[:3].T, found[3] if offset else np.zeros(3), shade, terms)


def best_fit(rgb: Floats, xyz: Floats, white: Floats, used: Booleans) -> tuple[Fit, Floats]:
    """Return the simplest fit that predicts left-out patches as well as any other, and delta E 2000 (24,) of those.

    Uneven light and glare are corrected only where the patches that a fit has not seen come out better for it.
    """
    chosen, errors = (0, False), _left_out(rgb, xyz, white, used, (0, False))
    for terms in sorted(product((0, 1, 3), (False, True)), key=lambda t: 2 * t[0] + 3 * t[1])[1:]:
        trial = _left_out(rgb, xyz, white, used, terms)
        old, new = float(errors[used].mean()), float(trial[used].mean())
        if old - new > max(WORTH[0] * old, WORTH[1]):
            chosen, errors = terms, trial
    return fit_matrix(rgb, xyz, used, chosen), errors


def patch_xyz(fit: Fit, rgb: Floats) -> Floats:
    """Return the XYZ (24, 3) that a fit reads off camera RGB (24, 3)."""
    return np.asarray((rgb / fit.shade - fit.offset) @ np.linalg.inv(fit.matrix).T)


def camera_document(calibration: Calibration) -> dict[str, Any]:
    """Return what ``camera.json`` holds; `greystep.measure.camera_json.read_camera_json` reads it."""
    c = calibration
    white = chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(*c.light))
    used = c.used
    errors, colours, unseen = c.delta_e[used], c.delta_uv[used], c.left_out[used]
    planes, offset = c.fit.terms
    content = {
        "matrix_1": c.fit.matrix / (c.fit.matrix @ white)[1],
        "illuminant_1": _filed_under(c.light[0]),
        "frame": c.frame,
        "body": c.body,
        "light": {"cct_k": c.light[0], "duv": c.light[1], "from": c.light_from},
        "own_matrix_reads": None if c.own_light is None else {"cct_k": c.own_light[0], "duv": c.own_light[1]},
        "chart": {"corners": c.corners, "found": c.found, "patches_used": int(used.sum())},
        "corrected": {
            "light_over_chart_pct": c.light_over_chart_pct if planes else None,
            "offset_counts": c.fit.offset if offset else None,
        },
        "residuals": {
            "median_delta_e_2000": float(np.median(errors)),
            "worst_delta_e_2000": float(errors.max()),
            "worst_patch": c.worst_patch,
            "median_delta_uv": float(np.median(colours)),
            "worst_delta_uv": float(colours.max()),
            "left_out_median_delta_e_2000": float(np.median(unseen)),
            "u_difference_of_10_mired": c.u_difference_mired,
        },
        "patches": [
            {
                "patch": name,
                "delta_e_2000": c.delta_e[i],
                "delta_uv": c.delta_uv[i],
                "left_out_delta_e_2000": c.left_out[i],
                "excluded": c.excluded.get(i),
            }
            for i, name in enumerate(c.names)
        ],
        "notes": c.notes,
    }
    return document_of(content)


def _usable(name: str, signals: Sequence[PatchSignal], names: Sequence[str]) -> tuple[Booleans, dict[int, str]]:
    """Return which patches are fitted, and why the others are not."""
    excluded = {}
    for number, signal in enumerate(signals):
        if signal.clipped_pct > CLIPPED_PCT:
            excluded[number] = f"{signal.clipped_pct:.1f} % of it is clipped"
        elif signal.damage:
            excluded[number] = signal.damage
        elif min(signal.mean) <= 0.0:
            excluded[number] = "no signal above black"
    used = np.array([number not in excluded for number in range(len(signals))])
    if used.sum() < FEWEST_PATCHES or used[list(chart.GREYS)].sum() < FEWEST_GREYS:
        listed = ", ".join(f"{names[number]} ({why})" for number, why in list(excluded.items())[:4])
        listed += f" and {len(excluded) - 4} more" if len(excluded) > 4 else ""
        raise GreystepError(
            f"{name}: {used.sum()} of 24 patches can be used, {FEWEST_PATCHES} and {FEWEST_GREYS} of the greys are"
            f" needed; left out: {listed}. Shoot the chart again with its white patch at 60-80 % of the range"
        )
    return used, excluded


def _own_light(tags: ColourTags | None, rgb: Floats, used: Booleans) -> tuple[float, float] | None:
    """Return CCT and Duv that the file's own matrix reads off the greys; None where it has none or sees no white."""
    if tags is None:
        return None
    greys = [i for i in chart.GREYS if used[i]]
    try:
        xyz = chromaticity.xy_to_xyz(neutral_to_xy(tags, rgb[greys].sum(axis=0)))
    except GreystepError:  # the file's matrix has no inverse: that is what the chart is shot for
        return None
    cct, duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz))
    for _ in range(2):  # the greys are nearly flat; their own colour is divided out
        patches, white = chart.chart_colours(float(cct), float(duv))
        cct, duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz / patches[greys].sum(axis=0) * white))
    return (float(cct), float(duv)) if np.isfinite(cct) else None


def _left_out(rgb: Floats, xyz: Floats, white: Floats, used: Booleans, terms: tuple[int, bool]) -> Floats:
    """Return delta E 2000 (24,) of each patch by the fit to all others."""
    seen = np.empty_like(xyz)
    for number in range(len(xyz)):
        others = used & (np.arange(len(xyz)) != number)
        seen[number] = patch_xyz(fit_matrix(rgb, xyz, others, terms), rgb)[number]
    return chromaticity.delta_e_2000(seen, xyz, white)


def _difference_uncertainty(fit: Fit, rgb: Floats, xyz: Floats, used: Booleans, light: tuple[float, float]) -> float:
    """Return the half-width (k = 2) of what a light 10 mired away reads, by the jackknife over the patches."""
    away = 1e6 / (1e6 / light[0] - _DIFFERENCE_MIRED)
    pair = fit.matrix @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy([light[0], away], light[1])).T
    read = []
    for number in np.flatnonzero(used):
        matrix = fit_matrix(rgb, xyz, used & (np.arange(len(xyz)) != number), fit.terms).matrix
        cct, _ = chromaticity.cct_duv(chromaticity.xyz_to_xy(np.linalg.solve(matrix, pair).T), duv_limit=np.inf)
        read.append(1e6 / cct[0] - 1e6 / cct[1])
    return 2.0 * jackknife_sd(np.array(read))


def _check(name: str, fit: Fit, residuals: Floats, used: Booleans, names: Sequence[str]) -> None:
    """Refuse a fit that is none."""
    median = float(np.median(residuals[used]))
    daylight = fit.matrix @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(*USUAL_FLASH))
    if median <= LARGEST_MEDIAN and (daylight > 0).all() and np.linalg.cond(fit.matrix) < WORST_CONDITION:
        return
    worst = [i for i in np.argsort(residuals)[::-1] if used[i]][:3]
    listed = ", ".join(f"{names[i]} {residuals[i]:.1f}" for i in worst)
    raise GreystepError(
        f"{name}: the chart's colours are not explained: median delta E 2000 {median:.1f}, {LARGEST_MEDIAN:g} at most"
        f" is plausible; worst: {listed}. Light the chart evenly by one flash with the room dark, without glare on it,"
        " check --corners and --cct, and shoot it again"
    )


def _filed_under(cct: float) -> int:
    """Return the EXIF LightSource code of the light that is nearest, 0 where none is near."""
    away = {code: abs(1e6 / LIGHT_SOURCE_K[code] - 1e6 / cct) for code in _FILED_UNDER}
    nearest = min(away, key=lambda code: away[code])
    return nearest if away[nearest] <= _NEAR_MIRED else 0
