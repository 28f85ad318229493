"""What two frames of one scene share: the ratio of their light, from the parts of the raw mosaic that did not change.

Both frames are thinned to blocks. A shift and a change of scale (the lens breathes as its focus moves) are taken out;
then fields of blocks are compared per channel. Clipped and dark fields do not count, nor do fields whose ratio is not
that of the majority (a thing that moved); the more structure a field has, the less it counts (the focus moved there).
What is left over is looked at as a map: where it has a structure of its own, the light has changed in its make-up and
not only in its strength, and no single gain corrects that.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from greystep.arrays import Booleans, Floats, Indices, jackknife_deviations, tukey_weights
from greystep.correct.alignment import DARK, align, bloomed, laid_over
from greystep.flags import Flag
from greystep.measure.uncertainty import student_factor
from greystep.raw.blocks import Blocks

#: Blocks along the side of a field.
FIELD: Final = 4
#: A field is compared where every channel of both frames lies between `DARK` and this share of the range.
BRIGHT: Final = 0.95
#: Structure [share of the mean] up to which a field counts in full.
_EVEN: Final = 0.03
#: A field agrees within this many times the usual distance of the best; an even one never beyond this [share].
_CUT_SD: Final = 4.5
_FAR: Final = 0.04
#: What is left over is looked at in fields up to this many times farther out: a changed light tilts all of them.
_WIDER: Final = 2.5
#: Least share of the fields that can be compared, and least count, that must agree.
AGREE_SHARE: Final = 0.4
AGREE_FIELDS: Final = 24
#: A left-over that varies smoothly over the frame by more than this (rms) is a change of the light [share]: of
#: brightness, and of a channel's ratio to green.
UNEVEN_BRIGHTNESS: Final = 0.007
UNEVEN_COLOUR: Final = 0.0035
#: The same things, seen by their structure, in other light: such fields' share of those that can be compared.
_OTHER_LIGHT: Final = 0.03
_MOST: Final = 0.4
_ALIKE: Final = 0.95
#: Correlation above which two fields show the same things, in whatever focus.
_RESEMBLES: Final = 0.5
#: Their light differs from that of the agreeing fields by at least this share.
_OTHER_SHARE: Final = 0.02
#: For the uncertainty the frame is cut into this many by this many parts, and each is left out in turn.
PARTS: Final = 4
#: What alignment and blur leave of the log ratio that no scatter shows (k = 1): this project's own simulation.
_UNSEEN: Final = 1e-4
#: A part with less of the weight than this tells nothing by its absence.
_LEAST_PART: Final = 0.005


@dataclass(frozen=True)
class Overlap:
    """What a frame shares with the hub.

    Attributes:
        ratio: Array (3,). Light of the frame over light of the hub in red, green and blue; NaN where no gain can be
            given.
        covariance: Array (3, 3). Of its logarithm, k = 1.
        agreed_pct: Share of the whole frame that agreed [%].
        flag: `Flag.LIGHT_CHANGED`, `Flag.NO_OVERLAP`, or blank.
        why: What is wrong, with the numbers; blank where nothing is.
    """

    ratio: Floats
    covariance: Floats
    dof: float
    agreed_pct: float
    flag: str
    why: str


@dataclass(frozen=True, eq=False)
class _Fields:
    """Fields (n,) that can be compared: channel means (n, 3) of both frames, structure, place, look of the blocks."""

    hub: Floats
    frame: Floats
    around: Floats  # mean of the hub about the field (n, 3)
    structure: Floats  # standard deviation of the blocks about a field over their mean; in the frame, too
    structure_2: Floats
    alike: Floats  # correlation of the blocks about a field
    level: Floats  # logarithm of the ratio of the means about a field (n, 3)
    contrast: Floats  # logarithm of the ratio of their standard deviations (n, 3)
    y: Floats  # -1 .. 1
    x: Floats
    total: int  # fields of the whole frame


def compare(hub: Blocks, frame: Blocks) -> Overlap:
    """Compare a frame with the hub.

    Args:
        hub, frame: Of one camera, lens, size and orientation.

    Returns: ``no_overlap`` where too little of the frame can be compared or agrees, ``light_changed`` where what agrees
        leaves a structure, or where things that stand as they stood are lit otherwise.
    """
    fields = _fields(hub, *laid_over(frame, hub, *align(hub, frame)))
    count = len(fields.structure)
    if count < AGREE_FIELDS:
        why = f"only {100.0 * count / fields.total:.0f} % of it is neither dark nor clipped in both frames"
        return _nothing(0.0, Flag.NO_OVERLAP, why)
    weight, ratio, wider = _agreeing(fields)
    agreed = weight > 0
    agreed_pct = 100.0 * np.count_nonzero(agreed) / fields.total
    if (other := _lit_otherwise(fields, weight, ratio)) > _OTHER_LIGHT:
        why = f"{100 * other:.0f} % of it shows the same things in other light"
        return _nothing(agreed_pct, Flag.LIGHT_CHANGED, why)
    if np.count_nonzero(agreed) < max(AGREE_FIELDS, AGREE_SHARE * count):
        why = f"only {agreed_pct:.0f} % of it agrees with the reference frame"
        return _nothing(agreed_pct, Flag.NO_OVERLAP, why)
    if (same := _same_things(fields, agreed)) < AGREE_SHARE:
        why = f"only {100 * same:.0f} % of what has structure shows the same things"
        return _nothing(agreed_pct, Flag.NO_OVERLAP, why)
    if structure := _structure(fields, wider, ratio):
        return _nothing(agreed_pct, Flag.LIGHT_CHANGED, structure)
    return Overlap(ratio, *_uncertainty(fields, weight, ratio), agreed_pct, "", "")


def _nothing(agreed_pct: float, flag: Flag, why: str) -> Overlap:
    return Overlap(np.full(3, np.nan), np.full((3, 3), np.nan), np.nan, agreed_pct, flag, why)


# --- fields --------------------------------------------------------------------------------------------------------


def field_means(values: Floats) -> Floats:
    """Return the mean of blocks (h, w, ...) over each field, (h // FIELD, w // FIELD, ...)."""
    rows, columns = (length // FIELD for length in values.shape[:2])
    cut = values[: rows * FIELD, : columns * FIELD]
    return np.asarray(cut.reshape(rows, FIELD, columns, FIELD, *cut.shape[2:]).mean(axis=(1, 3)))


def well_exposed(signal: Floats) -> Booleans:
    """Say of which places (...) of a signal (..., 3) no channel is dark or near white."""
    return np.asarray((signal > DARK).all(axis=-1) & (signal < BRIGHT).all(axis=-1))


def evenness(structure: Floats) -> Floats:
    """Return how much a field counts, 0 to 1, by its structure (n,) [share of the mean]."""
    return np.asarray(1.0 / (1.0 + (structure / _EVEN) ** 2))


def agreement_limit(distance: Floats, calm: Booleans) -> float:
    """Return how far from the common ratio a field may lie and still agree [share].

    The scale is that of the fields that agree best, so fields that do not agree cannot widen it; noise decides it in
    the even half (`calm`), focus in the others.
    """
    middle = max(float(np.quantile(distance, 0.4)), float(np.quantile(distance[calm], 0.4)))
    return min(max(_CUT_SD * middle, 1e-4), _FAR)


def parts_to_leave_out(group: Indices, weight: Floats) -> tuple[Indices, Floats]:
    """Return the parts of the frame to leave out in turn and their shares of the weight, from each field's part."""
    share = np.bincount(group, weight) / weight.sum()
    parts = np.flatnonzero((share > _LEAST_PART) & (share < 1.0))
    return parts, share[parts]


def _fields(hub: Blocks, moved: Floats, there: Booleans) -> _Fields:
    """Gather the fields that can be compared."""
    good = there & ~bloomed(hub.clipped)
    one, other = field_means(hub.signal), field_means(moved)
    whole = (field_means(good.astype(np.float64)) > 0.999) & well_exposed(one) & well_exposed(other)
    rows, columns = whole.shape
    # A field and half a field around it: what a moved focus can carry over its border.
    window = 2 * FIELD + 1

    def near(values: Floats) -> Floats:
        return np.asarray(
            ndimage.uniform_filter(values, window, mode="nearest")[FIELD // 2 :: FIELD, FIELD // 2 :: FIELD]
        )

    def each(values: Floats) -> Floats:
        return np.stack([near(values[..., c]) for c in range(3)], axis=-1)

    mean, mean_2 = each(hub.signal), each(moved)
    variance = np.maximum(each(hub.signal**2) - mean**2, 1e-12)
    variance_2 = np.maximum(each(moved**2) - mean_2**2, 1e-12)
    both = each(hub.signal * moved) - mean * mean_2
    mean, mean_2 = np.maximum(mean, DARK), np.maximum(mean_2, DARK)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    cut = (slice(0, rows), slice(0, columns))
    return _Fields(
        hub=one[whole],
        frame=other[whole],
        around=mean[cut][whole],
        structure=(np.sqrt(variance) / mean)[cut][whole][:, 1],
        structure_2=(np.sqrt(variance_2) / mean_2)[cut][whole][:, 1],
        alike=(both / np.sqrt(variance * variance_2))[cut][whole][:, 1],
        level=np.log(mean_2 / mean)[cut][whole],
        contrast=0.5 * np.log(variance_2 / variance)[cut][whole],
        y=(2.0 * (y + 0.5) / rows - 1.0)[whole],
        x=(2.0 * (x + 0.5) / columns - 1.0)[whole],
        total=rows * columns,
    )


def _agreeing(fields: _Fields, ratio: Floats | None = None) -> tuple[Floats, Floats, Floats]:
    """Return the weight of each field, 0 where it does not agree, the ratio (3,) of those that do, and wider weights.

    The start is the shortest interval that holds half of the fields, per channel, which no minority can move, however
    even it is; Tukey's weights from there. What is left over is taken against the hub's mean about the field, not
    in it: blur takes from the bright side of an edge what it gives to the dark side, and both stay or go together.
    """
    even = evenness(fields.structure)
    if ratio is None:
        start = np.log(fields.frame / fields.hub)
        ratio = np.exp([_shortest_half(start[:, c]) for c in range(3)])
    calm = fields.structure <= np.median(fields.structure)
    weight = np.zeros(len(even))
    for _ in range(50):
        left = (fields.frame / ratio - fields.hub) / fields.around * np.sqrt(even)[:, None]
        distance = np.abs(left).max(axis=1)
        cut = agreement_limit(distance, calm)
        weight = even * tukey_weights(distance, cut)
        before, ratio = ratio, _weighted(fields, weight)
        if np.all(np.abs(np.log(ratio / before)) < 1e-7):
            break
    return weight, ratio, even * tukey_weights(distance, _WIDER * cut)


def _weighted(fields: _Fields, weight: Floats) -> Floats:
    pull = weight[:, None] / fields.around
    return np.asarray((pull * fields.frame).sum(axis=0) / (pull * fields.hub).sum(axis=0))


def _shortest_half(values: Floats) -> float:
    """Return the middle of the shortest interval that holds half of the values."""
    ranked = np.sort(values)
    half = len(ranked) // 2
    first = int(np.argmin(ranked[half:] - ranked[: len(ranked) - half]))
    return float((ranked[first] + ranked[first + half]) / 2)


# --- what is left over ---------------------------------------------------------------------------------------------


def _same_things(fields: _Fields, agreed: Booleans) -> float:
    """Return the share of agreeing fields with structure that show the same: even areas may agree by chance."""
    told = agreed & (np.maximum(fields.structure, fields.structure_2) > 2.0 * _EVEN)
    if np.count_nonzero(told) < AGREE_FIELDS // 2:
        return 1.0
    return float(np.mean(fields.alike[told] > _RESEMBLES))


def _lit_otherwise(fields: _Fields, weight: Floats, ratio: Floats) -> float:
    """Return the share of fields that do not agree and yet show the same things as the hub, in other light.

    Other light changes level and contrast alike; a thing that moved changes the pattern, a moved focus the contrast
    alone. 0 where most of what does not agree shows other things.
    """
    level, contrast = fields.level - np.log(ratio), fields.contrast - np.log(ratio)
    worst = np.argmax(np.abs(level), axis=1)[:, None]
    level, contrast = (np.take_along_axis(part, worst, axis=1)[:, 0] for part in (level, contrast))
    told = (weight == 0) & (fields.structure > 2.0 * _EVEN)
    same = told & (fields.alike > _ALIKE) & (np.abs(level) > _OTHER_SHARE)
    same &= np.abs(contrast - level) < 0.5 * np.abs(level)
    if np.count_nonzero(same) < _MOST * np.count_nonzero(told):
        return 0.0
    return float(np.count_nonzero(same)) / len(weight)


def _structure(fields: _Fields, weight: Floats, ratio: Floats) -> str:
    """Say how the left-over of the agreeing fields varies smoothly over the frame, or nothing where it does not.

    A surface of second degree is fitted to it. It counts where it is larger than the limit and than three times what
    the fields' own scatter would give it, neighbours taken as alike over a field and its surround.
    """
    used = weight > 0
    left = np.log(fields.frame[used] / ratio / fields.hub[used])
    y, x, w = fields.y[used], fields.x[used], weight[used]
    terms = np.stack([x, y, x * y, x**2, y**2], axis=1)
    terms = terms - np.average(terms, axis=0, weights=w)
    root = np.sqrt(w)[:, None]
    alone = max(float(w.sum() ** 2 / (w**2).sum()) / 4.0, 8.0)
    for name, values, limit in (
        ("brightness", left[:, 1], UNEVEN_BRIGHTNESS),
        ("red", left[:, 0] - left[:, 1], UNEVEN_COLOUR),
        ("blue", left[:, 2] - left[:, 1], UNEVEN_COLOUR),
    ):
        about = values - np.average(values, weights=w)
        surface = terms @ np.linalg.lstsq(terms * root, about * root[:, 0], rcond=None)[0]
        size = float(np.sqrt(np.average(surface**2, weights=w)))
        noise = float(np.sqrt(np.average((about - surface) ** 2, weights=w) * 5.0 / alone))
        if size > max(limit, 3.0 * noise):
            return f"what is left varies over the frame by {100 * size:.1f} % in {name}"
    return ""


def _uncertainty(fields: _Fields, weight: Floats, ratio: Floats) -> tuple[Floats, float]:
    """Return the covariance (3, 3) of the log ratio and its degrees of freedom, by leaving out parts of the frame.

    Everything is found again each time, so the choice of fields adds its share. See
    `greystep.arrays.jackknife_deviations`.
    """
    group = (np.floor((fields.y + 1) / 2 * PARTS) * PARTS + np.floor((fields.x + 1) / 2 * PARTS)).astype(int)
    parts, shares = parts_to_leave_out(group, weight)
    if len(parts) < 3:
        return np.full((3, 3), np.nan), 0.0
    without = np.log([_agreeing(_some(fields, group != part), ratio)[1] for part in parts])
    values = jackknife_deviations(np.log(ratio), without, shares)
    return np.asarray(values.T @ values / len(values) + _UNSEEN**2 * np.eye(3)), float(len(values) - 1)


def _some(fields: _Fields, keep: Booleans) -> _Fields:
    kept = {name: values[keep] for name, values in vars(fields).items() if name != "total"}
    return _Fields(**kept, total=fields.total)


def half_width_stops(overlap: Overlap) -> float:
    """Return the 95 % half-width of the stops between the two frames."""
    return float(student_factor(overlap.dof) * np.sqrt(overlap.covariance[1, 1]) / np.log(2.0))
