"""What is called of each head and of the kit: colour and output, and why neither where nothing is called."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Booleans
from greystep.columns import HeadRow, rows_of
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, own_rows, span_of, worst_of
from greystep.constants import MIRED_A_STEP
from greystep.terms import COLUMN, Quantity, Verdict, Withheld

#: A head is warm once what is left of its warm-up takes no more than this share of the limit (a choice, no source).
_WARM: Final = 0.25


@dataclass(frozen=True)
class Called:
    """The verdicts on a head or on the kit.

    Attributes:
        colour, output: None where no limit of it is given.
        withheld: Why it is neither within nor outside, whatever its numbers say.
    """

    colour: Verdict | None
    output: Verdict | None
    withheld: tuple[Withheld, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worse of the two."""
        return worst_of([one for one in (self.colour, self.output) if one is not None])


@dataclass(frozen=True)
class WarmUp:
    """How a head moved from its first shot to the hottest state that was shot.

    Attributes:
        mired, u_mired: Hottest state minus first shot [mired], with its 95 % half-width.
        flashes: At full, from rest, until what is left is under a quarter of the limit; never more than the test fired.
        tested: The test fired no more than that.
        beyond: It may be more than the limit.
    """

    mired: float
    u_mired: float
    flashes: int
    tested: bool
    beyond: bool


def call_heads(drift: Drift, rows: Mapping[Quantity, Rows], warm_ups: Sequence[WarmUp | None]) -> list[Called]:
    """Call each head: the worst of its spans, and its output errors; an empty cell leaves it undecided.

    Args:
        warm_ups: From `find_warm_up`, a head each.
    """
    alone = lone_heads(drift)
    table = rows_of(drift.heads.assign(verdict="", why=""), HeadRow)
    return [
        _call_head(drift, rows, head, row, bool(alone[head]), warm_up is None or not warm_up.beyond)
        for head, (row, warm_up) in enumerate(zip(table, warm_ups, strict=True))
    ]


def _call_head(
    drift: Drift, rows: Mapping[Quantity, Rows], head: int, row: HeadRow, alone: bool, steady: bool
) -> Called:
    mine = drift.cells.head == head
    full = bool((drift.cells.table["n"].to_numpy()[mine] > 0).all()) and not alone
    parts: dict[bool, list[tuple[bool, bool]]] = {True: [], False: []}  # of colour, of output: within, outside
    reasons = {Withheld.NOT_COMPARED} if alone else set[Withheld]()
    for quantity, one in rows.items():
        colour = quantity in COLUMN
        at = np.arange(own_rows(drift, rows)) if colour else np.arange(len(one.first))
        at = at[mine[one.second[at]]]
        held = {Withheld(reason) for reason in one.withheld[at] if reason}
        inside = bool(one.within[at].all())
        if colour:
            inside = sum(span_of(drift, head, row, quantity)) <= one.limit
        parts[colour].append((inside and not held, bool(one.outside[at].any())))
        reasons |= held
    heated = Withheld.HEAT in reasons
    colour_called, output_called = (
        _worst(full and bound, found, heated) for bound, found in ((steady, parts[True]), (True, parts[False]))
    )
    if not steady and colour_called == Verdict.UNDECIDED:
        reasons.add(Withheld.WARMS_UP)
    called = Called(colour_called, output_called, tuple(reason for reason in Withheld if reason in reasons))
    return Called(colour_called, output_called) if called.verdict == Verdict.OUTSIDE else called


def _worst(possible: bool, found: Sequence[tuple[bool, bool]], heated: bool) -> Verdict | None:
    """Return the verdict of some quantities, (within, outside) each; None of none.

    Where heat hides in the powers nothing is outside.
    """
    if not found:
        return None
    if any(outside for _, outside in found) and not heated:
        return Verdict.OUTSIDE
    return Verdict.WITHIN if possible and all(within for within, _ in found) else Verdict.UNDECIDED


def call_kit(
    drift: Drift,
    rows: Mapping[Quantity, Rows],
    heads: Sequence[Called],
    pairs: Iterable[Verdict],
    apart: Sequence[Sequence[str]],
) -> Called:
    """Call the kit: the worst of heads and pairs; undecided where heads were not compared (`groups_apart`)."""
    own = own_rows(drift, rows)
    reasons = {reason for one in heads for reason in one.withheld}
    reasons |= {
        Withheld(reason) for name, one in rows.items() if name in COLUMN for reason in set(one.withheld[own:]) if reason
    }
    colour = [one.colour for one in heads if one.colour is not None] + list(pairs)
    if apart:
        reasons.add(Withheld.NOT_COMPARED)
        colour.append(Verdict.UNDECIDED)
    output = [one.output for one in heads if one.output is not None]
    return Called(
        worst_of(colour) if colour else None,
        worst_of(output) if output else None,
        tuple(reason for reason in Withheld if reason in reasons),
    )


def lone_heads(drift: Drift) -> Booleans:
    """Return which heads were measured as one light that no other light is compared with."""
    one_light = np.bincount(drift.cells.head, minlength=len(drift.cells.heads)) == 1
    one_light[drift.cells.head[drift.pair_first]] = one_light[drift.cells.head[drift.pair_second]] = False
    return np.asarray(one_light)


def groups_apart(drift: Drift) -> tuple[tuple[str, ...], ...]:
    """Return the heads that each camera saw, where two heads were seen by no camera together; else nothing."""
    heads = drift.cells.heads
    groups = tuple(dict.fromkeys(tuple(group) for _, group in heads.groupby("body", sort=False)["head"]))
    names = set(heads["head"])
    together = {name: set().union(*(group for group in groups if name in group)) for name in names}
    return () if all(seen == names for seen in together.values()) else groups


def find_warm_up(drift: Drift, limits: Mapping[Quantity, float], head: int) -> WarmUp | None:
    """Return the warm-up of a head against the colour limits; None where the frames do not show one."""
    row, heat = drift.heads.iloc[head], drift.frames.heat
    size, u = float(row["warmup_mired"]), float(np.nan_to_num(row["u_warmup_mired"]))
    if not row["warmup_kept"] or not abs(size) > u:
        return None
    moved = float(np.nan_to_num(row.get("moved_mired", 0.0)))
    limit = _limit_mired(drift, limits, head)
    fired = max(int((drift.frames.head == head).sum()), 1)
    # From rest, flashes at full reach 1 - exp(-flashes / tau) of where they lead; the hottest state that was shot lies
    # no higher than that, so that this many are enough.
    pace = drift.timing.frame_s if heat.driver == "energy" and len(drift.frames.seconds) else 1.0
    share = abs(size) / (_WARM * limit)
    needed = math.ceil(heat.tau / pace * math.log(share)) if share > 1.0 and math.isfinite(heat.tau / pace) else 0
    return WarmUp(size, u, min(max(needed, 1), fired), needed >= fired, max(abs(size) + u, moved) > limit)


def _limit_mired(drift: Drift, limits: Mapping[Quantity, float], head: int) -> float:
    """Return the narrowest limit of warmth [mired] at the colour of a head; infinity where none is given."""
    mired = float(np.nanmean(drift.powers["mired"].to_numpy(np.float64)[drift.cells.head == head]))
    units = {Quantity.MIRED: 1.0, Quantity.KELVIN: mired**2 / 1e6, Quantity.STEPS: MIRED_A_STEP}
    return min((limits[name] * unit for name, unit in units.items() if name in limits), default=math.inf)
