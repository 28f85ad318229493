"""The cells of a session and their estimates: every head at every power, from one joint fit of its frames."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep import flags
from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.firing_times import firing_order, index_clock, text_column
from greystep.compare.fit import Estimates, LeastSquares, effective_dof, least_squares
from greystep.compare.heat import Fired, Heat, find_heat
from greystep.constants import DUV_A_STEP, MIRED_A_STEP, STEP_UPRIME_VPRIME
from greystep.flags import Flag, Status
from greystep.session.power import SAME_STOPS
from greystep.session.shots import noted_checks
from greystep.terms import LIT, PARTS, Kind

#: What is fitted, each by the same design.
QUANTITIES: Final = ("mired", "duv", "u_prime", "v_prime", "output_stops")
#: Doubts that bear on colour, the most telling first: no head goes back for these. Left out are those of the white
#: itself (`far_from_reference`: a head that far off is what a test looks for) and of frames that enter no mean.
DOUBTS: Final = (
    Flag.SETTINGS_CHANGED,
    Flag.TAIL_CUT,
    Flag.BLACK_DOUBTFUL,
    Flag.AMBIENT_CHANGED,
    Flag.NO_AMBIENT,
    Flag.AMBIENT_HIGH,
    Flag.NEAR_WHITE,
    Flag.TOO_DARK,
    Flag.MATRIX_DIFFERS,
    Flag.OPCODES_IGNORED,
    Flag.UNEVEN,
)
#: Of these what belongs to the camera or the card: it acts on all frames alike where all of a body carry it.
_ALIKE: Final = (Flag.OPCODES_IGNORED, Flag.UNEVEN)
_ON: Final = {"pack": "on pack", "channel": "on channel", "with": "beside", "modifier": "with"}
_NEVER_FIRED: Final = frozenset({Flag.NO_FLASH, Flag.EXTRA_FRAME})
_BEFORE: Final = re.compile(r"(\d{1,2})\s+warm-?\s?up\s+(?:shot|flash)", re.IGNORECASE)


@dataclass(frozen=True)
class Cells:
    """The cells of a session in the order of powers.csv: heads as in the log, then from full down.

    Attributes:
        table: body, head, power, stops, n, n_outlier, and those of `PARTS` that vary.
        head, series: (c,) int arrays. The head (a row of `heads`) and the head with its parts, from 0.
        heads: Every head once. body, head; label, in sentences, with the body where two bodies share the head; shot and
            bad, how many frames it has, and how many are rejected, outliers or in doubt; fault, the flag that most of
            these carry.
        varying: The columns of the table that separate cells of one head and power.
        moved: (c,) bool array. Its head was on several packs (channels, modifiers).
        names: (c,) array of str. What each is called beside its head: its power, and on what where its head was moved.
        colourless: (c,) bool array. No frame of the cell has a colour matrix.
        doubts: (c,) array of str. Where most used frames of the cell carry a flag of `DOUBTS`, so that what it reads
            may not be the head's: the most telling of these; else blank.
    """

    table: pd.DataFrame
    head: Indices
    series: Indices
    heads: pd.DataFrame
    varying: tuple[str, ...]
    moved: Booleans
    names: npt.NDArray[np.object_]
    colourless: Booleans
    doubts: npt.NDArray[np.object_]


@dataclass(frozen=True)
class Frames:
    """The frames that the means use, in capture order, and the heat of their heads.

    Attributes:
        rows, cell, head: (n,) int arrays. The rows of the readings; the cells and heads.
        stops: (n,) array. Below full.
        values, noise: Mapping of quantity to (n,) array. The readings, and the standard uncertainty (k = 1) of a
            frame's own noise where it is known.
        warmth, slope: (n,) arrays. See `Heat`.
        seconds: (m,) array. Capture times of every flash that fired [s]; empty where too few are known.
        turns: (m,) int array. The head of every flash that fired.
        checks: The usable check frames: head (a row of `Cells.heads`), power, stops, seconds (NaN where unknown),
            warmth, `QUANTITIES`, counted (whether in a mean), and visit (its frames follow each other without another
            flash).
    """

    rows: Indices
    cell: Indices
    head: Indices
    stops: Floats
    values: Mapping[str, Floats]
    noise: Mapping[str, Floats]
    warmth: Floats
    slope: Floats
    heat: Heat
    seconds: Floats
    turns: Indices
    checks: pd.DataFrame


@dataclass(frozen=True)
class Fitted:
    """One quantity: its estimates, and what the joint fit leaves.

    Attributes:
        cells: Of the cells, in the warm state where a warm-up term is kept. Their sources of chance are the heads, in
            their order, and last the common time constant of the heat.
        warmup, warmup_variances: (h,) array, (h, h + 1) array. Warm state minus rest of each head, and its variance by
            source; NaN where not kept.
        sums, dof: (h,) arrays. Residual sum of squares and degrees of freedom of each head.
        residuals, warm: (n,) arrays. What the fit leaves of each frame, and the frame brought to the warm state.
    """

    cells: Estimates
    warmup: Floats
    warmup_variances: Floats
    sums: Floats
    dof: Floats
    residuals: Floats
    warm: Floats


def find_cells(readings: pd.DataFrame) -> tuple[Cells, Frames]:
    """Sort the flash frames of a session into cells.

    Returns: A cell is body, head, pack, channel, with, modifier (where these vary) and power within 0.01 stop. Used are
        flash frames with status ok or doubtful that carry no flag of `flags.UNUSED`. A frame without a body (its file
        is missing) counts for the body of its head. Check frames are flashes that warm the head, but enter no mean
        where the cell has other frames: they come from a head that has rested, and are spread over the session, so that
        they would show as drift with power what is heat or the room. A light that was shot in check frames alone has
        its mean from them.
    """
    log = readings.reset_index(drop=True)
    stops = pd.to_numeric(log["stops"], errors="coerce").to_numpy(np.float64)
    kind, head = log["kind"].to_numpy(object), text_column(log, "head").to_numpy(object)
    flash = (kind == Kind.FLASH) & (head != "") & np.isfinite(stops)
    marks = [frozenset(flags.split(cell)) for cell in text_column(log, "flags")]
    body = _bodies(text_column(log, "body").to_numpy(object), head)
    varying = [name for name in PARTS if len(set(text_column(log, name)[flash])) > 1]
    keys = pd.DataFrame({"body": body, "head": head, **{name: text_column(log, name) for name in varying}})
    rows = np.flatnonzero(flash)
    series_of = keys.groupby(list(keys.columns), sort=False).ngroup().to_numpy(np.intp)
    head_of = keys.iloc[rows].groupby(["body", "head"], sort=False).ngroup().to_numpy(np.intp)
    order = np.lexsort((rows, stops[rows], _first(series_of[rows]), head_of))
    setting = settings(stops)[rows]
    triple = np.column_stack([head_of, _first(series_of[rows]), setting])[order]
    new = np.any(np.diff(triple, axis=0, prepend=-1) != 0, axis=1)
    cell_of = np.full(len(log), -1)
    cell_of[rows[order]] = np.cumsum(new) - 1
    first = np.array([rows[cell_of[rows] == cell].min() for cell in range(int(new.sum()))], dtype=np.intp)

    status = log["status"].to_numpy(object)
    measured = np.isfinite(log["mired"].to_numpy(np.float64))
    clean = np.array([not (mark & flags.UNUSED) for mark in marks], dtype=bool)
    usable = flash & (status != Status.REJECTED) & clean & measured
    noted = noted_checks(text_column(log, "note"))
    check = flash & noted
    count = len(first)
    tested = np.bincount(cell_of[usable & ~check], minlength=count) > 0
    used = usable & ~(check & np.append(tested, False)[cell_of])
    outlier = np.array([Flag.OUTLIER in mark for mark in marks], dtype=bool) & flash
    table = pd.DataFrame(
        {
            "body": body[first],
            "head": head[first],
            **{name: text_column(log, name).to_numpy(object)[first] for name in varying},
            "power": text_column(log, "power").to_numpy(object)[first],
            "stops": stops[first],
            "n": np.bincount(cell_of[used], minlength=count),
            "n_outlier": np.bincount(cell_of[outlier], minlength=count),
        }
    )
    heads = table[["body", "head"]].drop_duplicates(ignore_index=True)
    shared = heads["head"].duplicated(keep=False)
    heads["label"] = heads["head"].where(~shared, heads["head"] + " (" + heads["body"] + ")")
    of_head = _first(table.groupby(["body", "head"], sort=False).ngroup().to_numpy())
    of_series = _first(table.groupby(["body", "head", *varying], sort=False).ngroup().to_numpy())
    parts = ("body", *varying) if len(set(body[rows])) > 1 else tuple(varying)
    blind = np.array([Flag.NO_MATRIX in mark for mark in marks], dtype=bool)
    colourless = np.bincount(cell_of[flash & ~blind], minlength=count) == 0
    doubted = {flag: np.array([flag in mark for mark in marks], dtype=bool) for flag in DOUBTS}
    for flag in _ALIKE:
        doubted[flag] &= np.isin(body, body[used & ~doubted[flag]])
    unsound = np.any(list(doubted.values()), axis=0)
    doubts = np.full(count, "", dtype=object)
    most = 2 * np.bincount(cell_of[used & unsound], minlength=count) > table["n"]
    for flag in reversed(DOUBTS):
        doubts[most & (np.bincount(cell_of[used & doubted[flag]], minlength=count) > 0)] = flag
    shot = flash & np.array([Flag.MISSING not in mark for mark in marks], dtype=bool)
    bad = shot & (unsound | outlier | (status == Status.REJECTED))
    owner = np.append(of_head, -1)[cell_of]
    heads["shot"], heads["bad"] = (np.bincount(owner[at], minlength=len(heads)) for at in (shot, bad))
    heads["fault"] = [_commonest([marks[row] for row in np.flatnonzero(bad & (owner == n))]) for n in heads.index]
    moved = np.bincount(of_head[np.unique(of_series, return_index=True)[1]])[of_head] > 1
    names = _names(table, varying, moved)
    cells = Cells(table, of_head, of_series, heads, parts, moved, names, colourless, doubts)
    fired = np.array([not (mark & _NEVER_FIRED) for mark in marks], dtype=bool) & np.isfinite(stops)
    fired &= np.isin(kind, LIT) & (head != "")
    frames = _frames(log, cells, np.where(used, cell_of, -1), fired, body, head, stops, noted, usable)
    return cells, frames


def _commonest(marks: Sequence[frozenset[str]]) -> str:
    """Return the flag that most frames carry, the first in the order of flags on equal terms; blank without one."""
    return max(flags.ordered(set[str]().union(*marks)), key=lambda one: sum(one in mark for mark in marks), default="")


def _names(table: pd.DataFrame, varying: list[str], moved: Booleans) -> npt.NDArray[np.object_]:
    """Return the powers, behind them the pack (channel, company, modifier) of heads that were moved."""
    names = table["power"].to_numpy(object, copy=True)
    for part in varying:
        labels = table[part].to_numpy(object)
        told = moved & (labels != "")
        names[told] += f" {_ON[part]} " + labels[told]
    return names


def fit_cells(cells: Cells, frames: Frames) -> dict[str, Fitted]:
    """Fit every quantity by one least-squares fit: cell means, and the warm-up terms that are kept.

    Returns: Without a warm-up term the estimates are the plain means. Scatter is pooled over the cells of a head; a
        head without repeats takes that of the others. No cell is held surer than its frames' own noise / sqrt(n). The
        time constant is taken one Newton step further, and its uncertainty, from the fit of mired, is in all others:
        ``C = s^2 G G^T + var(ln tau) g g^T`` with ``g = G d(fit) / d(ln tau)`` (partitioned inverse of the normal
        matrix).
    """
    fitted: dict[str, Fitted] = {}
    tau = _Tau(0.0, 0.0, 1.0)
    for quantity in QUANTITIES:
        system = _system(cells, frames, quantity)
        if quantity == "mired":
            tau = _time_constant(system, tau)
        fitted[quantity] = _solve(cells, frames, quantity, system, tau)
    return fitted


@dataclass(frozen=True)
class _System:
    """The least-squares problem of one quantity: its frames, design, where its columns stand among all, and its fit.

    `bend` is the fit's derivative by ln(tau); `free` the degrees of freedom of each head.
    """

    rows: Indices
    head: Indices
    values: Floats
    design: Floats
    places: Indices
    fit: LeastSquares
    bend: Floats
    free: Floats


@dataclass(frozen=True)
class _Tau:
    """What mired says of ln(tau): the step from the scanned value, its variance and degrees of freedom."""

    step: float
    variance: float
    dof: float


def _system(cells: Cells, frames: Frames, quantity: str) -> _System:
    rows = np.flatnonzero(np.isfinite(frames.values[quantity]))
    cell, head, values = frames.cell[rows], frames.head[rows], frames.values[quantity][rows]
    present, kept = np.unique(cell), np.flatnonzero(frames.heat.kept)
    terms = kept[np.isin(kept, head)]
    number = len(cells.heads)
    means = (cell[:, None] == present).astype(np.float64)
    own = (head[:, None] == terms).astype(np.float64)
    design = np.hstack([means, own * (frames.warmth[rows, None] - 1.0)])
    fit = least_squares(design, values)
    owner = np.concatenate([cells.head[present], terms])
    estimator = np.where(owner[:, None] == head, fit.estimator, 0.0)  # heads share nothing here but rounding
    free = (np.bincount(head, minlength=number) - np.bincount(cells.head[present], minlength=number)).astype(np.float64)
    free[terms] -= 1.0 + 1.0 / max(len(terms), 1)  # the term, and its share of the common time constant
    return _System(
        rows=rows,
        head=head,
        values=values,
        design=design,
        places=np.concatenate([present, len(cells.table) + np.searchsorted(kept, terms)]).astype(np.intp),
        fit=replace(fit, estimator=estimator),
        bend=own @ fit.coefficients[len(present) :] * frames.slope[rows],
        free=np.maximum(free, 0.0),
    )


def _time_constant(system: _System, unknown: _Tau) -> _Tau:
    """Return the Newton step of ln(tau) and its variance; `unknown` where no term is kept."""
    seen = system.bend - system.design @ (system.fit.estimator @ system.bend)
    sums = np.bincount(system.head, system.fit.residuals**2, minlength=len(system.free)).astype(np.float64)
    variance, dof = _pooled(sums, system.free)
    certain = np.where(variance > 0, variance, np.inf)[system.head]
    known = float(np.sum(seen**2 / certain))
    if known <= 0:
        return unknown
    row = seen / certain / known
    brought = np.nan_to_num(variance) * np.bincount(system.head, row**2, len(system.free))
    return _Tau(float(row @ system.fit.residuals), float(brought.sum()), float(effective_dof(brought, dof)))


def _solve(cells: Cells, frames: Frames, quantity: str, system: _System, tau: _Tau) -> Fitted:
    count, number, kept = len(cells.table), len(cells.heads), np.flatnonzero(frames.heat.kept)
    estimator, rows, head = system.fit.estimator, system.rows, system.head
    swing = estimator @ system.bend
    coefficients = system.fit.coefficients - swing * tau.step
    residuals = system.values - system.design @ coefficients - system.bend * tau.step
    sums = np.bincount(head, residuals**2, minlength=number).astype(np.float64)
    variance, dof = _pooled(sums, system.free)
    estimates = np.full(count + len(kept), np.nan)
    estimates[system.places] = coefficients
    parts = np.zeros((number + 1, len(estimates), len(estimates)))
    for one in range(number):
        own = estimator[:, head == one]
        parts[one][np.ix_(system.places, system.places)] = variance[one] * (own @ own.T)
    parts[number][np.ix_(system.places, system.places)] = tau.variance * np.outer(swing, swing)
    warmup, warmup_variances = np.full(number, np.nan), np.full((number, number + 1), np.nan)
    warmup[kept], warmup_variances[kept] = estimates[count:], np.diagonal(parts, axis1=1, axis2=2).T[count:]

    left, warm = np.full(len(frames.cell), np.nan), np.full(len(frames.cell), np.nan)
    left[rows] = residuals
    warm[rows] = system.values - np.nan_to_num(warmup)[head] * (frames.warmth[rows] - 1.0)
    of_cells = _hold_to_noise(cells, frames.cell[rows], frames.noise[quantity][rows], parts[:, :count, :count])
    joint = Estimates(estimates[:count], of_cells, np.append(dof, tau.dof))
    return Fitted(joint, warmup, warmup_variances, sums, system.free, left, warm)


def _hold_to_noise(cells: Cells, cell: Indices, noise: Floats, parts: Floats) -> Floats:
    """Raise the uncertainty of cells that would be surer than their frames' own noise / sqrt(n)."""
    count = len(cells.table)
    squares = np.bincount(cell, np.nan_to_num(noise) ** 2, minlength=count)
    floor = squares / np.maximum(np.bincount(cell, minlength=count), 1) ** 2
    own = np.sum(np.diagonal(parts, axis1=1, axis2=2), axis=0)
    silent = (own < 1e-12 * floor) & (floor > 0)  # frames so alike that only their noise says anything
    raised = np.sqrt(np.maximum(np.divide(floor, own, out=np.ones(count), where=(own > 0) & ~silent), 1.0))
    parts = parts * raised[:, None] * raised[None, :]
    parts[cells.head[silent], silent, silent] = floor[silent]
    return np.asarray(parts)


def _pooled(sums: Floats, free: Floats) -> tuple[Floats, Floats]:
    """Return each head's variance and degrees of freedom; a head without repeats takes those of all together."""
    alone = free <= 0
    variance = np.full(len(free), np.nan)
    variance[~alone] = sums[~alone] / free[~alone]
    dof = free.copy()
    if alone.any() and not alone.all():
        variance[alone], dof[alone] = sums[~alone].sum() / free[~alone].sum(), free[~alone].sum()
    return variance, dof


def _frames(
    log: pd.DataFrame,
    cells: Cells,
    cell_of: npt.NDArray[np.int64],
    fired: Booleans,
    body: npt.NDArray[np.object_],
    head: npt.NDArray[np.object_],
    stops: Floats,
    noted: Booleans,
    usable: Booleans,
) -> Frames:
    """Gather the used frames and the check frames in capture order, with the heat of their heads."""
    names = {key: number for number, key in enumerate(zip(cells.heads["body"], cells.heads["head"], strict=True))}
    number = np.array([names.get(key, -1) for key in zip(body, head, strict=True)], dtype=np.intp)
    order, seconds = firing_order(log, fired & (number >= 0), number)
    of_head, known = number[order], len(seconds) > 0
    notes = text_column(log, "note").to_numpy(object)[order]
    before = np.array([int(found[1]) if (found := _BEFORE.search(note)) else 0 for note in notes], dtype=np.intp)
    clock = seconds if known else index_clock(of_head)
    numbers = {name: log[name].to_numpy(np.float64)[order] for name in QUANTITIES}
    fired_flashes = Fired(of_head, cell_of[order].astype(np.intp), stops[order], clock, before)
    heat = find_heat(fired_flashes, numbers["mired"], len(cells.heads))
    in_use = np.flatnonzero(cell_of[order] >= 0)
    rows = order[in_use]
    own = np.where(noted[order], of_head, -1)
    runs = np.cumsum(np.diff(own, prepend=-1) != 0)  # of one head's checks, or other flashes
    at = np.flatnonzero((noted & usable)[order])
    checks = {"head": of_head, "power": text_column(log, "power").to_numpy(object)[order], "stops": stops[order]}
    checks |= {"seconds": seconds if known else np.full(len(order), np.nan), "warmth": heat.warmth, **numbers}
    checks |= {"counted": cell_of[order] >= 0, "visit": runs}
    return Frames(
        rows=rows,
        cell=cell_of[rows].astype(np.intp),
        head=of_head[in_use],
        stops=stops[rows],
        values={name: column[in_use] for name, column in numbers.items()},
        noise=_noise(log, rows),
        warmth=heat.warmth[in_use],
        slope=heat.slope[in_use],
        heat=heat,
        seconds=seconds,
        turns=of_head,
        checks=pd.DataFrame({name: column[at] for name, column in checks.items()}),
    )


def _noise(log: pd.DataFrame, rows: Indices) -> dict[str, Floats]:
    """Return the standard uncertainty (k = 1) of each frame's noise; in u'v' that of mired and Duv by their steps."""
    column = {name: log[name].to_numpy(np.float64)[rows] for name in ("u_mired", "u_duv", "u_signal_g", "signal_g")}
    with np.errstate(invalid="ignore", divide="ignore"):
        output = column["u_signal_g"] / column["signal_g"] / np.log(2)
    steps = np.hypot(column["u_mired"] / MIRED_A_STEP, column["u_duv"] / DUV_A_STEP)
    axis = steps * STEP_UPRIME_VPRIME / np.sqrt(2)
    halves = dict(zip(QUANTITIES, (column["u_mired"], column["u_duv"], axis, axis, output), strict=True))
    return {name: half / 2.0 for name, half in halves.items()}


def _bodies(body: npt.NDArray[np.object_], head: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return the bodies with blanks filled: by the head's own, or by the first of the log."""
    known = dict(zip(head[body != ""][::-1], body[body != ""][::-1], strict=True))
    first = next(iter(body[body != ""]), "")
    filled = [label or known.get(name, first) for label, name in zip(body, head, strict=True)]
    return np.array(filled, dtype=object) if filled else body


def settings(stops: Floats) -> Indices:
    """Number the settings: stops in rising order, one number for powers within 0.01 stop."""
    numbers = np.zeros(len(stops), dtype=np.intp)
    order = np.argsort(stops, kind="stable")
    numbers[order] = np.cumsum(np.diff(stops[order], prepend=-np.inf) > SAME_STOPS + 1e-9)
    return numbers


def same_powers(a: Floats, b: Floats) -> Booleans:
    """Return where two powers [stops below full] are one, as `greystep.session.power.same_power`."""
    return np.asarray(np.abs(a - b) <= SAME_STOPS + 1e-9)


def _first(groups: npt.NDArray[Any]) -> Indices:
    """Renumber groups by their first appearance."""
    return pd.factorize(groups)[0].astype(np.intp)
