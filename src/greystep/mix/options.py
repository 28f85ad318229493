"""Everything that can be changed in a set-up with the tested heads, their powers and the gels at hand."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.compare.drift import Drift
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.mix.changes import (
    NO_MOVE,
    HeadSwap,
    NewGel,
    NewGels,
    NewHead,
    NewPower,
    NewPowers,
    OneLevel,
    Option,
    RemedyKind,
)
from greystep.mix.gels import Gel, all_stacks
from greystep.mix.lights import SetupLight, build_lights, points, with_gel
from greystep.mix.search import best_sets
from greystep.mix.setup import SetupRow, cells_at
from greystep.session.power import same_power

#: More work must leave less than less work by so much [steps]; nobody sees so little.
WORTH: Final = 0.3


def find_options(
    lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift, gels: Sequence[Gel]
) -> list[Option]:
    """Return every change that is worth a look, whether it helps or not; arguments as of `find_remedies`."""
    return [
        *_powers(lights, rows, drift),
        *_levels(lights, rows, drift),
        *_swaps(lights, rows, drift),
        *_heads(lights, rows, drift),
        *_gels(lights, rows, gels),
    ]


def reach(upvp: Floats) -> float:
    """Return the largest distance between any two of some u'v' (k, 2) [steps]."""
    apart = np.hypot(*(upvp[:, None] - upvp[None]).transpose(2, 0, 1))
    return float(apart.max() / STEP_UPRIME_VPRIME)


def _output(row: SetupRow, drift: Drift) -> float:
    return row.output(drift.fitted["output_stops"].cells.values)


def _changed(rows: Sequence[SetupRow], new: Sequence[SetupRow]) -> tuple[SetupRow, ...]:
    """Return the set-up with some rows replaced, by their number in the spreadsheet."""
    by_row = {row.row: row for row in new}
    return tuple(by_row.get(row.row, row) for row in rows)


def _settings(light: SetupLight, drift: Drift) -> Iterator[tuple[str, float, tuple[SetupRow, ...]]]:
    """Yield every other tested power of a light (all its heads at that power): label, stops brighter, its rows."""
    table = drift.cells.table
    for cell in _series(light.rows[0], drift):
        stops, label = float(table["stops"].iloc[cell]), str(table["power"].iloc[cell])
        new = [_taken(row, row.head, stops, _series(row, drift), drift) for row in light.rows]
        rows = tuple(replace(row, power=label) for row in new if row is not None)
        if len(rows) == len(new) and not all(same_power(row.stops, stops) for row in light.rows):
            brighter = _together(rows, drift) - _together(light.rows, drift)
            yield label, brighter, rows


def _together(rows: Sequence[SetupRow], drift: Drift) -> float:
    """Return the light of several heads together [stops]."""
    return float(np.log2(np.sum(np.exp2([_output(row, drift) for row in rows]))))


def _series(row: SetupRow, drift: Drift) -> list[int]:
    """Return the cells of the same head, pack, modifier ... as a row's, those that were measured."""
    cells = drift.cells
    same = np.flatnonzero(cells.series == cells.series[row.cells[0][0]])
    return [int(cell) for cell in same if np.isfinite(drift.fitted["mired"].cells.values[cell])]


def _taken(row: SetupRow, head: str, stops: float, among: Sequence[int], drift: Drift) -> SetupRow | None:
    """Return a row with the light of a head at a power, from those cells that may serve; None where it has none."""
    where = cells_at(drift.cells, drift.fitted["mired"].cells.values, head, stops, among)
    return replace(row, head=head, stops=stops, cells=where) if where else None


def _powers(lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift) -> Iterator[Option]:
    """Another power for one light, and the best powers for all at once."""
    options = [[("", 0.0, light.rows), *_settings(light, drift)] for light in lights]
    single = math.inf
    for light, choices in zip(lights, options, strict=True):
        for label, brighter, new in choices[1:]:
            single = min(single, _left(rows, new, drift))
            change = NewPowers((NewPower(light.role, light.head, light.power, label, brighter),))
            yield Option(RemedyKind.POWER, (light.role,), change, max(brighter, 0.0), _changed(rows, new))
    flat = [(place, choice) for place, choices in enumerate(options) for choice in choices]
    at = points([build_lights(choice[2], drift.fitted)[0] for _, choice in flat]) / STEP_UPRIME_VPRIME
    for best_set in best_sets(at, [place for place, _ in flat], len(lights)):
        chosen = [flat[member][1] for member in best_set.members]
        moved = [(light, choice) for light, choice in zip(lights, chosen, strict=True) if choice[0]]
        if len(moved) > 1 and best_set.worst < single - WORTH:
            change = NewPowers(
                tuple(
                    NewPower(light.role, light.head, light.power, label, brighter)
                    for light, (label, brighter, _) in moved
                )
            )
            every = [row for _, choice in moved for row in choice[2]]
            cost = max(max(choice[1], 0.0) for _, choice in moved)
            roles = tuple(light.role for light, _ in moved)
            yield Option(RemedyKind.POWER, roles, change, cost, _changed(rows, every))


def _left(rows: Sequence[SetupRow], new: Sequence[SetupRow], drift: Drift) -> float:
    return reach(points(build_lights(_changed(rows, new), drift.fitted)))


def _levels(lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift) -> Iterator[Option]:
    """All heads at one power, the surplus light lost by distance, scrim or neutral gel."""
    tested = [{label: (brighter, new) for label, brighter, new in _settings(light, drift)} for light in lights]
    stops = {label: new[0].stops for options in tested for label, (_, new) in options.items()}
    best: tuple[float, float, Option] | None = None
    for label, at in stops.items():
        new_rows: list[SetupRow] = []
        surplus = []
        for light, options in zip(lights, tested, strict=True):
            if all(same_power(row.stops, at) for row in light.rows):
                surplus.append(0.0)
                continue
            found = next((choice for choice in options.values() if same_power(choice[1][0].stops, at)), None)
            if found is None:
                break
            surplus.append(found[0])
            new_rows += found[1]
        if len(surplus) < len(lights) or min(surplus) < -NO_MOVE or not new_rows:
            continue
        left = _left(rows, new_rows, drift)
        lost = tuple((light.role, more) for light, more in zip(lights, surplus, strict=True) if more >= NO_MOVE)
        roles = tuple(role for role, _ in lost)
        one = Option(RemedyKind.LEVEL, roles, OneLevel(label, lost), max(surplus), _changed(rows, new_rows))
        if best is None or (left, max(surplus)) < best[:2]:
            best = (left, max(surplus), one)
    if best is not None:
        yield best[2]


def _swaps(lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift) -> Iterator[Option]:
    """Two heads change places; powers, shares and gels stay with the roles."""
    for a, b in combinations([light for light in lights if len(light.rows) == 1], 2):
        new = [
            _taken(light.rows[0], other.head, light.rows[0].stops, _series(other.rows[0], drift), drift)
            for light, other in ((a, b), (b, a))
        ]
        made = [row for row in new if row is not None]
        if a.head != b.head and len(made) == 2:
            first, second = (
                _output(row, drift) - _output(old.rows[0], drift) for row, old in zip(made, (a, b), strict=True)
            )
            roles = (a.role, b.role)
            change = HeadSwap(roles, (a.head, b.head), (a.power, b.power), (first, second))
            yield Option(RemedyKind.SWAP, roles, change, max(0.0, -first, -second), _changed(rows, made))


def _heads(lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift) -> Iterator[Option]:
    """Another tested head in the place of one that is in use."""
    used = {row.head for row in rows}
    body = drift.cells.table["body"].iloc[rows[0].cells[0][0]]
    table = drift.cells.table[drift.cells.table["body"] == body]
    for light in (light for light in lights if len(light.rows) == 1):
        spare = []
        for head in dict.fromkeys(table["head"]):
            if head not in used:
                series = np.flatnonzero((drift.cells.table["head"] == head) & (drift.cells.table["body"] == body))
                where = [int(c) for c in series if drift.cells.series[c] == drift.cells.series[series[0]]]
                if taken := _taken(light.rows[0], str(head), light.rows[0].stops, where, drift):
                    spare.append(taken)
        best = min(spare, key=lambda row: _left(rows, [row], drift), default=None)
        if best is not None:
            more = _output(best, drift) - _output(light.rows[0], drift)
            change = NewHead(light.role, light.head, best.head, light.power, more)
            yield Option(RemedyKind.HEAD, (light.role,), change, max(0.0, -more), _changed(rows, [best]))


def _gels(lights: Sequence[SetupLight], rows: Sequence[SetupRow], gels: Sequence[Gel]) -> Iterator[Option]:
    """Gels on one head, and on all heads but one; at most two a head, those that are on it replaced."""
    stacks = all_stacks(gels)
    # A step is about 2.5 mired along the whites and 0.0009 Duv across: good enough to weigh what is not known.
    unsure = np.array(
        [
            math.hypot(*(part for _, mired, duv in stack.doubts for part in (mired / 2.5, duv / 0.0009)))
            for stack in stacks
        ]
    )
    single = np.array([stack.name.count("+") == 0 for stack in stacks])
    upvp = points(lights)
    through: list[Floats] = []
    for light in lights:
        bare_mired, bare_duv = light.mired - light.gel.mired_shift, light.duv - light.gel.duv_shift
        kept = upvp[len(through)] - with_gel(bare_mired, bare_duv, [light.gel])[2][0]
        through.append(with_gel(bare_mired, bare_duv, stacks)[2] + kept)
    now = reach(upvp)
    mixed_gels = [len({row.gel.name for row in light.rows}) > 1 for light in lights]
    for place, light in enumerate(lights):
        if mixed_gels[place]:
            continue
        others = np.delete(upvp, place, axis=0)
        rest = reach(others)
        left = np.hypot(*(through[place][:, None] - others[None]).transpose(2, 0, 1)).max(axis=1) / STEP_UPRIME_VPRIME
        left = np.maximum(np.nan_to_num(left, nan=np.inf), rest)
        expected = np.hypot(left, unsure)
        one = int(np.argmin(np.where(single, expected, np.inf)))
        two = int(np.argmin(expected))
        for pick in [one] if two == one or expected[two] > expected[one] - WORTH else [one, two]:
            if stacks[pick].name != light.gel.name and expected[pick] < now:
                yield _geled(rows, [(light, stacks[pick])])
    if not any(mixed_gels):
        yield from _all_gels(lights, rows, stacks, through, unsure, now)


def _all_gels(
    lights: Sequence[SetupLight], rows: Sequence[SetupRow], stacks: Sequence[Gel], through: Sequence[Floats],
    unsure: Floats, now: float,
) -> Iterator[Option]:  # fmt: skip
    """Each light in turn stays as it is, all others are brought to it."""
    upvp = points(lights)
    best: tuple[float, list[tuple[SetupLight, Gel]]] | None = None
    for anchor in range(len(lights)):
        picks: list[tuple[SetupLight, Gel]] = []
        at, doubt = upvp.copy(), 0.0
        for place, light in enumerate(lights):
            if place == anchor:
                continue
            away = np.hypot(*(through[place] - upvp[anchor]).T) / STEP_UPRIME_VPRIME
            pick = int(np.nanargmin(np.hypot(away, unsure)))
            at[place], doubt = through[place][pick], max(doubt, float(unsure[pick]))
            if stacks[pick].name != light.gel.name:
                picks.append((light, stacks[pick]))
        expected = math.hypot(reach(at), doubt)
        if len(picks) > 1 and expected < now and (best is None or expected < best[0]):
            best = (expected, picks)
    if best is not None:
        yield _geled(rows, best[1])


def _geled(rows: Sequence[SetupRow], picks: Sequence[tuple[SetupLight, Gel]]) -> Option:
    lights = tuple(NewGel(light.role, light.gel.name, gel.name, gel.stops - light.gel.stops) for light, gel in picks)
    new = [replace(row, gel=gel) for light, gel in picks for row in light.rows]
    cost = max(0.0, *(light.lost_stops for light in lights))
    return Option(RemedyKind.GEL, tuple(light.role for light in lights), NewGels(lights), cost, _changed(rows, new))
