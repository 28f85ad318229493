"""What the check frames of the reference head show of room, mains and camera over the session.

Nothing is corrected by it. It shows whether the session stood still while the heads were compared.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats
from greystep.compare.blocks import visit_columns
from greystep.compare.drift import Drift
from greystep.compare.fit import least_squares
from greystep.measure.uncertainty import ALPHA, student_factor
from greystep.session.settings import Tolerance
from greystep.terms import Quantity

#: What is followed.
_FOLLOWED: Final = (Quantity.MIRED, Quantity.DUV, Quantity.OUTPUT_STOPS)
#: A session that moved more than this share of a limit has used it up before any head is looked at (a choice).
_SHARE: Final = 0.25


@dataclass(frozen=True)
class CheckFrames:
    """How the check frames of one light moved.

    Attributes:
        visits: A row a visit: visit, seconds from the first (NaN without capture times), n, and the mean of each
            quantity less that of the first visit: ``mired``, ``duv``, ``output_stops``.
        moves: A row a quantity: quantity, ``last_less_first`` and ``per_hour`` with their 95 % half-widths ``u_*``, and
            ``by_chance``: the size that chance alone may give last less first, the three quantities looked at together.
    """

    head: str
    power: str
    visits: pd.DataFrame
    moves: pd.DataFrame


@dataclass(frozen=True)
class Moved:
    """One quantity of the check frames that moved.

    Attributes:
        size, u_size: Last visit less first, with its 95 % half-width.
        per_hour, u_per_hour: The slope on time [1/h]; NaN where it is not known.
        limit: The limit, where more than a quarter of it is used up.
    """

    head: str
    power: str
    quantity: Quantity
    size: float
    u_size: float
    per_hour: float
    u_per_hour: float
    sure: bool
    limit: float | None


def find_check_frames(drift: Drift) -> CheckFrames | None:
    """Follow the check frames of the light that has most of them; None without two visits.

    Returns: Warm-up is taken off where the fit keeps it; first, second, ... frames of the visits have a level each,
        since a rested head warms from one to the next. ``last_less_first`` compares the visits' means; its scatter is
        that within the visits, pooled with the head's own. ``per_hour`` is the least-squares slope on time, its scatter
        what is left about that line; unknown with two visits. The same light before and after what it encloses is the
        idea of NIST's X R R X design (e-Handbook, section 2.3.3.1.2).
    """
    checks = drift.frames.checks
    lights = checks.groupby(["head", "stops"], sort=False)
    if not len(lights):
        return None
    frames = max((rows for _, rows in lights), key=len)
    visit = pd.factorize(frames["visit"])[0]
    count = int(visit.max(initial=-1)) + 1
    if count < 2:
        return None
    head = int(frames["head"].iloc[0])
    seconds = frames["seconds"].to_numpy(np.float64)
    member, places = visit_columns(visit)
    n = member.sum(axis=0)
    visits = {"visit": np.arange(count), "seconds": member.T @ (seconds - seconds[0]) / n, "n": n.astype(int)}
    apart = 0.0 if frames["counted"].any() else 1.0  # the head's own scatter is that of other frames
    moves = []
    for quantity in _FOLLOWED:
        fitted = drift.fitted[quantity]
        values = frames[quantity].to_numpy(np.float64)
        values = values - fitted.amplitude[head] * frames["warmth"].to_numpy(np.float64)
        row: dict[str, Any] = {"quantity": str(quantity)}
        visits[str(quantity)], found = _move(
            member, places, values, apart * fitted.sums[head], apart * fitted.dof[head]
        )
        moves.append(row | found | _slope(seconds, places, values, count))
    return CheckFrames(
        head=str(drift.cells.heads["head"][head]),
        power=str(frames["power"].iloc[0]),
        visits=pd.DataFrame(visits),
        moves=pd.DataFrame(moves),
    )


def _move(
    member: Floats, places: Floats, values: Floats, own: float, own_dof: float
) -> tuple[Floats, dict[str, float]]:
    """Return the level of each visit less that of the first, and the last of these with what chance may do to it."""
    count = member.shape[1]
    design = np.hstack([member, places])
    if not np.isfinite(values).all():
        return np.full(count, np.nan), dict.fromkeys(("last_less_first", "u_last_less_first", "by_chance"), np.nan)
    fit = least_squares(design, values)
    levels = fit.coefficients[:count] - fit.coefficients[0]
    row = fit.estimator[count - 1] - fit.estimator[0]
    dof = fit.dof + own_dof
    sd = float(np.sqrt((fit.sum_of_squares + own) / dof * (row @ row))) if dof > 0 else np.nan
    chance = float(student_factor(dof, ALPHA / len(_FOLLOWED))) * sd
    move = {"last_less_first": float(levels[-1]), "u_last_less_first": float(student_factor(dof)) * sd}
    return levels, move | {"by_chance": chance}


def _slope(seconds: Floats, places: Floats, values: Floats, visits: int) -> dict[str, float]:
    """Return the slope on time [1/h] with its half-width."""
    unknown = {"per_hour": np.nan, "u_per_hour": np.nan}
    if visits < 3 or not (np.isfinite(values).all() and np.isfinite(seconds).all()) or np.ptp(seconds) <= 0:
        return unknown
    design = np.column_stack([np.ones(len(values)), places, (seconds - seconds.mean()) / 3600.0])
    if len(values) <= design.shape[1] or np.linalg.matrix_rank(design) < design.shape[1]:
        return unknown
    fit = least_squares(design, values)
    sd = np.sqrt(fit.sum_of_squares / fit.dof * (fit.estimator[-1] @ fit.estimator[-1]))
    return {"per_hour": float(fit.coefficients[-1]), "u_per_hour": float(student_factor(fit.dof) * sd)}


def find_moves(found: CheckFrames | None, tolerance: Tolerance) -> list[Moved]:
    """Return what moved over the session by more than chance, or by more than a quarter of a limit."""
    moves = []
    for row in [] if found is None else found.moves.to_dict(orient="records"):
        quantity, size = Quantity(row["quantity"]), float(row["last_less_first"])
        limit: float | None = getattr(tolerance, quantity)
        used_up = limit if limit is not None and abs(size) > _SHARE * limit else None
        sure = bool(abs(size) > row["by_chance"])
        if found and (sure or used_up):
            doubt, slope = row["u_last_less_first"], (row["per_hour"], row["u_per_hour"])
            moves.append(Moved(found.head, found.power, quantity, size, doubt, *slope, sure, used_up))
    return moves
