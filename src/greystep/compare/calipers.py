"""The differences that decide, each as its verdict counts it: what figures hold against the caliper of a limit.

Of a head: each of its lights against the one light that decides. Of every two heads: the worst of their lights.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Floats, Indices
from greystep.columns import HeadRow
from greystep.compare.differences import components, difference, within_pairs
from greystep.compare.drift import Drift
from greystep.compare.findings import Finding
from greystep.compare.limits import Rows, verdicts
from greystep.compare.odd_heads import OddHeads
from greystep.constants import DUV_A_STEP, MIRED_A_STEP
from greystep.terms import COLUMN, Quantity, Verdict

#: What is worse comes first.
_WORST_FIRST: Final = {Verdict.OUTSIDE: 2, Verdict.UNDECIDED: 1, Verdict.WITHIN: 0}
#: What counts as one limit where none is given, so that differences can be ranked.
_UNJUDGED: Final = {Quantity.MIRED: MIRED_A_STEP, Quantity.DUV: DUV_A_STEP}


class State(StrEnum):
    """What is to become of a head, the worst first."""

    BACK = "back"
    CLASH = "clash"  # not in one picture: with another head, or on one pack and another
    AGAIN = "again"  # its frames are to be shot again first
    OPEN = "open"  # cannot be called
    KEEP = "keep"


@dataclass(frozen=True)
class Gap:
    """A light against another by one quantity.

    Attributes:
        light, against: Cells.
        size: Signed [unit of the quantity]: positive is warmer, greener, brighter. A distance in steps has no sign.
        u: Half-width that the verdict counts: the difference's own where it is within, else the one at which all
            differences hold at once. So a bar of this half-width lies inside the limit, or beyond it, as it is called.
        limit: None where none is given; the verdict is then None too.
        withheld: Why it is called neither, whatever its numbers say (`terms.Withheld`); else blank.
    """

    quantity: Quantity
    light: int
    against: int
    size: float
    u: float
    limit: float | None
    verdict: Verdict | None
    withheld: str

    @property
    def ratio(self) -> float:
        """The size over its limit; where none is given, over one step of colour."""
        return abs(self.size) / _unit(self)

    @property
    def rank(self) -> tuple[int, float]:
        """The larger, the worse."""
        return (_WORST_FIRST[self.verdict] if self.verdict else 0, self.ratio)

    @property
    def telling(self) -> tuple[int, float]:
        """The larger, the more it decides: the clearest of those outside, of the others the nearest to the limit."""
        return self.rank[0], float(_telling(self.ratio, self.u / _unit(self), self.verdict == Verdict.OUTSIDE))


@dataclass(frozen=True)
class HeadGaps:
    """A head by one quantity: each of its lights against the light of `decides`, which is the worst of all."""

    decides: Gap
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class HeadStand:
    """What becomes of a head, and the differences that say so, by quantity; a quantity without any is left out."""

    head: int
    state: State
    by: Mapping[Quantity, HeadGaps]

    @property
    def rank(self) -> tuple[int, int, float]:
        """The larger, the worse."""
        worst = max((one.decides.rank for one in self.by.values()), default=(0, 0.0))
        return (-list(State).index(self.state), *worst)


@dataclass(frozen=True)
class Calipers:
    """What decides of a session.

    Attributes:
        labels, names, head_of: What each head is called; what each light is called beside its head, and its head.
        heads: In the order of the log.
        pairs: By two heads, the first in the log first, or one and itself: the worst difference of their lights by a
            limit of colour; by any where none is given. Heads that no camera saw together are left out.
        across: The two lights of each row of the table of pairs.
    """

    labels: tuple[str, ...]
    names: tuple[str, ...]
    head_of: tuple[int, ...]
    heads: tuple[HeadStand, ...]
    pairs: Mapping[tuple[int, int], Gap]
    across: tuple[tuple[int, int], ...]

    def light(self, cell: int) -> tuple[str, str]:
        """Return a light as its head and what it is called beside it."""
        return self.labels[self.head_of[cell]], self.names[cell]


@dataclass(frozen=True)
class _Signed:
    """All differences of one quantity, as columns of `Gap`."""

    quantity: Quantity
    limit: float | None
    first: Indices
    second: Indices
    size: Floats
    u: Floats
    verdict: npt.NDArray[np.object_]
    withheld: npt.NDArray[np.object_]

    @cached_property
    def grade(self) -> Indices:
        """The first part of `Gap.rank`."""
        graded = [np.where(self.verdict == str(verdict), grade, 0) for verdict, grade in _WORST_FIRST.items()]
        return np.asarray(np.sum(graded, axis=0), dtype=np.intp)

    @cached_property
    def ratio(self) -> Floats:
        """As of `Gap`."""
        return np.asarray(np.abs(self.size) / _unit(self))

    @cached_property
    def telling(self) -> Floats:
        """The second part of `Gap.telling`."""
        return _telling(self.ratio, self.u / _unit(self), self.verdict == str(Verdict.OUTSIDE))

    def gap(self, at: int, against: int) -> Gap:
        """Return a row, its sign turned so that it is the other light less the one of `against`."""
        turned = self.second[at] == against and self.quantity != Quantity.STEPS
        light, other = (self.first[at], self.second[at]) if self.second[at] == against else (
            self.second[at], self.first[at],
        )  # fmt: skip
        called = Verdict(self.verdict[at]) if self.limit is not None else None
        size = float(-self.size[at] if turned else self.size[at])
        return Gap(
            self.quantity, int(light), int(other), size, float(self.u[at]), self.limit, called, str(self.withheld[at])
        )


def _unit(told: Gap | _Signed) -> float:
    return told.limit or _UNJUDGED.get(told.quantity, 1.0)


def _telling(ratio: npt.ArrayLike, doubt: npt.ArrayLike, outside: npt.ArrayLike) -> Floats:
    known = np.where(np.isfinite(doubt), doubt, 0.0)
    return np.asarray(ratio + np.where(outside, -known, known))


def find_calipers(drift: Drift, rows: Mapping[Quantity, Rows], findings: Sequence[Finding], odd: OddHeads) -> Calipers:
    """Find the differences that decide.

    A head is held against its own lights, and against those of the heads that nothing stands against. Where there are
    none, one against which something stands is held against those that stay; where none stays, one that goes back or is
    to be shot again against all.
    """
    told = list(_all(drift, rows))
    colour = [one for one in told if one.quantity in COLUMN]
    judged = [one for one in colour if one.limit is not None]
    states = [_state(head, finding, odd) for head, finding in enumerate(findings)]
    heads = []
    for head, state in enumerate(states):
        others = _others(head, states)
        made = {one.quantity: _of_head(drift, one, head, others) for one in told}
        by = {name: _with_span(one, findings[head].row, drift) for name, one in made.items() if one is not None}
        unsure = any(one.decides.verdict == Verdict.UNDECIDED for one in by.values())
        state = State.OPEN if state == State.KEEP and unsure else state
        heads.append(HeadStand(head, state, by))
    return Calipers(
        labels=tuple(map(str, drift.cells.heads["label"])),
        names=tuple(map(str, drift.cells.names)),
        head_of=tuple(map(int, drift.cells.head)),
        heads=tuple(heads),
        pairs=_pairs(drift, judged or colour),
        across=tuple(zip(drift.pair_first.tolist(), drift.pair_second.tolist(), strict=True)),
    )


def _state(head: int, finding: Finding, odd: OddHeads) -> State:
    if head in odd.back:
        return State.BACK
    if head in odd.clash or head in odd.between:
        return State.CLASH
    if head in odd.spoilt or head in odd.doubted:
        return State.AGAIN
    return State.KEEP if finding.verdict == Verdict.WITHIN and not finding.close else State.OPEN


def _others(head: int, states: Sequence[State]) -> Booleans:
    """Return which heads one is held against."""
    known = np.array(states, dtype=object)
    steady, stay, every = (State.KEEP,), (State.KEEP, State.OPEN, State.CLASH), tuple(State)
    tiers: dict[State, list[tuple[State, ...]]] = {
        State.KEEP: [steady],
        State.BACK: [steady, stay, every],
        State.AGAIN: [steady, stay, every],
    }
    for wanted in tiers.get(states[head], [steady, stay]):
        chosen = np.isin(known, [str(one) for one in wanted])
        chosen[head] = False
        if chosen.any():
            return chosen
    return np.zeros(len(known), dtype=bool)


def _all(drift: Drift, rows: Mapping[Quantity, Rows]) -> Iterator[_Signed]:
    """Return the differences of every quantity that is judged; and of warmth and green to pink where they are not."""
    shown = [name for name in COLUMN if name in rows]
    if not {Quantity.MIRED, Quantity.KELVIN, Quantity.STEPS} & set(shown):
        shown.insert(0, Quantity.MIRED)
    if not {Quantity.DUV, Quantity.STEPS} & set(shown):
        shown.append(Quantity.DUV)
    for quantity in shown:
        judged = rows.get(quantity)
        own_first, own_second = within_pairs(drift.cells)
        first, second = np.append(own_first, drift.pair_first), np.append(own_second, drift.pair_second)
        size, u = difference(components(drift.fitted, quantity), first, second)
        size = -size if quantity == Quantity.KELVIN else size  # more kelvin is cooler
        yield _signed(quantity, judged, first, second, size, u)
    if (judged := rows.get(Quantity.OUTPUT_STOPS)) is not None:
        size = drift.powers["output_error_stops"].to_numpy(np.float64)[judged.second]
        yield _signed(Quantity.OUTPUT_STOPS, judged, judged.first, judged.second, size, judged.u)


def _signed(
    quantity: Quantity, judged: Rows | None, first: Indices, second: Indices, size: Floats, u: Floats
) -> _Signed:
    if judged is None:
        blank = np.full(len(first), "", dtype=object)
        return _Signed(quantity, None, first, second, size, u, blank, blank)
    called = verdicts(judged.within, judged.outside)
    counted = np.where(judged.within, judged.u, judged.u_all)
    return _Signed(quantity, judged.limit, first, second, size, counted, called, judged.withheld)


def _of_head(drift: Drift, told: _Signed, head: int, others: Booleans) -> HeadGaps | None:
    """Return the worst difference of a head, and all of its lights against the other light of it.

    What is outside among its own lights decides before what is outside against others.
    """
    head_of, known = drift.cells.head, np.isfinite(told.size)
    a, b = head_of[told.first], head_of[told.second]
    mine = known & (((a == head) & (b == head)) | ((a == head) & others[b]) | ((b == head) & others[a]))
    if not mine.any():
        return None
    failing = mine & (a == b) & (told.verdict == str(Verdict.OUTSIDE))
    mine = failing if failing.any() else mine
    # Of its own two lights the one nearer to full is the base; with another head the other's light is.
    base = np.where(a == head, np.where(b == head, told.first, told.second), told.first)
    at = _worst(np.flatnonzero(mine), told.grade, told.telling)
    decides = told.gap(at, int(base[at]))
    anchor = decides.against
    rest = (told.first == anchor) | (told.second == anchor)
    rest &= known & (head_of[np.where(told.first == anchor, told.second, told.first)] == head)
    return HeadGaps(decides, tuple(told.gap(int(at), anchor) for at in np.flatnonzero(rest)))


def _with_span(told: HeadGaps, row: HeadRow, drift: Drift) -> HeadGaps:
    """Return the gaps of a head, the widest of its own as its span is judged: that is the largest of many."""
    gap = told.decides
    same = drift.cells.head[gap.light] == drift.cells.head[gap.against]
    if not same or gap.verdict != Verdict.WITHIN or gap.quantity not in COLUMN or gap.limit is None:
        return told
    u = float(getattr(row, f"u_span_{COLUMN[gap.quantity]}"))
    if not abs(gap.size) + u > gap.limit:
        return told
    wider = replace(gap, u=u, verdict=Verdict.UNDECIDED)
    return HeadGaps(wider, tuple(wider if one == gap else one for one in told.gaps))


def _pairs(drift: Drift, colour: Sequence[_Signed]) -> dict[tuple[int, int], Gap]:
    """Return of every two heads, the first in the log first, the worst difference of colour; of one head its own."""
    worst: dict[tuple[int, int], Gap] = {}
    for told in colour:
        known = np.flatnonzero(np.isfinite(told.size))
        heads = np.stack([drift.cells.head[told.first], drift.cells.head[told.second]], axis=1)[known]
        for a, b in dict.fromkeys(map(tuple, heads.tolist())):
            at = _worst(known[np.all(heads == (a, b), axis=1)], told.grade, told.ratio)
            gap = told.gap(at, int(told.first[at]))
            if (a, b) not in worst or gap.rank > worst[a, b].rank:
                worst[a, b] = gap
    return worst


def _worst(rows: Indices, grade: Indices, within: Floats) -> int:
    """Return of some rows the first of the highest grade, and in that of the largest number."""
    top = rows[grade[rows] == grade[rows].max()]
    return int(top[np.argmax(within[top])])
