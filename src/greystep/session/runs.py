"""Runs from rest: frames of one light in a row, as a stack is shot, and after how many of them the head settles."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.arrays import Booleans, Floats
from greystep.flags import Status
from greystep.measure.uncertainty import student_factor
from greystep.terms import TESTED

#: What the note of a frame of a run holds.
RUN_NOTE: Final = "run from rest"
#: Fewer frames do not tell a course from scatter.
_LEAST: Final = 8
#: A head has settled when so much of the limit is left: this tool's own figure, as for warm-up flashes.
_LEFT: Final = 0.25
#: The change must be so many times its 95 % half-width, as its time constant is chosen too (simulated: a steady head is
#: told to move in less than 1 of 100 runs).
_CLEAR: Final = 1.6


@dataclass(frozen=True)
class Settles:
    """How a head settled over a run.

    Attributes:
        frames: Of the run.
        after: So many frames until a quarter of the limit is left; 0 where it held, more than `frames` where it had not
            settled.
        mired: From the first frame to where it leads; positive is warmer.
    """

    head: str
    power: str
    frames: int
    after: int
    mired: float


def run_rows(log: pd.DataFrame) -> Booleans:
    """Return which rows of a log, or of readings, are frames of a run."""
    told = log["note"].astype("str").str.contains(RUN_NOTE, regex=False, na=False)
    return (told & log["kind"].isin(TESTED)).to_numpy(dtype=bool)


def settling(readings: pd.DataFrame, limit_mired: float) -> tuple[Settles, ...]:
    """Return how each head settled over its run; runs of too few frames that can be used are left out.

    Args:
        readings: With body, head, power, kind, note, status, flags, shot and mired.
        limit_mired: Of the session [mired].
    """
    found = []
    runs = readings[run_rows(readings)].sort_values("shot", kind="stable")
    for (_, head, power), rows in runs.groupby(["body", "head", "power"], sort=False):
        used = (rows["status"] != Status.REJECTED) & rows["mired"].notna() & rows["flags"].map(flags.serves)
        place, mired = np.flatnonzero(used).astype(np.float64), rows["mired"][used].to_numpy(np.float64)
        if len(place) >= _LEAST:
            found.append(Settles(str(head), str(power), len(rows), *_course(place, mired, limit_mired)))
    return tuple(found)


def _course(place: Floats, mired: Floats, limit: float) -> tuple[int, float]:
    """Return after how many frames a run has settled, and by how much it moved [mired].

    The course is an exponential; its time constant is the one, of a geometric row, that leaves least.
    """
    best, last = (math.inf, 0.0, math.inf, 1.0), float(place[-1])
    for tau in np.geomspace(0.7, 1.5 * last, 40).tolist():
        design = np.column_stack([np.ones(len(place)), 1.0 - np.exp(-place / tau)])
        (_, change), *_ = np.linalg.lstsq(design, mired, rcond=None)
        left = float(np.sum((mired - design @ np.linalg.lstsq(design, mired, rcond=None)[0]) ** 2))
        variance = left / (len(place) - 3) * float(np.linalg.inv(design.T @ design)[1, 1])
        best = min(best, (left, float(change), math.sqrt(variance), tau))
    _, change, standard, tau = best
    seen = change * (1.0 - math.exp(-last / tau))
    if abs(change) <= _CLEAR * student_factor(len(place) - 3) * standard or abs(seen) <= _LEFT * limit:
        return 0, seen
    return math.ceil(tau * math.log(abs(change) / (_LEFT * limit))), change
