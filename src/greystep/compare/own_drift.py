"""How a head moves over its own powers, by the quantity that takes most of its limit."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Indices
from greystep.columns import HeadRow
from greystep.compare.called import Called
from greystep.compare.differences import Difference, doubt_of_means
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, own_rows, span_of
from greystep.compare.odd_heads import weight
from greystep.terms import COLUMN, Quantity, Verdict

#: A power is the odd one if the others together move less than this share of the head's span.
_ODD_POWER: Final = 0.4
#: A head drifts one way if a straight line makes up this share of its span.
_ONE_WAY: Final = 0.7


@dataclass(frozen=True)
class OnePower:
    """Only one power of the head was measured."""

    power: str


@dataclass(frozen=True)
class NoMove:
    """All powers of the head read the same."""


@dataclass(frozen=True)
class OutputOff:
    """The output error takes most of its limit: at `power`, `error` [stops] and its 95 % half-width, limit [stops]."""

    power: str
    error: float
    u_error: float
    limit: float


@dataclass(frozen=True)
class OddPower:
    """One power stands apart from the head's other powers, by `difference`; `quantity` takes most of its limit."""

    power: str
    difference: Difference
    quantity: Quantity
    limit: float


@dataclass(frozen=True)
class Ends:
    """The two powers farthest apart: `power` minus `base`, the higher one; `one_way` where the others lie between."""

    power: str
    base: str
    difference: Difference
    quantity: Quantity
    limit: float
    one_way: bool


OwnDrift = OnePower | NoMove | OutputOff | OddPower | Ends


def find_own_drift(
    drift: Drift, rows: Mapping[Quantity, Rows], cells: Indices, row: HeadRow, called: Called
) -> OwnDrift | None:
    """Return how a head moves over its own powers, by the quantity that takes most of its limit."""
    leading = _leading(drift, rows, cells, row, called)
    if leading is None:
        return None
    power, stops = drift.cells.names, drift.powers["stops"].to_numpy(np.float64)
    limit = rows[leading].limit
    if leading == Quantity.OUTPUT_STOPS:
        error, u = (drift.powers[f"{name}output_error_stops"].to_numpy(np.float64) for name in ("", "u_"))
        reach = np.abs(error) + (0.0 if called.output == Verdict.OUTSIDE else np.nan_to_num(u))
        worst = cells[int(np.nanargmax(reach[cells]))]
        return OutputOff(power[worst], float(error[worst]), float(u[worst]), limit)
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    values = columns[2 if leading == Quantity.DUV else 1]
    measured = cells[np.isfinite(values[cells])]
    if len(measured) < 2:
        return OnePower(power[measured[0]])
    span = np.ptp(values[measured])
    if span == 0.0:
        return NoMove()
    one_pack = len(set(drift.cells.series[cells])) == 1
    passes = sum(span_of(drift, int(drift.cells.head[cells[0]]), row, leading)) <= limit
    shaped = one_pack and not passes and len(measured) > 2  # enough to speak of more than its ends
    without = [np.ptp(np.delete(values[measured], place)) for place in range(len(measured))]
    lone = int(np.argmin(without))
    line = np.polyfit(stops[measured], values[measured], 1) if np.ptp(stops[measured]) > 0 else np.zeros(2)
    off_line = float(np.sum((values[measured] - np.polyval(line, stops[measured])) ** 2))
    off_rest = float(np.var(np.delete(values[measured], lone)) * (len(measured) - 1))
    moved = columns[:, measured[lone]] - np.median(columns[:, np.delete(measured, lone)], axis=1)
    doubt = doubt_of_means(drift.fitted, {measured[lone]: np.delete(measured, lone)})
    shaped &= not weight(*moved[1:]) < weight(*np.nan_to_num(doubt))  # more than chance
    if shaped and without[lone] <= _ODD_POWER * span and off_rest < off_line:
        return OddPower(power[measured[lone]], Difference.of(moved, doubt), leading, limit)
    ends = measured[[int(np.argmin(values[measured])), int(np.argmax(values[measured]))]]
    base, far = sorted(ends, key=lambda cell: stops[cell])
    difference = Difference.of(columns[:, far] - columns[:, base], doubt_of_means(drift.fitted, {far: base}))
    one_way = shaped and bool(abs(line[0]) * np.ptp(stops[measured]) > _ONE_WAY * span)
    return Ends(power[far], power[base], difference, leading, limit, one_way)


def _leading(
    drift: Drift, rows: Mapping[Quantity, Rows], cells: Indices, row: HeadRow, called: Called
) -> Quantity | None:
    """Return the quantity whose size and uncertainty take most of its limit, one that is outside before the others.

    Output only where the head does not pass by it, or nothing else is judged.
    """
    own, shares = own_rows(drift, rows), dict[Quantity, tuple[bool, float]]()
    for name, one in rows.items():
        mine = np.isin(one.second, cells) & ((np.arange(len(one.second)) < own) | (name not in COLUMN))
        if name in COLUMN:
            size, u = span_of(drift, int(drift.cells.head[cells[0]]), row, name)
        elif called.colour is not None and called.output == Verdict.WITHIN:
            continue
        else:
            size, u = row.largest_output_error_stops, 0.0
            if mine.any():
                size, u = float(np.fmax.reduce(one.size[mine] + np.nan_to_num(one.u[mine]))), 0.0
        if np.isfinite(size):
            shares[name] = bool(one.outside[mine].any()), (abs(size) + float(np.nan_to_num(u))) / one.limit
    return max(shares, key=lambda name: shares[name], default=None)
