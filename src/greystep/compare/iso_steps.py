"""Whether a camera's ISO steps are what they are marked: seen on lights that were shot at two of them.

Nothing is corrected by it. It shows where an output error may be the camera's and not a head's.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.columns import UNKNOWN
from greystep.compare.cells import settings
from greystep.compare.drift import Drift
from greystep.flags import Status
from greystep.measure.uncertainty import student_factor
from greystep.terms import TESTED

#: An ISO step that is off by less than this [stop] is not worth a word (a choice).
_SHOWS: Final = 0.03
#: What is compared of a light at two ISOs.
_COMPARED: Final = ("output_stops", "mired", "duv")


@dataclass(frozen=True)
class IsoStep:
    """How far an ISO of a camera body is off its marking.

    Attributes:
        stops, u_stops: More is brighter than marked; 95 % half-width, NaN without repeats.
        mired, u_mired, duv, u_duv: What the same lights read differently at that ISO, which a linear sensor would not;
            NaN without colour.
        lights: Tuple of (head, power). Where both were used.
        shows: It is off by more than chance, and by enough to matter.
    """

    body: str
    iso: float
    base_iso: float
    stops: float
    u_stops: float
    lights: tuple[tuple[str, str], ...]
    shows: bool
    mired: float = UNKNOWN
    u_mired: float = UNKNOWN
    duv: float = UNKNOWN
    u_duv: float = UNKNOWN


def find_iso_steps(drift: Drift, readings: pd.DataFrame) -> list[IsoStep]:
    """Return how far each ISO of each camera body is off its marking, against the one that most frames have."""
    known = (readings["kind"].isin(TESTED)) & (readings["status"] != Status.REJECTED)
    known &= readings["flags"].map(flags.serves).astype(bool)
    used = readings[known & readings["output_stops"].notna() & readings["iso"].notna()]
    scatter = [_scatter(drift, readings, name) for name in _COMPARED]
    steps = []
    for body, frames in used.groupby("body", sort=False):
        base = frames["iso"].value_counts(sort=True).index[0]
        power = settings(frames["stops"].to_numpy(np.float64))
        for iso in sorted(set(frames["iso"]) - {base}):
            differences, weights, lights = [], [], []
            for (head, _), cell in frames.groupby(["head", power], sort=False):
                here, there = (cell.loc[cell["iso"] == one, list(_COMPARED)] for one in (iso, base))
                if len(here) and len(there):
                    differences.append((here.mean() - there.mean()).to_numpy(np.float64))
                    weights.append(1.0 / (1.0 / len(here) + 1.0 / len(there)))
                    lights.append((str(head), str(cell["power"].iloc[0])))
            if lights:
                off = np.average(differences, weights=weights, axis=0).tolist()
                u = [half / float(np.sqrt(sum(weights))) for half in scatter]
                shows = abs(off[0]) > max(u[0], _SHOWS)
                steps.append(
                    IsoStep(str(body), iso, base, off[0], u[0], tuple(lights), shows, off[1], u[1], off[2], u[2])
                )
    return steps


def _scatter(drift: Drift, readings: pd.DataFrame, quantity: str) -> float:
    """Return the half-width of one frame's 95 % interval, from what the fit leaves of the frames of a cell at one ISO.

    NaN without repeats.
    """
    fitted, iso = drift.fitted[quantity], readings["iso"].to_numpy(np.float64)[drift.frames.rows]
    left = pd.DataFrame({"cell": drift.frames.cell, "iso": iso, "left": fitted.residuals}).dropna()
    groups = left.groupby(["cell", "iso"])["left"]
    free = float(fitted.dof.sum()) - (groups.ngroups - left["cell"].nunique())
    squares = float(((left["left"] - groups.transform("mean")) ** 2).sum())
    return student_factor(free) * float(np.sqrt(squares / free)) if free > 0 else float("nan")
