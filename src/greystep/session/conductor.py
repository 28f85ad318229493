"""Frames placed on the rows of a plan as they come: what is next, and what slipped.

Every frame is held against the row that is due. One that fits no place is set aside; it stops nothing. All frames are
placed anew with each one that comes, since how bright a head is shows better with every frame.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Indices
from greystep.flags import Flag
from greystep.session.arrived import Arrived
from greystep.session.costs import WARM_UPS
from greystep.session.placing_events import Aside, Event, Place
from greystep.session.plan_lights import Lights
from greystep.terms import Kind

#: A head that has not fired yet is as bright as the others to within this [stop] (own assumption).
_ALIKE: Final = 2.0
#: Settings of ISO that differ by less than this are one [stop].
_SAME_ISO: Final = 0.2
#: So many rows behind the one that is due are looked at for a frame that does not fit it.
_AHEAD: Final = 2


@dataclass(frozen=True)
class Decisions:
    """What the person has decided: frames taken back, and rows that are not to be shot (positions in the plan)."""

    taken_back: frozenset[str] = frozenset()
    skipped: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Conducted:
    """How far a plan has been shot.

    Attributes:
        rows: (r,) int array. Of each row of the plan: its frame, as a position among the frames; -1 without one.
        events: One for each frame, in the order in which they came.
        due: Position of the row to be shot next; -1 where all are done.
    """

    rows: Indices
    events: tuple[Event, ...]
    due: int


def conduct(plan: pd.DataFrame, frames: Sequence[Arrived], decided: Decisions | None = None) -> Conducted:
    """Place frames on the rows of a plan, in the order in which they came.

    Args:
        plan: The log in the order in which it is to be shot, see `greystep.session.shots.read_shots`. Rows that name a
            frame keep it.
        frames: As they came, by the camera's own numbers where its clock jumps.
        decided: What the person has decided.
    """
    lights = Lights.of(plan)
    levels: dict[int, float] = {}
    done = Conducted(np.full(len(plan), -1), (), 0)
    for _ in range(2):  # the second time with the level of each head from all its frames
        fold = _Fold(plan, lights, decided or Decisions(), dict(levels))
        for at, frame in enumerate(frames):
            fold.place(at, frame)
        done = Conducted(np.array(fold.rows), tuple(fold.events), fold.next_row())
        levels = fold.levels(frames)
    return done


@dataclass
class _Fold:
    """The state of placing, frame after frame."""

    plan: pd.DataFrame
    lights: Lights
    decided: Decisions
    level: dict[int, float]
    rows: list[int] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    due: int = 0
    passed: list[int] = field(default_factory=list)  # rows before the due one that had no frame when it was reached
    last: int = -1  # the row that was filled last
    seen: dict[int, list[float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.rows = [-1] * len(self.plan)

    @cached_property
    def named(self) -> dict[str, int]:
        """The row of each frame that the log names."""
        return {name: row for row, name in enumerate(self.plan["frame"]) if name}

    def levels(self, frames: Sequence[Arrived]) -> dict[int, float]:
        """Return the level of each head: the median of its placed frames [stop]."""
        found: dict[int, list[float]] = {}
        for row, at in enumerate(self.rows):
            if at >= 0 and self.lights.known[row] and math.isfinite(frames[at].light):
                found.setdefault(int(self.lights.own[row]), []).append(frames[at].light + self.lights.stops[row])
        return {own: float(np.median(values)) for own, values in found.items()}

    # --- one frame ----------------------------------------------------------------------------------------------------

    def place(self, at: int, frame: Arrived) -> None:
        """Give a frame its row, or set it aside."""
        due = self.next_row()
        if frame.frame in self.decided.taken_back:
            return self._aside(frame, due, Aside.TAKEN_BACK)
        if frame.frame in self.named:
            row = self.named[frame.frame]
            if not frame.rejected or self.plan["kind"].iloc[row] == Kind.JOB:
                return self._take(at, frame, row, Event(frame.frame, row, Place.BY_HAND))
            self._kept.discard(row)  # to be shot again
            self.passed.append(row)
        dark = due >= 0 and self.lights.unlit[due] and frame.rejected == Flag.NO_TARGET  # nothing to see without flash
        if frame.rejected and not dark:
            self._aside(frame, due, Aside.REJECTED, frame.rejected)
            if (
                frame.late and due == self.due < len(self.rows) and self._fits(due, frame)
            ):  # what followed was no repeat
                self.passed.append(due)
                self.due += 1
            return None
        if self.due < len(self.rows) and self._fits(self.due, frame):
            return self._take(at, frame, self.due, Event(frame.frame, self.due, Place.IN_ORDER))
        if due >= 0 and self._fits(due, frame):
            exchanged = self.last == due + 1 and self.events[-1].left_out == (due,)
            what = Place.EXCHANGED if exchanged else Place.PUT_BACK
            return self._take(at, frame, due, Event(frame.frame, due, what))
        if (row := self._warm_up(frame)) >= 0:
            return self._take(at, frame, row, Event(frame.frame, row, Place.IN_ORDER))
        if (math.isinf(frame.light) or frame.dim) and due >= 0 and not self.lights.unlit[due]:
            ahead = self._ahead(frame)
            if ahead < 0 or (math.isinf(frame.light) and ahead > self.due + 1):
                return self._aside(frame, due, Aside.REJECTED, Flag.NO_FLASH)
        if frame.uneven:  # no row but the one that is due goes by such a light
            return self._aside(frame, due, Aside.NO_PLACE)
        for row in self._open_before():
            if self._fits(row, frame):
                return self._take(at, frame, row, Event(frame.frame, row, Place.PUT_BACK))
        if self.last >= 0 and self._fits(self.last, frame):
            return self._aside(frame, due, Aside.NOT_TURNED)
        if (row := self._ahead(frame)) >= 0:
            passed = tuple(other for other in range(self.due, row) if self._open(other))
            self._rescue(passed)
            passed = tuple(other for other in passed if self.rows[other] < 0)
            return self._take(at, frame, row, Event(frame.frame, row, Place.SKIPPED_TO, passed))
        warms = due >= 0 and self.lights.known[due] and self._warms(due, frame)
        return self._aside(frame, due, Aside.WARM_UP if warms else Aside.NO_PLACE)

    def next_row(self) -> int:
        """Return the row to be shot next: one left out while its head stands, else the next, else any, or -1."""
        while self.due < len(self.rows) and not self._open(self.due):
            self.due += 1
        before = self._open_before()
        now = self.lights.own[min(max(self.last, 0), len(self.rows) - 1)] if len(self.rows) else -1
        here = [row for row in before if self.lights.own[row] == now or self.lights.unlit[row]]
        if here:
            return here[0]
        return self.due if self.due < len(self.rows) else before[0] if before else -1

    def _open(self, row: int) -> bool:
        return self.rows[row] < 0 and row not in self.decided.skipped and row not in self._kept

    @cached_property
    def _kept(self) -> set[int]:
        """Rows whose frames the log names; they are open for no other."""
        return set(self.named.values())

    def _open_before(self) -> list[int]:
        return sorted(row for row in self.passed if self._open(row))

    def _fits(self, row: int, frame: Arrived) -> bool:
        """Say whether a frame has the light of a row, as far as that is known."""
        if math.isnan(frame.light):
            return True
        if self.lights.unlit[row]:
            return math.isinf(frame.light) or frame.dim
        if math.isinf(frame.light):
            return False
        if not self.lights.known[row]:
            return True
        own = int(self.lights.own[row])
        level = frame.light + self.lights.stops[row]
        if own in self.level:
            return bool(abs(level - self.level[own]) <= self.lights.fits)
        if own in self.seen:
            return bool(abs(level - float(np.median(self.seen[own]))) <= self.lights.fits)
        others = [float(np.median(values)) for values in self.seen.values()]
        return abs(level - float(np.median(others))) <= _ALIKE if others else not frame.dim

    def _known(self, row: int) -> bool:
        return bool(self.lights.unlit[row]) or int(self.lights.own[row]) in (self.seen.keys() | self.level.keys())

    def _ahead(self, frame: Arrived) -> int:
        """Return the row behind the due one whose light the frame has; -1 if none is near or sure."""
        end = min(self.due + _AHEAD + 1, len(self.rows))
        near = [row for row in range(self.due + 1, end) if self._open(row) and not math.isnan(frame.light)]
        return next((row for row in near if self._known(row) and self._fits(row, frame)), -1)

    def _warm_up(self, frame: Arrived) -> int:
        """Return the first row of a head where a frame has its light once more: the newest takes it; -1 elsewhere.

        The earlier frames at full at the start of a head were to warm it up, if there are two or more of them.
        """
        row = self.last
        if row < 0 or not self.lights.known[row] or not self._fits(row, frame) or math.isinf(frame.light):
            return -1
        own = self.lights.own == self.lights.own[row]
        run = [row]
        while run[0] > 0 and self.lights.one[run[0] - 1] == self.lights.one[row] and self.rows[run[0] - 1] >= 0:
            run.insert(0, run[0] - 1)
        first = next(
            (other for other, event in enumerate(self.events) if event.row in run and isinstance(event.what, Place)), -1
        )
        elsewhere = [other for other in np.flatnonzero(own).tolist() if self.rows[other] >= 0 and other not in run]
        top = self.lights.stops[row] <= float(np.nanmin(self.lights.stops[own])) + self.lights.fits
        if elsewhere or first < 0 or not top:
            return -1
        spare = sum(event.what == Aside.NOT_TURNED for event in self.events[first:])
        begun = any(event.what == Aside.WARM_UP and event.row == run[0] for event in self.events)
        if spare + 2 < WARM_UPS and not begun:
            return -1
        # The last frames of the run have its rows; those before them were for the warm-up.
        place = {event.frame: other for other, event in enumerate(self.events)}
        shown = [event.frame for event in self.events[first:] if event.row in run or event.what == Aside.NOT_TURNED]
        keep = shown[len(shown) - len(run) + 1 :] if len(run) > 1 else []
        for name in shown:
            self.events[place[name]] = Event(name, run[0], Aside.WARM_UP)
        for other, name in zip(run, keep, strict=False):
            self.rows[other] = place[name]
            self.events[place[name]] = Event(name, other, Place.IN_ORDER)
        self.rows[row] = -1
        self.passed.append(row)
        return row

    def _warms(self, due: int, frame: Arrived) -> bool:
        """Say whether a frame has the light of the highest power of the head that is due and has no frame yet."""
        own = np.flatnonzero(self.lights.own == self.lights.own[due])
        top = int(own[np.argmin(self.lights.stops[own])])
        return all(self.rows[row] < 0 for row in own) and self._fits(top, frame)

    def _rescue(self, passed: Sequence[int]) -> None:
        """Give a frame without flash that was taken for a misfire the flash-off row that has now been passed over."""
        waiting = [row for row in passed if self.lights.unlit[row]]
        for at in range(len(self.events) - 1, -1, -1):
            event = self.events[at]
            if not waiting or event.what != Aside.REJECTED or event.flag != Flag.NO_FLASH:
                return
            row = waiting.pop()
            self.rows[row] = at
            self.events[at] = Event(event.frame, row, Place.SKIPPED_TO)

    def _take(self, at: int, frame: Arrived, row: int, event: Event) -> None:
        self.rows[row] = at
        self._add(frame, event)
        self.last = row
        if row >= self.due:
            self.passed += range(self.due, row)
            self.due = row + 1
        if self.lights.known[row] and math.isfinite(frame.light):
            self.seen.setdefault(int(self.lights.own[row]), []).append(frame.light + self.lights.stops[row])

    def _aside(self, frame: Arrived, due: int, why: Aside, flag: str = "") -> None:
        self._add(frame, Event(frame.frame, due, why, flag=str(flag)))

    def _add(self, frame: Arrived, event: Event) -> None:
        """Note what happened, with an ISO that the plan does not ask for."""
        asked = self.lights.iso[event.row] if event.row >= 0 else math.nan
        if event.what != Aside.WARM_UP and abs(math.log2(frame.iso / asked)) > _SAME_ISO:
            event = replace(event, iso=frame.iso, asked_iso=float(asked))
        self.events.append(replace(event, marks=frame.marks))
