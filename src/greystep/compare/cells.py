"""The cells of a session, every head at every power, and the frames that they are made of."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep import flags
from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.blocks import find_blocks, round_levels
from greystep.compare.firing_times import firing_order, index_clock, text_column
from greystep.compare.heat import Fired, Heat, find_heat
from greystep.constants import DUV_A_STEP, MIRED_A_STEP, STEP_UPRIME_VPRIME
from greystep.flags import Flag, Status
from greystep.session.power import SAME_STOPS
from greystep.session.shots import check_rows
from greystep.terms import LIT, PARTS, TESTED

#: What is fitted, each by the same design.
QUANTITIES: Final = ("mired", "duv", "u_prime", "v_prime", "output_stops")
#: The quantities whose uncertainty the readings give by its causes.
_PARTED: Final = ("mired", "duv")
#: Doubts that bear on colour, the most telling first: no head goes back for these. Left out are those of the white
#: itself (`far_from_reference`: a head that far off is what a test looks for) and of frames that enter no mean.
DOUBTS: Final = (
    Flag.SETTINGS_CHANGED,
    Flag.TAIL_CUT,
    Flag.TOO_SOON,
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
        stops, place: (n,) arrays. Below full; number among the flashes of the head.
        values, noise, shared: Mapping of quantity to (n,) array. The readings, where heads take turns less what their
            round reads from the others; the standard uncertainty (k = 1) of a frame's own noise where it is known; and
            that of errors which all frames of a cell share, of the black level and of the room light taken off.
        warmth, slope: (n,) arrays. Heat of its head, less the mean over the head's frames here, and its derivative by
            ln(tau); see `Heat`.
        block, clock: (n,) arrays. See `Blocks`.
        rounds: How many rounds are compared, where the heads take turns; else 1.
        room, share, room_effects: (n,) arrays and a mapping of them: the stretch of room light that changed, the chance
            that it had, and what that does, see `greystep.columns.FrameRow`.
        proven: (n,) bool array. A change of room light would have been seen.
        seconds: (m,) array. Capture times of every flash that fired [s]; empty where too few are known.
        turns: (m,) int array. The head of every flash that fired.
        checks: The usable check frames: head (a row of `Cells.heads`), power, stops, seconds (NaN where unknown),
            clock, warmth (as above), `QUANTITIES`, counted (whether in a mean), and visit (its frames follow each other
            without another flash).
    """

    rows: Indices
    cell: Indices
    head: Indices
    stops: Floats
    place: Floats
    values: Mapping[str, Floats]
    noise: Mapping[str, Floats]
    shared: Mapping[str, Floats]
    warmth: Floats
    slope: Floats
    block: Indices
    clock: Floats
    rounds: int
    room: Indices
    share: Floats
    room_effects: Mapping[str, Floats]
    proven: Booleans
    heat: Heat
    seconds: Floats
    turns: Indices
    checks: pd.DataFrame


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
    head = text_column(log, "head").to_numpy(object)
    flash = log["kind"].isin(TESTED).to_numpy() & (head != "") & np.isfinite(stops)
    marks = [frozenset(flags.split(cell)) for cell in text_column(log, "flags").tolist()]
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
    noted = check_rows(log)
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
        doubted[flag] &= pd.Series(body).isin(body[used & ~doubted[flag]]).to_numpy()
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
    fired &= log["kind"].isin(LIT).to_numpy() & (head != "")
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
    numbers = {name: log[name].to_numpy(np.float64)[order] for name in QUANTITIES}
    cell, check = cell_of[order].astype(np.intp), noted[order]
    clock = seconds if known else index_clock(of_head, check)
    blocks = find_blocks(of_head, cell, check, seconds)
    if blocks.in_turns:
        for name in set(QUANTITIES) - {"output_stops"}:
            numbers[name] = numbers[name] - round_levels(numbers[name], cell, blocks.of)
    heat = find_heat(Fired(of_head, cell, stops[order], clock, before), numbers["mired"], len(cells.heads))
    in_use = np.flatnonzero(cell >= 0)
    rows, used_head = order[in_use], of_head[in_use]
    warmth, slope = (
        one - _means(one[in_use], used_head, len(cells.heads))[of_head] for one in (heat.warmth, heat.slope)
    )
    place = np.asarray(pd.Series(of_head).groupby(of_head).cumcount(), dtype=np.float64)
    own = np.where(check, of_head, -1)
    visit = np.cumsum(np.diff(own, prepend=-1) != 0)  # of one head's checks, or other flashes
    at = np.flatnonzero(check & usable[order])
    checks = {"head": of_head, "power": text_column(log, "power").to_numpy(object)[order], "stops": stops[order]}
    checks |= {"seconds": seconds if known else np.full(len(order), np.nan), "clock": blocks.clock, "warmth": warmth}
    checks |= {**numbers, "counted": cell >= 0, "visit": visit}
    used = log.iloc[rows]
    noise, shared = _noise(used)
    return Frames(
        rows=rows,
        cell=cell[in_use],
        head=used_head,
        stops=stops[rows],
        place=place[in_use],
        values={name: column[in_use] for name, column in numbers.items()},
        noise=noise,
        shared=shared,
        warmth=warmth[in_use],
        slope=slope[in_use],
        block=blocks.of[in_use],
        clock=blocks.clock[in_use],
        rounds=len(np.unique(blocks.of[in_use])) if blocks.in_turns else 1,
        room=_column(used, "room", -1).astype(np.intp),
        share=np.nan_to_num(_column(used, "room_share", 0.0)),
        room_effects={name: np.nan_to_num(_column(used, f"room_{name}", 0.0)) for name in QUANTITIES},
        proven=_column(used, "room_proven", 1.0) != 0,
        heat=heat,
        seconds=seconds,
        turns=of_head,
        checks=pd.DataFrame({name: column[at] for name, column in checks.items()}),
    )


def _column(log: pd.DataFrame, name: str, unknown: float) -> Floats:
    return log[name].to_numpy(np.float64) if name in log else np.full(len(log), unknown)


def _means(values: Floats, head: Indices, count: int) -> Floats:
    """Return the mean of each head (h,); 0 where it has no frame."""
    n = np.bincount(head, minlength=count)
    return np.asarray(np.bincount(head, values, minlength=count) / np.maximum(n, 1))


def size_of(quantity: str, mired: Floats | float, duv: Floats | float) -> Floats:
    """Return what errors of so many mired and so much Duv are in a quantity: in u'v' evenly along both axes."""
    if quantity in ("u_prime", "v_prime"):
        return np.asarray(np.hypot(mired / MIRED_A_STEP, duv / DUV_A_STEP) * STEP_UPRIME_VPRIME / np.sqrt(2))
    sizes = {"mired": mired, "duv": duv}
    return np.asarray(sizes.get(quantity, np.zeros_like(mired)), dtype=np.float64)


def _noise(log: pd.DataFrame) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Return the standard uncertainty (k = 1) of each frame's own noise, and that of the errors its cell shares.

    In u'v' it is that of mired and Duv by their steps.
    """
    common = [
        np.hypot(*(np.nan_to_num(_column(log, f"u_{name}_{cause}", 0.0)) for cause in ("ambient", "black")))
        for name in _PARTED
    ]
    frame = [_column(log, f"u_{name}_frame" if f"u_{name}_frame" in log else f"u_{name}", np.nan) for name in _PARTED]
    with np.errstate(invalid="ignore", divide="ignore"):
        output = _column(log, "u_signal_g", np.nan) / _column(log, "signal_g", np.nan) / np.log(2)
    own = {name: size_of(name, *frame) / 2.0 for name in QUANTITIES} | {"output_stops": output / 2.0}
    return own, {name: size_of(name, *common) / 2.0 for name in QUANTITIES}


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
