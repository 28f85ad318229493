"""Tests planned before they are shot: every head at every power, two heads on two packs, or what decides open heads."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from greystep.compare.actions import UNCURED
from greystep.compare.drift import Drift, analyse
from greystep.compare.more_rounds import Deciding, deciding_rounds
from greystep.compare.stopping import shot_rounds
from greystep.compare.verdict import Judged, judge
from greystep.doors import MOST_LOOKS, name_of
from greystep.errors import GreystepError
from greystep.planning.cells import Cell, all_cells, swap_cells
from greystep.planning.folder import (
    Draft,
    camera_settings,
    continued_document,
    continued_shots,
    further_cells,
    session_document,
)
from greystep.planning.order import arrange
from greystep.planning.pace import STACK_S, Pace
from greystep.planning.rig import ROUNDS, Rig, flash_durations, rounds_for, seconds, shutter_for
from greystep.planning.wanted import stack_runs, together_cells
from greystep.planning.wishes import Wishes
from greystep.session.ingest import Ingested
from greystep.session.settings import Settings
from greystep.session.shots import read_shots
from greystep.terms import Order


@dataclass(frozen=True)
class Plan:
    """A planned session and how it is set up; `asked` says what it decides where it goes on from a test."""

    draft: Draft
    rig: Rig
    asked: Deciding | None = None


def plan_test(
    title: str,
    heads: Sequence[str],
    wishes: Wishes,
    packs: Mapping[str, str],
    serials: Mapping[str, str],
    reference: str,
) -> Plan:
    """Plan a test of every head at every power.

    Args:
        reference: The head with check frames; blank for none.

    Raises:
        GreystepError: If anything that is asked for cannot be read or met.
    """
    rounds = _rounds(wishes, len(wishes.powers))
    cells = all_cells(heads, wishes.powers, rounds, packs, wishes.iso, wishes.max_energy_j, wishes.dial)
    cells = together_cells(wishes.together, cells)
    return _planned(title, heads, cells, rounds, wishes, packs, serials, reference)


def plan_swap(
    title: str,
    heads: Sequence[str],
    packs: Sequence[str],
    wishes: Wishes,
    serials: Mapping[str, str],
    reference: str,
) -> Plan:
    """Plan two heads on both of two packs, at the highest and the lowest power: is it the head or the pack?

    Arguments and errors as of `plan_test`; `reference` is a third head, or blank.
    """
    rounds = _rounds(wishes, 2)
    cells = swap_cells(heads, packs, wishes.powers, rounds, wishes.iso, wishes.max_energy_j, wishes.dial)
    return _planned(title, heads, cells, rounds, wishes, {}, serials, reference)


def _rounds(wishes: Wishes, powers: int) -> int:
    if wishes.rounds:
        return wishes.rounds
    return rounds_for(wishes.u_mired, powers, wishes.scatter_mired) if wishes.u_mired else ROUNDS[0]


def _planned(
    title: str,
    heads: Sequence[str],
    cells: Sequence[Cell],
    rounds: int,
    wishes: Wishes,
    packs: Mapping[str, str],
    serials: Mapping[str, str],
    reference: str,
) -> Plan:
    """Put cells in order, and find the shutter that lets their flashes end."""
    top = min(cells, key=lambda cell: cell.stops)
    check = Cell(reference, top.power, top.stops, packs.get(reference, ""), top.iso) if reference else None
    everyone = list(dict.fromkeys([*heads, *([reference] if reference else [])]))
    durations = flash_durations(wishes.t01, everyone, wishes.max_energy_j, wishes.dial)
    longest = [seconds(time) for times in durations.values() for time in times.values()]
    at_reference = (reference, top.power) if reference else None
    document = session_document(
        title,
        everyone,
        packs,
        serials,
        durations,
        wishes.max_energy_j,
        at_reference,
        wishes.dial,
        wishes.recycle_s,
    )
    document |= {"test": {"looks": wishes.looks}} if wishes.looks > 1 else {}
    runs = stack_runs(
        wishes.stack, cells, wishes.run_frames, wishes.recycle_s or STACK_S, wishes.max_energy_j, wishes.dial
    )
    steps = arrange(cells, wishes.order, wishes.seed, check, _pace(wishes.recycle_s), runs)
    shutter, powers = shutter_for(longest, wishes.sync), len({cell.stops for cell in cells})
    known = set(durations) == set(everyone)
    return Plan(
        Draft(title, wishes.order, wishes.seed, steps, document, reference),
        Rig(shutter, known, rounds, powers, wishes.scatter_mired, wishes.target_width_m, wishes.recycle_s),
    )


def _pace(recycle_s: float | None) -> Pace:
    """Return how fast frames come: no faster than the recycle time."""
    return Pace(shot=max(Pace.shot, recycle_s or 0.0))


def plan_more(
    found: Ingested,
    folder: Path,
    order: Order,
    seed: int,
    most_rounds: int | None,
    target_width_m: float,
    heads: Sequence[str] = (),
    recycle_s: float | None = None,
) -> Plan:
    """Plan the frames that decide what a test leaves undecided, after the frames that it has.

    Arguments and errors as of `greystep.results.session.Session.plan_more`; `folder` gives the title. Where the test
    was looked at, the plan allows as many looks as it brings rounds.
    """
    session, readings, title = found.settings, found.readings, name_of(folder)
    drift = analyse(readings, session)
    judged, asked = _open(drift, session, heads, most_rounds)
    shot = shot_rounds(readings, drift)
    while 1 < drift.looks < (rounds := min(int((shot + asked.rounds)[asked.rounds > 0].max(initial=0)), MOST_LOOKS)):
        drift = replace(drift, looks=rounds)  # each round that watch adds is one look more, so that less can be called
        judged, asked = _open(drift, session, heads, most_rounds)
    if not asked.rounds.any():
        what = f"{asked.open} differences are open, but need more rounds than that" if asked.open else "nothing is open"
        if not asked.open and any(isinstance(one, UNCURED) for one in judged.actions):
            what = "more rounds do not decide what is open; greystep report says what does"
        raise GreystepError(f"{session.path}: {what}; no more to shoot")
    table, reference = drift.cells.table, session.reference_head or ""
    cells = further_cells(table, readings, asked.rounds)
    light = (table["head"] == reference) & (table["power"] == drift.reference["power"])
    check = further_cells(table[light].head(1), readings, np.ones(int(light.any()), dtype=np.intp))
    recycle_s = recycle_s or session.recycle_s
    steps = arrange(cells, order, seed, check[0] if check else None, _pace(recycle_s))
    document = continued_document(session.path, folder, title)
    document |= {"recycle_s": recycle_s} if recycle_s else {}
    document |= {"test": {**document.get("test", {}), "looks": drift.looks}} if drift.looks > 1 else {}
    earlier = continued_shots(read_shots(session), readings)
    rounds = int(np.median(table["n"]) + max(cell.rounds for cell in cells))
    powers = round(len(table) / len(drift.cells.heads))
    scatter = float(drift.heads["repeatability_mired"].median())
    return Plan(
        Draft(title, order, seed, steps, document, reference, earlier),
        Rig(camera_settings(readings), True, rounds, powers, scatter, target_width_m, recycle_s),
        asked,
    )


def _open(drift: Drift, session: Settings, heads: Sequence[str], most_rounds: int | None) -> tuple[Judged, Deciding]:
    """Return the verdicts of a test, and what would decide those that are open; arguments as of `plan_more`."""
    judged, names = judge(drift, session.tolerance), drift.cells.heads["head"].tolist()
    if unknown := [head for head in heads if head not in names]:
        raise GreystepError(f"no head {unknown[0]} in {session.path}, which has {', '.join(dict.fromkeys(names))}")
    others = np.array([place for place, name in enumerate(names) if heads and name not in heads], dtype=np.intp)
    opened = np.setdiff1d(judged.open_heads, others).astype(np.intp)
    closed = np.union1d(judged.closed_heads, others).astype(np.intp)
    return judged, deciding_rounds(drift, session.tolerance, opened, most_rounds, closed)
