"""Whether a camera's ISO steps are what they are marked: seen on lights that were shot at two of them.

Nothing is corrected by it. It shows where an output error may be the camera's and not a head's.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.compare.cells import settings
from greystep.compare.drift import Drift
from greystep.flags import Status
from greystep.measure.uncertainty import student_factor
from greystep.terms import TESTED

#: An ISO step that is off by less than this [stop] is not worth a word (a choice).
_SHOWS: Final = 0.03


@dataclass(frozen=True)
class IsoStep:
    """How far an ISO of a camera body is off its marking.

    Attributes:
        stops, u_stops: More is brighter than marked; 95 % half-width, NaN without repeats.
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


def find_iso_steps(drift: Drift, readings: pd.DataFrame) -> list[IsoStep]:
    """Return how far each ISO of each camera body is off its marking, against the one that most frames have."""
    known = (readings["kind"].isin(TESTED)) & (readings["status"] != Status.REJECTED)
    known &= readings["flags"].map(flags.serves).astype(bool)
    used = readings[known & readings["output_stops"].notna() & readings["iso"].notna()]
    sums, dof = drift.fitted["output_stops"].sums, drift.fitted["output_stops"].dof
    free = float(dof.sum())
    sd = float(np.sqrt(sums.sum() / free)) if free > 0 else np.nan
    steps = []
    for body, frames in used.groupby("body", sort=False):
        base = frames["iso"].value_counts(sort=True).index[0]
        power = settings(frames["stops"].to_numpy(np.float64))
        for iso in sorted(set(frames["iso"]) - {base}):
            differences, weights, lights = [], [], []
            for (head, _), cell in frames.groupby(["head", power], sort=False):
                here, there = (cell.loc[cell["iso"] == one, "output_stops"] for one in (iso, base))
                if len(here) and len(there):
                    differences.append(float(here.mean() - there.mean()))
                    weights.append(1.0 / (1.0 / len(here) + 1.0 / len(there)))
                    lights.append((str(head), str(cell["power"].iloc[0])))
            if lights:
                u = float(student_factor(free)) * sd / float(np.sqrt(sum(weights))) if free > 0 else np.nan
                off = float(np.average(differences, weights=weights))
                steps.append(IsoStep(str(body), iso, base, off, u, tuple(lights), abs(off) > max(u, _SHOWS)))
    return steps
