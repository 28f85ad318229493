"""What the person at the set is told: what to shoot next, and what happened with each frame, once."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import words
from greystep.compare.stopping import Reason
from greystep.flags import MEANING, Flag
from greystep.session.arrived import Mark
from greystep.session.conductor import Conducted
from greystep.session.placing_events import Aside, Event, Place
from greystep.session.plan_lights import Lights
from greystep.session.power import same_power
from greystep.session.runs import RUN_NOTE
from greystep.session.shots import BOX, aside_rows, check_rows
from greystep.terms import PARTS, UNLIT, Kind

_MARKS: Final = {
    Mark.SET_BACK: "the camera's clock was set back before it: file numbers tell the order",
    Mark.MOVED: "the target or the camera has moved: put it back; this frame tells colour alone",
}


@dataclass(frozen=True)
class Next:
    """The row that is due.

    Attributes:
        box: Its number on the shot sheet.
        of: How many boxes the plan has.
        light: ``A at 1/4``.
        do: What to do before the shutter is released, a step each.
    """

    box: str
    of: int
    light: str
    do: tuple[str, ...]


def next_of(plan: pd.DataFrame, done: Conducted) -> Next | None:
    """Return what to shoot next; None where nothing is left."""
    if done.due < 0:
        return None
    boxes = int((~aside_rows(plan)).sum())
    return Next(box_of(plan, done.due), boxes, asked_by(plan, done.due), steps_to(plan, done))


def box_of(plan: pd.DataFrame, row: int) -> str:
    """Return the number of a row on the shot sheet."""
    return str(plan[BOX].iloc[row]) if BOX in plan and plan[BOX].iloc[row] else str(row + 1)


def asked_by(plan: pd.DataFrame, row: int) -> str:
    """Return what a row asks for: ``A at 1/4``, ``flash off``."""
    here = plan.iloc[row]
    return words.shown(here["head"], here["power"], here["kind"])


def steps_to(plan: pd.DataFrame, done: Conducted) -> tuple[str, ...]:
    """Return what to do before the row that is due, after the one that was shot last."""
    here = plan.iloc[done.due]
    shot = [row for _, row in sorted((at, row) for row, at in enumerate(done.rows.tolist()) if at >= 0)]
    iso = Lights.of(plan).iso
    before = [float(iso[row]) for row in shot if not np.isnan(iso[row])][-1:]
    camera = () if np.isnan(iso[done.due]) or before == [iso[done.due]] else (f"set ISO {iso[done.due]:.0f}",)
    if here["kind"] in UNLIT:
        return (*camera, "flash off", *([words.UNLIT_SAID[here["kind"]]] if here["kind"] == Kind.DARK else []))
    lit = [row for row in shot if plan["head"].iloc[row]]
    return (*camera, *_turns(plan, done.due, lit[-1] if lit else None), "wait for ready")


def _turns(plan: pd.DataFrame, due: int, last: int | None) -> tuple[str, ...]:
    """Return what to turn or change on heads and packs between two rows; the first row has none before it."""
    here, before = plan.iloc[due], None if last is None else plan.iloc[last]
    parts = _parts(here, before)
    checks = check_rows(plan)
    if checks[due]:
        return (f"head {here['head']}, on its own stand", *parts)
    if before is None or last is None or before["head"] != here["head"] or checks[last]:
        change = f"change to head {here['head']}: pack off and discharged first, as its maker says"
        warm = [
            f"{piece.removesuffix(' before')}, no frame" for piece in here["note"].split("; ") if "warm-up" in piece
        ]
        warm += ["from rest: no warm-up, at the pace of the stack"] * (RUN_NOTE in here["note"])
        lowered = ("turn down", "dump") if "after a dump" in here["note"] else ()
        return (*([] if before is None else [change]), *parts, *warm, *lowered)
    stops = float(here["stops"]) - float(before["stops"])
    if np.isnan(stops) or same_power(stops, 0.0):
        return tuple(parts)
    return (*parts, *(("turn down", "dump") if stops > 0 else ("turn up",)))


def _parts(here: "pd.Series[Any]", before: "pd.Series[Any] | None") -> list[str]:
    """Return what else than head and power differs between two rows, and what fires beside the head."""
    found = []
    for name in (name for name in PARTS if name in here):
        now, then = str(here[name]), "" if before is None else str(before[name])
        if now != then and name == "with":
            found += [f"{then} no longer fires with it"] * bool(then)
            found += [f"{now} fires with it, from the same pack, kept off the target"] * bool(now)
        elif now and now != then:
            found.append(f"{name} {now}")
    return found


def event_text(event: Event, plan: pd.DataFrame) -> str:
    """Return what is told of a frame, in one line; blank where there is nothing to tell."""
    parts = []
    due = f"box {box_of(plan, event.row)} ({asked_by(plan, event.row)})" if event.row >= 0 else "nothing"
    match event.what:
        case Place.SKIPPED_TO if event.left_out:
            missed = " and ".join(f"box {box_of(plan, row)} ({asked_by(plan, row)})" for row in event.left_out)
            parts.append(f"{missed} {'is' if len(event.left_out) == 1 else 'are'} missing: shoot it now")
        case Place.EXCHANGED:
            parts.append(f"box {box_of(plan, event.row)} and the one behind it were exchanged; each has its frame")
        case Place.PUT_BACK:
            parts.append(f"{due} has its frame now")
        case Aside.REJECTED:
            parts.append(f"{MEANING[event.flag]}; shoot {due} again")
        case Aside.NOT_TURNED:
            parts.append(f"the light of the row before, not of {due}: turn the power, dump, and shoot it")
        case Aside.WARM_UP:
            parts.append("taken for a warm-up flash, set aside")
        case Aside.NO_PLACE:
            parts.append(f"its light fits no row near {due}, set aside: check head and power, then shoot that box")
        case Aside.TAKEN_BACK:
            parts.append(f"taken back; next is {due}")
        case _:
            pass
    if not np.isnan(event.asked_iso):
        parts.append(f"the plan asks for ISO {event.asked_iso:.0f}: set it")
    if event.what != Place.BY_HAND:  # what the log holds was told when it was written
        parts += [_MARKS[mark] for mark in event.marks if event.what != Aside.REJECTED or mark != Mark.MOVED]
    return f"{event.frame}: {'; '.join(parts)}" if parts else ""


def reason_text(reason: Reason | None, head: str) -> str:
    """Return why no further round is asked of a head, or of the test where `head` is blank."""
    who = f"head {head}" if head else "the test"
    match reason:
        case Reason.CALLED:
            return f"{who}: every verdict is called, no further round is needed"
        case Reason.TOO_CLOSE:
            return f"{who}: what is left is too close to a limit for further rounds to tell"
        case Reason.ALL_SHOT:
            return f"{who}: all rounds are shot"
        case Reason.WITHHELD:
            return f"{who}: what is left cannot be called for a reason that further rounds do not cure: see the report"
        case None:
            return f"{who} is not decided yet"


def room_text(frame: str, changed: bool, unlit: bool) -> str:
    """Return what is told once of room light in the frames.

    Args:
        frame: That came last; `unlit` says that it is one without flash.
        changed: Room light is not what it was, else it is too much.
    """
    what = "the room light has changed" if changed else MEANING[Flag.AMBIENT_HIGH]
    then = ", then type again and shoot it once more" if unlit else ""
    return f"{frame}: {what}: switch lamps off and keep daylight out{then}"


def not_taken_text(act: str, text: str, conducted: bool, free: bool) -> str:
    """Return what is said of something typed or pressed that cannot be done here.

    Args:
        conducted: A plan is being shot.
        free: A shoot without plan.
    """
    what = f'"{text}"' if act == "set" and text else act
    if conducted:
        return f"{what}: not done; type undo, again, skip or note TEXT"
    if free:
        return f"{what}: not done; type head and power, undo, or note TEXT once a frame is there"
    return f"{what}: not done; the log names its frames, so there is nothing to decide here"
