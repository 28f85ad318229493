"""The order in which a test is shot: which head fires at which power, with what between the frames."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from greystep.errors import GreystepError
from greystep.planning.cells import Cell
from greystep.planning.pace import Pace, check_day
from greystep.session.power import SAME_STOPS
from greystep.session.runs import RUN_NOTE
from greystep.session.shots import CHECK_NOTE
from greystep.terms import Order

#: Flashes at full, without a frame, before a head's first one.
WARM_UP: Final = 3
#: Frames of the reference head before each other head, and at the end.
CHECKS: Final = 2


class Action(StrEnum):
    """What a line of the shot sheet asks for: a frame, or something to do between them."""

    FLASH = "flash"
    CHECK = "check"
    AMBIENT = "ambient"
    DARK = "dark"
    HEAD = "head"  # the next one
    WARM_UP = "warm-up"
    RUN = "run"  # frames in a row from rest
    DUMP = "dump"
    ISO = "iso"


#: What makes a frame.
FRAMES: Final = (Action.FLASH, Action.CHECK, Action.AMBIENT, Action.DARK)


@dataclass(frozen=True)
class Run:
    """Frames in a row from rest, of a light of the test, so many seconds apart: how a head settles in a stack."""

    cell: Cell
    frames: int
    seconds: float


@dataclass(frozen=True)
class Step:
    """One line of the shot sheet."""

    what: Action
    seconds: float
    head: str = ""
    power: str = ""
    pack: str = ""
    iso: int = 0
    note: str = ""
    parts: tuple[tuple[str, str], ...] = ()


def arrange(
    cells: Sequence[Cell],
    order: Order = Order.BY_HEAD,
    seed: int = 1,
    check: Cell | None = None,
    pace: Pace | None = None,
    runs: Mapping[str, Run] | None = None,
) -> tuple[Step, ...]:
    """Put a test into the order in which it is shot.

    Args:
        order: By head: head after head, each up and down through its powers; chance decides which comes first. Mixed:
            all heads stand rigged; up and down through the powers, at each the heads in random order. Shuffled: all
            heads stand rigged; every round all lights in random order.
        check: The reference light: two frames before each other head (each round where heads stand rigged), and at the
            end. None where heads stand rigged and it is one of them, or where its head is moved: it is no fixed point
            then.
        runs: By head: in place of the warm-up flashes before its first frame.

    Returns: Three warm-up flashes before a head's first frame, a dump wherever its power falls, an ambient frame at
        each ISO first and last and one before each further head (round where heads stand rigged), a dark one at each
        ISO.

    Raises:
        GreystepError: If the order is not known, a day does not hold it, or heads stand rigged and one would have to
            be moved.
    """
    if order not in list(Order):
        raise GreystepError(f"order '{order}': not known; use {', '.join(Order)}")
    pace, runs = pace or Pace(), dict(runs or {})
    by_head = order == Order.BY_HEAD
    check_day(
        sum(cell.rounds for cell in cells) + sum(run.frames for run in runs.values()),
        len({cell.head for cell in cells}) if by_head else 0,
    )
    if not by_head and (twice := _moved(cells)):
        raise GreystepError(
            f"order {order}: nothing is moved in it, but head {', '.join(twice)} stands in more than one way (pack, "
            "channel, modifier); use by-head"
        )
    if check and check.head in (_moved([*cells, check], by_head) if by_head else {cell.head for cell in cells}):
        check = None
    isos = sorted({cell.iso for cell in cells} | ({check.iso} if check else set()), reverse=True)
    steps = [Step(Action.ISO, pace.setting, iso=isos[0])] if len(isos) > 1 else []
    for iso in isos:
        _set_iso(steps, iso, pace)
        steps += [Step(what, pace.setting, iso=iso) for what in (Action.AMBIENT, Action.DARK)]
    last: dict[str, float] = {}
    warm: set[str] = set()
    for number, turn in enumerate(_turns(cells, order, np.random.default_rng([seed, 4]))):
        own = check is not None and any(cell.head == check.head for cell in turn)
        if check and not own:
            _checks(steps, check, last, pace)
        if number:  # room light that changed is then known to have done so with this head or with that
            steps.append(Step(Action.AMBIENT, pace.flash_off, iso=_iso_now(steps)))
        if by_head:
            first = not any(step.what == Action.HEAD for step in steps)
            moved = 0.0 if first or own else pace.head
            steps.append(Step(Action.HEAD, moved, turn[0].head, pack=turn[0].pack, parts=turn[0].parts))
            warm.clear()
        for cell in turn:
            note = []
            if cell.head not in warm and (run := runs.pop(cell.head, None)) is not None:
                _run(steps, run, last, pace)
                warm.add(cell.head)
            _set_iso(steps, cell.iso, pace)
            if cell.head not in warm:
                steps.append(Step(Action.WARM_UP, WARM_UP * pace.shot, cell.head, pack=cell.pack, iso=cell.iso))
                note.append(f"{WARM_UP} warm-up shots at full before")
                warm.add(cell.head)
                last[_bank(cell)] = 0.0
            _shoot(steps, Action.FLASH, cell, note, last, pace)
    if check:
        _checks(steps, check, last, pace)
    now = _iso_now(steps)
    for iso in sorted(isos, key=lambda iso: iso != now):
        _set_iso(steps, iso, pace)
        steps.append(Step(Action.AMBIENT, pace.setting, iso=iso))
    return tuple(steps)


def _moved(cells: Sequence[Cell], stays_with_others: bool = False) -> list[str]:
    """Return the heads that are plugged in or fitted anew between their lights.

    Args:
        stays_with_others: A head stays where it is while others are plugged in beside it.
    """
    parts = {
        cell: tuple(part for part in cell.parts if not (stays_with_others and part[0] == "with")) for cell in cells
    }
    places = dict.fromkeys((cell.head, cell.pack, parts[cell]) for cell in cells)
    return [head for head, times in Counter(head for head, _, _ in places).items() if times > 1]


def _turns(cells: Sequence[Cell], order: Order, rng: np.random.Generator) -> list[list[Cell]]:
    """Return the lights in their order, in turns: a head's own, or a round of all where heads stand rigged."""
    turns: list[list[Cell]] = []
    if order == Order.BY_HEAD:
        for place in dict.fromkeys((cell.head, cell.pack, cell.parts) for cell in cells):
            down_first = bool(rng.integers(2))  # at random, so that time and power do not run together over the heads
            mine = [cell for cell in cells if (cell.head, cell.pack, cell.parts) == place]
            turn: list[Cell] = []
            for iso in sorted({cell.iso for cell in mine}):
                leg = sorted((cell for cell in mine if cell.iso == iso), key=lambda cell: cell.stops)
                for number in range(max(cell.rounds for cell in leg)):
                    rest = [cell for cell in leg if cell.rounds > number]
                    turn += rest if (number % 2 == 0) == down_first else rest[::-1]
            turns.append(turn)
        return turns
    for iso in sorted({cell.iso for cell in cells}):
        here = [cell for cell in cells if cell.iso == iso]
        down_first = bool(rng.integers(2))
        for number in range(max(cell.rounds for cell in here)):
            rest = [cell for cell in here if cell.rounds > number]
            turn = [rest[place] for place in rng.permutation(len(rest))]
            if order == Order.MIXED:
                down = (number % 2 == 0) == down_first
                turn = sorted(turn, key=lambda cell: cell.stops if down else -cell.stops)
            turns.append(turn)
    return turns


def _bank(cell: Cell) -> str:
    """Return what holds the charge that a lowered power dumps: the pack with its channel, or what the head hangs on."""
    return f"{cell.pack} {dict(cell.parts).get('channel', '')}" if cell.pack else cell.head


def _shoot(steps: list[Step], what: Action, cell: Cell, note: list[str], last: dict[str, float], pace: Pace) -> None:
    """Add a frame, and before it the dump that a lowered power needs."""
    if cell.stops > last.get(_bank(cell), cell.stops) + SAME_STOPS:
        steps.append(Step(Action.DUMP, pace.dump, cell.head, cell.power, cell.pack, cell.iso))
        note = [*note, "after a dump"]
    last[_bank(cell)] = cell.stops
    steps.append(Step(what, pace.shot, cell.head, cell.power, cell.pack, cell.iso, "; ".join(note), cell.parts))


def _run(steps: list[Step], run: Run, last: dict[str, float], pace: Pace) -> None:
    """Add the frames of a run, the head at rest before them."""
    cell = run.cell
    _set_iso(steps, cell.iso, pace)
    steps.append(Step(Action.RUN, 0.0, cell.head, cell.power, cell.pack, cell.iso))
    steps += [
        Step(Action.FLASH, run.seconds, cell.head, cell.power, cell.pack, cell.iso, RUN_NOTE, cell.parts)
        for _ in range(run.frames)
    ]
    last[_bank(cell)] = cell.stops


def _checks(steps: list[Step], check: Cell, last: dict[str, float], pace: Pace) -> None:
    _set_iso(steps, check.iso, pace)
    for _ in range(CHECKS):
        _shoot(steps, Action.CHECK, check, [CHECK_NOTE], last, pace)


def _set_iso(steps: list[Step], iso: int, pace: Pace) -> None:
    """Add a change of ISO where one is needed; the first setting is made with all others before the first frame."""
    if steps and iso != _iso_now(steps):
        steps.append(Step(Action.ISO, pace.setting, iso=iso))


def _iso_now(steps: list[Step]) -> int:
    return next(step.iso for step in reversed(steps) if step.what in (*FRAMES, Action.ISO))
