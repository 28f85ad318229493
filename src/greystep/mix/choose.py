"""The heads of a test session that go together: in one picture, or ganged as one light."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Floats, Indices
from greystep.columns import rows_of
from greystep.compare.drift import Drift, analyse, check_colour
from greystep.compare.limits import worst_of
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.doors import read_number
from greystep.errors import GreystepError
from greystep.mix.casts import LightPair, every_two, judge_lights
from greystep.mix.gels import NO_GEL
from greystep.mix.lights import White, build_lights, colour_of, mix, points
from greystep.mix.search import BestSet, best_sets
from greystep.mix.setup import SetupRow
from greystep.mix.shutter import duration
from greystep.session.ingest import Ingested
from greystep.session.power import same_power
from greystep.session.settings import HeadInfo, Settings, power_of
from greystep.terms import Verdict

#: How many choices are told after the best.
NEXT: Final = 3
#: So little less than the wanted output is enough [stops]: what a pack's dial and a meter are good for.
ENOUGH: Final = 0.1


@dataclass(frozen=True)
class TestedLight:
    """A head at a power, and `parts`: what else tells the lights of its head apart (pack, channel ...), (name, value).

    Attributes:
        stops: Below full.
        output_stops: 0 is the session's brightest head at full.
        cost_stops: Light left unused: below the brightest power at which this light was tested.
    """

    head: str
    power: str
    parts: tuple[tuple[str, str], ...]
    stops: float
    output_stops: float
    cost_stops: float


@dataclass(frozen=True)
class ChosenPair:
    """The two of a choice that stand farthest apart: `second` minus `first` in `difference`."""

    first: TestedLight
    second: TestedLight
    difference: LightPair


@dataclass(frozen=True)
class HeadSet:
    """Heads at powers for one picture.

    Attributes:
        worst: None for one light alone.
        settled: No set with the same worst pair has its other pairs closer.
    """

    lights: tuple[TestedLight, ...]
    worst: ChosenPair | None
    verdict: Verdict
    settled: bool

    @property
    def cost_stops(self) -> float:
        """Light left unused at the light that leaves most."""
        return max(light.cost_stops for light in self.lights)


@dataclass(frozen=True)
class Gang:
    """Several heads at one power that fire as one light.

    Attributes:
        output_stops: All together; 0 is the session's brightest head at full.
        t01_s: Of the slowest of them [s].
    """

    lights: tuple[TestedLight, ...]
    worst: ChosenPair | None
    verdict: Verdict
    output_stops: float
    t01_s: float
    colour: White


@dataclass(frozen=True)
class Choice:
    """The best heads for one picture and the next best; `need` were asked for, `searched` lights looked at."""

    session: str
    need: int
    searched: int
    best: HeadSet
    next_best: tuple[HeadSet, ...]


@dataclass(frozen=True)
class GangChoice:
    """The gang with the shortest flash that gives `wanted_stops`, and the next best."""

    session: str
    wanted_stops: float
    best: Gang
    next_best: tuple[Gang, ...]


def choose_from(
    found: Ingested, need: int | None, powers: Sequence[str], ganged: bool, wanted: str
) -> Choice | GangChoice:
    """Choose heads of a session as `choose` does, or, where they are ganged, as `choose_gang`: `need` are at most used.

    Raises:
        GreystepError: As these two, and if no camera of the session has a colour matrix.
    """
    drift = analyse(found.readings, found.settings)
    check_colour(drift, found.settings)
    if ganged:
        return choose_gang(drift, found.settings, wanted, need, powers)
    return choose(drift, found.settings, need or 0, powers)


def choose(drift: Drift, settings: Settings, need: int, powers: Sequence[str] = ()) -> Choice:
    """Choose the heads and powers whose worst pair is smallest, proven.

    Args:
        powers: Powers that may be used; all tested ones where none is given.

    Raises:
        GreystepError: If fewer heads than `need` can be had, or a power cannot be read or was not tested.
    """
    if need < 2:
        raise GreystepError(f"--need {need}: two heads at least; one head alone cannot clash")
    cells = _usable(drift, settings, powers)
    heads = drift.cells.table["head"].to_numpy(object)
    body = drift.cells.table["body"].to_numpy(object)
    fitted = drift.fitted
    at = np.column_stack([fitted[name].cells.values for name in ("u_prime", "v_prime")]) / STEP_UPRIME_VPRIME
    found: list[tuple[BestSet, tuple[int, ...]]] = []
    for name in dict.fromkeys(body[cells]):
        mine = cells[body[cells] == name]
        sets = best_sets(at[mine], [int(head) for head in drift.cells.head[mine]], need, 1 + NEXT)
        found += [(one, tuple(int(mine[member]) for member in one.members)) for one in sets]
    if not found:
        have = list(dict.fromkeys(heads[cells]))
        at_these = f" at {', '.join(powers)}" if powers else ""
        count = f"{len(have)} head{'' if len(have) == 1 else 's'} measured"
        raise GreystepError(f"--need {need}: {count}{at_these} ({', '.join(have)}); ask for fewer")
    found.sort(key=lambda item: (item[0].worst, item[0].total, item[1]))
    best, *others = [_head_set(members, drift, settings, one.settled) for one, members in found[: 1 + NEXT]]
    return Choice(settings.title, need, len(cells), best, tuple(others))


def choose_gang(
    drift: Drift, settings: Settings, wanted: str = "0", most: int | None = None, powers: Sequence[str] = ()
) -> GangChoice:
    """Choose how many heads at which power give a wanted output with the shortest flash.

    Args:
        settings: With t0.1 of its heads.
        wanted: Output: ``HEAD@POWER``, or stops to the session's brightest head at full.

    Raises:
        GreystepError: If no head has t0.1, or all together do not give so much.
    """
    cells = _usable(drift, settings, powers)
    target = _wanted_stops(wanted, drift, settings)
    found = _gangs(cells, drift, settings.heads, target, most)
    best, *others = [_gang(one, drift, settings) for one in found[: 1 + NEXT]]
    return GangChoice(settings.title, target, best, tuple(others))


def _usable(drift: Drift, settings: Settings, powers: Sequence[str]) -> Indices:
    """Return the measured cells, at the given powers alone where there are any."""
    table = drift.cells.table
    measured = np.isfinite(drift.fitted["mired"].cells.values)
    if not powers:
        return np.flatnonzero(measured).astype(np.intp)
    kept = np.zeros(len(table), dtype=bool)
    for text in powers:
        found = np.zeros(len(table), dtype=bool)
        problem: GreystepError | None = None
        for cell, (head, stops) in enumerate(zip(table["head"], table["stops"], strict=True)):
            try:
                wanted = power_of(settings, head, text)
            except GreystepError as error:
                problem = error
                continue
            found[cell] = same_power(wanted.stops, stops)
        if not found.any():
            tested = ", ".join(dict.fromkeys(table["power"]))
            raise problem or GreystepError(f'power "{text}": no head was tested there; tested were {tested}')
        kept |= found
    return np.flatnonzero(kept & measured).astype(np.intp)


def _rows(members: Sequence[int], drift: Drift, group: str = "") -> list[SetupRow]:
    table = drift.cells.table
    output = drift.fitted["output_stops"].cells.values
    light = np.exp2([output[cell] for cell in members])
    return [
        SetupRow(
            row=place + 1,
            role=f"{table['head'].iloc[cell]} at {table['power'].iloc[cell]}",
            head=str(table["head"].iloc[cell]),
            power=str(table["power"].iloc[cell]),
            stops=float(table["stops"].iloc[cell]),
            share=float(part),
            gel=NO_GEL,
            group=group,
            cells=((int(cell), 1.0),),
        )
        for place, (cell, part) in enumerate(zip(members, light / light.sum(), strict=True))
    ]


def _tested(cell: int, drift: Drift) -> TestedLight:
    row, output = drift.cells.table.iloc[cell], drift.fitted["output_stops"].cells.values
    top = np.nanmax(output[drift.cells.series == drift.cells.series[cell]])
    parts = tuple((name, str(row[name])) for name in drift.cells.varying if name != "body")
    own = float(output[cell])
    return TestedLight(str(row["head"]), str(row["power"]), parts, float(row["stops"]), own, float(top - own))


def _worst_pair(members: Sequence[int], drift: Drift, settings: Settings) -> tuple[ChosenPair | None, Verdict]:
    """Return the pair of some cells that stands farthest apart, and the verdict on all."""
    if len(members) < 2:
        return None, Verdict.WITHIN
    table = judge_lights(build_lights(_rows(members, drift), drift.fitted), drift, settings.tolerance)
    first, second = every_two(len(members))
    pairs = rows_of(table, LightPair)
    at = int(np.argmax([pair.delta_steps for pair in pairs]))
    light_a, light_b = (_tested(members[place], drift) for place in (first[at], second[at]))
    return ChosenPair(light_a, light_b, pairs[at]), Verdict(worst_of(table["verdict"]))


def _head_set(members: Sequence[int], drift: Drift, settings: Settings, settled: bool) -> HeadSet:
    pair, verdict = _worst_pair(members, drift, settings)
    return HeadSet(tuple(_tested(cell, drift) for cell in members), pair, verdict, settled)


#: Cells that fire as one light, t0.1 of the slowest [s], and their output together [stops].
_Members = tuple[tuple[int, ...], float, float]


def _gang(members: _Members, drift: Drift, settings: Settings) -> Gang:
    cells, t01_s, output_stops = members
    pair, verdict = _worst_pair(cells, drift, settings)
    lights = build_lights(_rows(cells, drift), drift.fitted)
    colour = colour_of(mix(points(lights), [light.share for light in lights]))
    return Gang(tuple(_tested(cell, drift) for cell in cells), pair, verdict, output_stops, t01_s, colour)


def _gangs(
    cells: Indices, drift: Drift, heads: Mapping[str, HeadInfo], wanted: float, most: int | None
) -> list[_Members]:
    """Return for each power the heads that give the wanted output with the shortest flash; shortest first.

    Of the heads that are fast enough the brightest are taken, so that they are fewest.
    """
    table, output = drift.cells.table, drift.fitted["output_stops"].cells.values
    t01 = np.array(
        [duration(heads.get(head), stops) for head, stops in zip(table["head"], table["stops"], strict=True)]
    )
    timed = cells[np.isfinite(t01[cells]) & np.isfinite(output[cells])]
    if not len(timed):
        raise GreystepError(
            'no flash duration is known; give t01_s = {full = "1/150", "1/16" = "1/1200"} under each [heads.NAME] of '
            "session.toml, from the maker's table"
        )
    body = table["body"].to_numpy(object)
    stops = table["stops"].to_numpy(np.float64)
    found: list[tuple[float, int, float, _Members]] = []
    brightest = -math.inf
    for name in dict.fromkeys(body[timed]):
        mine = timed[body[timed] == name]
        for power in sorted({round(float(stops[cell]), 2) for cell in mine}):
            at = _one_a_head([int(cell) for cell in mine if same_power(stops[cell], power)], drift, output)
            limit = len(at) if most is None else min(most, len(at))
            for slowest in sorted({float(t01[cell]) for cell in at}):
                fast = sorted((cell for cell in at if t01[cell] <= slowest), key=lambda cell: (-output[cell], cell))
                light = np.cumsum(np.exp2(output[fast]))[:limit]
                brightest = max(brightest, float(np.log2(light[-1])))
                if light[-1] >= 2.0 ** (wanted - ENOUGH):
                    count = int(np.argmax(light >= 2.0 ** (wanted - ENOUGH))) + 1
                    gang = (tuple(sorted(fast[:count])), slowest, float(np.log2(light[count - 1])))
                    found.append((slowest, count, power, gang))
                    break
    if not found:
        raise GreystepError(
            f"output {wanted:+.1f} stops: the most that these heads give together is {brightest:+.1f} stops to the "
            "brightest head at full; ask for less, or use more heads"
        )
    return [gang for *_, gang in sorted(found, key=lambda item: item[:3])]


def _one_a_head(cells: Sequence[int], drift: Drift, output: Floats) -> list[int]:
    """Keep the brightest cell of each head: it may have been tested with several modifiers."""
    by_head: dict[int, list[int]] = {}
    for cell in cells:
        by_head.setdefault(int(drift.cells.head[cell]), []).append(cell)
    return [max(own, key=lambda cell: output[cell]) for own in by_head.values()]


def _wanted_stops(text: str, drift: Drift, settings: Settings) -> float:
    """Read a wanted output: stops to the session's brightest head at full, or ``HEAD@POWER``."""
    table, output = drift.cells.table, drift.fitted["output_stops"].cells.values
    if "@" not in text:
        stops = text.casefold().strip().removesuffix("stops").removesuffix("stop")
        return read_number(
            stops, "--output", (-12.0, 6.0), "-12 to 6 stops to the brightest head at full, such as -1, or A@1/2"
        )
    head, _, power = text.strip().rpartition("@")
    if head not in set(table["head"]):
        names = ", ".join(dict.fromkeys(table["head"]))
        raise GreystepError(f'--output "{text}": no head "{head}" in the test, which has {names}')
    wanted = power_of(settings, head, power)
    for cell, (name, stops) in enumerate(zip(table["head"], table["stops"], strict=True)):
        if name == head and same_power(stops, wanted.stops) and np.isfinite(output[cell]):
            return float(output[cell])
    raise GreystepError(f'--output "{text}": that power of {head} was not measured')
