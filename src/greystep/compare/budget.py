"""What the uncertainties of a session hold and what they leave out, each with its size and how that was found.

A difference of two lights in one camera needs none of what the absolute scale rests on; an absolute colour temperature
does. The sizes are those of this session where its frames show them, else of simulations and of common practice.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats
from greystep.columns import UNKNOWN
from greystep.compare.drift import Drift
from greystep.compare.fit import own_variances
from greystep.compare.iso_steps import IsoStep
from greystep.compare.joint_fit import BETWEEN
from greystep.constants import (
    BOUNCE_SHARE,
    CARD_TILT,
    DOME_MIRED,
    MATRIX_LIMITS,
    METER_LIMITS,
    NON_LINEAR_MIRED_A_STOP,
    OBSERVER_OTHER_TYPE_MIRED,
    OBSERVER_SAME_HEAD,
    OBSERVER_SAME_TYPE,
    PLACEMENT_MIRED,
    UNKNOWN_FLASH_LIMITS,
)
from greystep.measure import camera, chromaticity
from greystep.session.bodies import Body
from greystep.session.colour import colours
from greystep.session.ingest import Ingested
from greystep.session.settings import Settings


class Part(StrEnum):
    """What makes a number uncertain."""

    SHOTS = "shots"  # noise of the frames, scatter of the shots, room light and black taken off
    MATRIX = "matrix"  # of the camera, where no meter has read a frame
    METER = "meter"
    CARD = "card"
    CARD_SPECTRUM = "card_spectrum"  # the card's reflectance is known, the spectrum of the light is not
    BOUNCE = "bounce"
    BLACK = "black"
    LINEARITY = "linearity"
    PLACEMENT = "placement"
    OTHER_CAMERA = "other_camera"
    SAME_TYPE = "same_type"
    OTHER_TYPE = "other_type"
    DOME = "dome"


class Bears(StrEnum):
    """On which numbers a part bears."""

    ABSOLUTE = "absolute"
    DIFFERENCES = "differences"
    BOTH = "both"


class Method(StrEnum):
    """How a size was found."""

    SESSION = "computed from this session"
    SIMULATED = "simulated"
    PRACTICE = "common practice"


class Width(StrEnum):
    """What a size is: the most that it may be either way, or a standard uncertainty (k = 1)."""

    LIMIT = "limit"
    STANDARD = "standard"


#: What makes a standard uncertainty of a size; between two limits any value is as likely (JCGM 100:2008 4.3.7, from
#: memory).
_STANDARD: Final = {Width.LIMIT: 1.0 / np.sqrt(3.0), Width.STANDARD: 1.0}


@dataclass(frozen=True)
class Component:
    """One part of the budget.

    Attributes:
        mired, duv: Its size as `width` has it; NaN where it is not known.
        share: Its size as a share of a difference, where it grows with that; else NaN.
        body, head, power: What it holds for; blank where that is all of them.
        in_u: It is in every half-width of this report already.
        scale: It is part of what the absolute scale rests on, and in `u_absolute_k`.
    """

    part: Part
    bears: Bears
    method: Method
    width: Width
    mired: float = UNKNOWN
    duv: float = UNKNOWN
    share: float = UNKNOWN
    body: str = ""
    head: str = ""
    power: str = ""
    in_u: bool = False
    scale: bool = False


def _scatter_and_place(drift: Drift) -> tuple[Floats, Floats]:
    """Return what scatter and what the blocks of the test add to a light [mired, Duv], k = 1, the middle of all lights.

    The last three parts of the joint fit are camera and mains, place, and what frames of a cell share.
    """
    own = [own_variances(drift.fitted[quantity].cells) for quantity in ("mired", "duv")]
    known = [one[np.isfinite(drift.fitted["mired"].cells.values)] for one in own]
    if not len(known[0]):
        return np.full(2, np.nan), np.zeros(2)
    sizes = [(np.delete(one, BETWEEN, axis=1).sum(axis=1), one[:, BETWEEN].sum(axis=1)) for one in known]
    middle = np.sqrt(np.median(np.array(sizes), axis=2))
    return middle[:, 0], middle[:, 1]


def find_budget(found: Ingested, drift: Drift, iso_steps: Sequence[IsoStep]) -> tuple[Component, ...]:
    """Return the budget of a session, the absolute scale first."""
    used = found.readings.iloc[np.sort(drift.frames.rows)]
    parts = [component for body in found.bodies.values() for component in scale_of(body, found.settings)]
    for body in found.bodies.values():
        mine = used[used["body"] == body.label]
        parts += [*_bounce(body, mine), *_black(body, mine)]
    shots, between = _scatter_and_place(drift)
    if np.isfinite(shots).all():
        mired, duv = shots.tolist()
        parts.append(Component(Part.SHOTS, Bears.BOTH, Method.SESSION, Width.STANDARD, mired, duv, in_u=True))
    parts += _linearity(iso_steps, drift.cells.table["stops"].to_numpy(np.float64))
    if drift.cells.table["head"].nunique() > 1:
        placed = _simulated(Part.PLACEMENT, Width.STANDARD, PLACEMENT_MIRED)
        mired, duv = between.tolist()
        parts.append(replace(placed, mired=mired, duv=duv, in_u=True) if mired > 0 else placed)
    parts += [
        _simulated(Part.OTHER_CAMERA, Width.STANDARD, share=OBSERVER_SAME_HEAD),
        _simulated(Part.SAME_TYPE, Width.STANDARD, share=OBSERVER_SAME_TYPE),
        _simulated(Part.OTHER_TYPE, Width.STANDARD, OBSERVER_OTHER_TYPE_MIRED),
        _simulated(Part.DOME, Width.LIMIT, DOME_MIRED),
    ]
    return tuple(parts)


def scale_of(body: Body, settings: Settings) -> list[Component]:
    """Return what the absolute scale of a camera body rests on; nothing where it has no matrix."""
    if body.matrix is None or body.reference_neutral is None:
        return []

    def part(name: Part, method: Method, width: Width, sizes: Sequence[float] | Floats) -> Component:
        mired, duv = (float(size) for size in sizes)
        return Component(name, Bears.ABSOLUTE, method, width, mired, duv, body=body.label, scale=True)

    if body.anchored or body.calibrated_under == "given":
        return [part(Part.METER, Method.PRACTICE, Width.LIMIT, METER_LIMITS)]
    limits = UNKNOWN_FLASH_LIMITS if body.calibrated_under == "assumed" else MATRIX_LIMITS
    method = Method.PRACTICE if body.calibrated_under == "assumed" else Method.SIMULATED
    parts = [part(Part.MATRIX, method, Width.LIMIT, limits)]
    if settings.reflectance is None:
        parts.append(part(Part.CARD, Method.SESSION, Width.LIMIT, _tilt(body)))
    else:
        open_ = np.sqrt(np.diagonal(body.target_doubt))
        parts.append(part(Part.CARD_SPECTRUM, Method.SESSION, Width.STANDARD, open_))
    return parts


def with_absolute(powers: pd.DataFrame, found: Ingested) -> pd.DataFrame:
    """Return powers.csv with the half-widths of its absolute figures, `u_absolute_k` and `u_absolute_duv`.

    To what the frames leave open comes what the scale rests on. A meter's reading holds for the light that it read;
    a light farther away, or of another type, carries what another observer sees of that difference.
    """
    label = powers["body"] if "body" in powers else next(iter(found.bodies), "")
    variances = np.full((len(powers), 2), np.nan)
    mired = powers["mired"].to_numpy(np.float64)
    for name, body in found.bodies.items():
        parts = scale_of(body, found.settings)
        if not parts:
            continue
        rows = np.full(len(powers), True) & np.asarray(label == name)
        variances[rows] = np.sum([_variances(part) for part in parts], axis=0)
        if body.anchored:
            variances[rows, 0] += _away_from_meter(powers[rows], found) ** 2
    variances += (powers[["u_mired", "u_duv"]].to_numpy(np.float64) / 2.0) ** 2
    half = 2.0 * np.sqrt(variances)
    return powers.assign(u_absolute_k=half[:, 0] * 1e6 / mired**2, u_absolute_duv=half[:, 1])


def absolute_at(powers: pd.DataFrame, mired: float | None) -> tuple[float, float] | None:
    """Return the half-widths of the absolute figures, [K] and Duv, of the light nearest to one; None without any.

    Args:
        powers: From `with_absolute`.
    """
    known = powers[powers["u_absolute_k"].notna()]
    if mired is None or not len(known):
        return None
    nearest = int(np.argmin(np.abs(known["mired"].to_numpy(np.float64) - mired)))
    kelvin, duv = known[["u_absolute_k", "u_absolute_duv"]].to_numpy(np.float64)[nearest]
    return float(kelvin), float(duv)


def _simulated(
    part: Part, width: Width, mired: float = UNKNOWN, share: float = UNKNOWN, in_u: bool = False
) -> Component:
    return Component(part, Bears.DIFFERENCES, Method.SIMULATED, width, mired, share=share, in_u=in_u)


def _variances(part: Component) -> Floats:
    return np.asarray(np.nan_to_num((np.array([part.mired, part.duv]) * _STANDARD[part.width]) ** 2))


def _away_from_meter(powers: pd.DataFrame, found: Ingested) -> Floats:
    """Return what another observer may see of the difference from the metered light [mired], k = 1."""
    meter, heads = found.settings.meter, found.settings.heads
    if meter is None:
        return np.zeros(len(powers))
    metered = found.readings.loc[found.readings["frame"] == meter.frame, "head"].iloc[0]
    away = np.abs(powers["mired"].to_numpy(np.float64) - 1e6 / meter.cct_k)
    kinds = {head: info.type for head, info in heads.items() if info.type}
    other = np.array([head != metered and kinds.get(head) != kinds.get(metered, "") for head in powers["head"]])
    return np.asarray(np.where(other, OBSERVER_OTHER_TYPE_MIRED, OBSERVER_SAME_HEAD * away))


def _changes(body: Body, signal: Floats, changed: Floats) -> Floats:
    """Return by how much (mired, Duv) of signals (n, 3) move when they change (n, 3)."""
    before, after = (colours(body, rgb, np.zeros((len(rgb), 3, 3))) for rgb in (signal, changed))
    if before is None or after is None:
        return np.full((len(signal), 2), np.nan)
    return np.stack([after.mired - before.mired, after.duv - before.duv], axis=1)


def _tilt(body: Body) -> Floats:
    """Return what the light of the reference reads off, in (mired, Duv), where the card's reflectance is not flat."""
    neutral = np.array([body.reference_neutral])
    light = colours(body, neutral, np.zeros((1, 3, 3)))
    if light is None or not np.isfinite(light.cct_k[0]):
        return np.full(2, np.nan)
    cct, duv = float(light.cct_k[0]), float(light.duv[0])
    factor = camera.target_factor((400.0, 700.0), (1.0 - CARD_TILT / 2.0, 1.0 + CARD_TILT / 2.0), cct, duv)
    read = factor * chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(cct, duv))
    kelvin, tint = chromaticity.cct_duv(chromaticity.xyz_to_xy(read))
    return np.abs([1e6 / float(kelvin) - 1e6 / cct, float(tint) - duv])


def _bounce(body: Body, used: pd.DataFrame) -> list[Component]:
    """Return what light from the surroundings of the card may do, by head, and between the heads it does most for."""
    around, signal = [f"around_{channel}" for channel in "rgb"], [f"signal_{channel}" for channel in "rgb"]
    if not set(around) <= set(used):
        return []
    by_head = used.dropna(subset=around).groupby("head", sort=False)[[*around, *signal]].mean()
    if not len(by_head):
        return []
    light = by_head[signal].to_numpy()
    moves = _changes(body, light, light * (1.0 + BOUNCE_SHARE * by_head[around].to_numpy()))
    one = Component(Part.BOUNCE, Bears.ABSOLUTE, Method.SESSION, Width.LIMIT, body=body.label)
    parts = [
        replace(one, head=str(head), mired=abs(float(move[0])), duv=abs(float(move[1])))
        for head, move in zip(by_head.index, moves, strict=True)
    ]
    if len(parts) > 1:
        mired, duv = np.ptp(moves, axis=0)
        parts.append(replace(one, bears=Bears.DIFFERENCES, mired=float(mired), duv=float(duv)))
    return parts


def _black(body: Body, used: pd.DataFrame) -> list[Component]:
    """Return what one count of black does to the darkest light."""
    columns = ["signal_r", "signal_g", "signal_b"]
    if not len(used):
        return []
    lights = used.groupby(["head", "stops"], sort=False).agg({"power": "first"} | dict.fromkeys(columns, "mean"))
    darkest = lights.loc[[lights["signal_g"].idxmin()]]
    signal = darkest[columns].to_numpy(np.float64)
    mired, duv = np.abs(_changes(body, signal, signal + 1.0)[0])
    head, power = str(darkest.index[0][0]), str(darkest["power"].iloc[0])
    return [
        Component(
            Part.BLACK,
            Bears.BOTH,
            Method.SESSION,
            Width.LIMIT,
            float(mired),
            float(duv),
            body=body.label,
            head=head,
            power=power,
        )
    ]


def _linearity(iso_steps: Sequence[IsoStep], stops: Floats) -> list[Component]:
    """Return how far a light reads differently when it is brighter: from lights at two ISOs, else by simulation."""
    seen = [step for step in iso_steps if np.isfinite(step.mired)]
    if not seen:
        reach = float(np.ptp(stops)) if len(stops) else 0.0
        size = NON_LINEAR_MIRED_A_STOP * reach
        return [_simulated(Part.LINEARITY, Width.LIMIT, size)] if reach else []
    mired, duv = (
        max(abs(size) + float(np.nan_to_num(u)) for size, u in sizes)
        for sizes in ([(step.mired, step.u_mired) for step in seen], [(step.duv, step.u_duv) for step in seen])
    )
    return [Component(Part.LINEARITY, Bears.DIFFERENCES, Method.SESSION, Width.LIMIT, mired, duv)]
