"""What pages and screen say of the numbers of the tables, in one spelling."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeGuard

import pandas as pd

from greystep import words as say
from greystep.columns import HeadRow
from greystep.flags import MEANING, Status, split
from greystep.sentences.green_pink import green_pink
from greystep.sentences.kit import one_power
from greystep.sentences.summary import ReferenceLight
from greystep.terms import Kind, Verdict

#: The same as a drawn mark for a screen without colours: the value (o) against its limits (the brackets).
MARKS: Final[dict[str, str]] = {Verdict.WITHIN: "[o]", Verdict.OUTSIDE: "[ ]o", Verdict.UNDECIDED: "[ o"}

#: So many frames of one fault are named; the flags column of the tables names all.
FRAMES_NAMED: Final = 3

#: A cell that holds nothing.
EMPTY: Final = "\N{EN DASH}"


def known(value: Any) -> TypeGuard[float]:
    """Return whether a table's or a summary's cell holds a finite number."""
    return isinstance(value, (int, float)) and math.isfinite(value)


def number(value: Any, digits: int = 0, signed: bool = False) -> str:
    """Return a number with `digits` decimals and a real minus sign; `EMPTY` for what is unknown."""
    if not known(value):
        return EMPTY
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return f"\N{MINUS SIGN}{text}"
    return f"+{text}" if signed else text


def give_or_take(value: Any, u: Any, digits: int, signed: bool = False) -> str:
    """Return ``value +- u``, or the value alone where its uncertainty is unknown."""
    text = number(value, digits, signed)
    return f"{text} \N{PLUS-MINUS SIGN} {number(u, digits)}" if known(value) and known(u) else text


Value = str | Callable[[Any], Any]


@dataclass(frozen=True)
class Column:
    """A column of a table on a page.

    Attributes:
        value, u: A field of the row, or a function of it: what is shown, and its uncertainty where it has one.
        digits: Decimals of a number; None for text, where nothing is shown as `EMPTY`.
        kind: How it is set, where neither ``text`` nor ``num``.
    """

    title: str
    value: Value
    digits: int | None = None
    signed: bool = False
    u: Value = ""
    kind: str = ""

    def shown(self, row: Any) -> str:
        """Return the cell of a row as text."""
        value, u = (of(row) if callable(of) else getattr(row, of) if of else None for of in (self.value, self.u))
        return (str(value) or EMPTY) if self.digits is None else give_or_take(value, u, self.digits, self.signed)


@dataclass(frozen=True)
class Table:
    """A table on a page: heading and kind of each column (``text``, ``num``, ``long``, ``verdict``), and the rows."""

    columns: list[tuple[str, str]]
    rows: list[tuple[str, ...]]


def table(columns: Sequence[Column], rows: Iterable[Any]) -> Table:
    """Return the table that these columns show of some rows."""
    kinds = [(one.title, one.kind or ("text" if one.digits is None else "num")) for one in columns]
    return Table(kinds, [tuple(one.shown(row) for one in columns) for row in rows])


def kelvin_mired(delta_k: Any, delta_mired: Any, u_mired: Any = None) -> str:
    """Return the size of a difference as ``290 K (9.6 mired)``, with its uncertainty where one is given."""
    if not (known(delta_k) and known(delta_mired)):
        return EMPTY
    return f"{say.kelvin(delta_k)} ({give_or_take(abs(delta_mired), u_mired, 1)} mired)"


def kelvin_way(delta_k: Any, delta_mired: Any) -> str:
    """Return a difference in kelvin as ``259 warmer``: a sign would say the other way than that of mired."""
    if not (known(delta_k) and known(delta_mired)):
        return EMPTY
    return f"{abs(delta_k):.0f} {'warmer' if delta_mired > 0 else 'cooler'}" if abs(delta_k) >= 0.5 else "0"


def moves_by(said: str, span: float, u: float, digits: int, unit: str = "") -> str:
    """Return how far something moves, as it is said; where it may be chance, only how much it is less than."""
    return f"under {number(span + u, digits)}{unit}" if span <= u else said


def shift(mired: float, duv: float) -> str:
    """Return what a correction does to a frame: ``8.2 mired cooler and pinker by a trace (0.0004)``."""
    return f"{abs(mired):.1f} mired {'warmer' if mired > 0 else 'cooler'} and {green_pink(duv)}"


def reference(light: ReferenceLight) -> str:
    """Return the name of the light that the others are compared with."""
    if light.power is None:
        return "none: no frame gave a colour"
    return say.cell(light.head, light.power) if light.head else f"the mean of all heads at {light.power}"


def flags_said(flags: str) -> list[str]:
    """Return a row's flags as sentences."""
    return [MEANING.get(flag, flag) for flag in split(flags)]


@dataclass(frozen=True)
class Fault:
    """Frames with the same flags: file names (blank where there is none), labels, status, what is wrong."""

    frames: tuple[str, ...]
    labels: tuple[str, ...]
    status: str
    said: str

    @property
    def names(self) -> str:
        """The names of the frames: the first few, and how many more."""
        names = [frame or label for frame, label in zip(self.frames, self.labels, strict=True)]
        more = len(names) - FRAMES_NAMED
        return f"{', '.join(names[:FRAMES_NAMED])} and {more} more" if more > 0 else ", ".join(names)


def frames_by_fault(table: pd.DataFrame) -> list[Fault]:
    """Return the frames that have a flag, those of the same flags together.

    The rejected ones come first, else in the order of the table: of readings, or of corrections.
    """
    flagged = table[table["flags"] != ""].sort_values("status", key=lambda s: s != Status.REJECTED, kind="stable")
    faults = []
    for (status, flags), rows in flagged.groupby(["status", "flags"], sort=False):
        kinds = rows["kind"] if "kind" in rows else [Kind.JOB] * len(rows)
        labels = tuple(map(say.shown, rows["head"], rows["power"], kinds))
        faults.append(Fault(tuple(rows["frame"]), labels, str(status), "; ".join(flags_said(str(flags)))))
    return faults


def parts(row: HeadRow, back: bool) -> list[tuple[str, str]]:
    """Return what is called of a head over its powers: (what of it, verdict); one row where colour and output agree.

    Of a head that goes back nothing is told that cannot be called.
    """
    both = [("colour", row.verdict_colour), ("output", row.verdict_output)]
    if not all(said for _, said in both) or row.verdict_colour == row.verdict_output:
        both = [("", row.verdict)]
    return [one for one in both if not (back and one[1] == Verdict.UNDECIDED)]


@dataclass(frozen=True)
class ClaimRow:
    """What a maker's claim reads on one head; `over` is blank where one power was tested."""

    head: str
    shots: str
    at_one: str
    reach: str
    over: str


#: What is said of a maker's claim by its verdict.
CLAIMS: Final[dict[str, str]] = {
    Verdict.WITHIN: "holds",
    Verdict.OUTSIDE: "does not hold",
    Verdict.UNDECIDED: "cannot call it",
}


def claim(heads: Sequence[HeadRow]) -> tuple[str, list[ClaimRow]]:
    """Return a maker's claim as it was tested, and what it reads on each head; nothing where none was tested."""
    if not heads or not heads[0].claim:
        return "", []
    rows = []
    for row in heads:
        unit, digits, shots = "K", 0, row.shots_within_k
        half, u_half = row.range_within_k, row.u_range_within_k
        if "mired" in row.claim.lower():
            unit, digits, shots = "mired", 1, row.shots_within_mired
            half, u_half = row.range_within_mired, row.u_range_within_mired
        reach, over = f"{give_or_take(half, u_half, digits)} {unit}", row.claim_over_range
        if one_power(row):
            reach, over = "one power tested", ""
        rows.append(ClaimRow(row.label, f"{number(shots, digits)} {unit}", row.claim_one_power, reach, over))
    return f"The maker's claim, plus or minus {heads[0].claim}", rows
