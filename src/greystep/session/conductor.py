"""Frames placed on the rows of a plan as they come: what is next, what slipped, and the log of what really happened.

Every frame is held against the row that is due. One that fits no place is set aside; it stops nothing. All frames are
placed anew with each one that comes, since how bright a head is shows better with every frame.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.flags import Flag
from greystep.session.costs import GAP, WARM_UPS
from greystep.session.shots import BOX, NOT_SHOT, PLACED, SET_ASIDE, SKIPPED, WARM_UP, check_rows
from greystep.terms import PARTS, TESTED, UNLIT, Kind

#: A head that has not fired yet is as bright as the others to within this [stop] (own assumption).
_ALIKE: Final = 2.0
#: Settings of ISO that differ by less than this are one [stop].
_SAME_ISO: Final = 0.2
#: So many rows behind the one that is due are looked at for a frame that does not fit it.
_AHEAD: Final = 2


class Aside(StrEnum):
    """Why a frame has no row."""

    REJECTED = "rejected"  # it cannot be used, so its light is shot again
    NOT_TURNED = "not turned"  # the light of the row before: not turned down, or shot twice
    WARM_UP = WARM_UP
    NO_PLACE = "no place"  # its light fits no row that is near
    TAKEN_BACK = "taken back"  # by the person


class Place(StrEnum):
    """How a row came to its frame."""

    IN_ORDER = "in order"
    SKIPPED_TO = "skipped to"  # rows before it were left out
    PUT_BACK = "put back"  # a row that was left out, shot after all
    EXCHANGED = "exchanged"  # with the row behind it
    BY_HAND = "by hand"  # as a log says


class Mark(StrEnum):
    """What else there is to a frame, wherever it goes."""

    SET_BACK = "clock set back"  # before it; its number tells its place
    MOVED = "target moved"  # or the camera: its light is not known


@dataclass(frozen=True)
class Arrived:
    """One frame, as far as placing needs it.

    Attributes:
        light: log2 of the flash in it, exposure settings taken out [stop]; -inf without flash, NaN where not known.
        rejected: The flag for which it cannot be used; blank where it can.
        share: Green of the patch as a share of the range.
        dim: It may have no flash in it, whatever its light.
        uneven: What was measured is not all of one light, as it is in the others: the target may have moved.
    """

    frame: str
    light: float
    rejected: str = ""
    iso: float = math.nan
    share: float = math.nan
    dim: bool = False
    uneven: bool = False
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class Event:
    """What happened with one frame: where it went, or why it has no row.

    Attributes:
        frame: Its name.
        row: Position in the plan: the row that it has, or the one that was due.
        what: How it was placed, or why it was set aside.
        left_out: Positions of rows that it passed over.
        flag: Why it cannot be used; blank where it can.
        iso, asked_iso: Of the frame and of the plan, where they differ; NaN else.
    """

    frame: str
    row: int
    what: Place | Aside
    left_out: tuple[int, ...] = ()
    flag: str = ""
    iso: float = math.nan
    asked_iso: float = math.nan
    marks: tuple[Mark, ...] = ()

    @property
    def placed(self) -> str:
        """What the log says of it."""
        said = [f"{self.what}: {self.flag}" if self.flag else str(self.what)]
        said += [] if math.isnan(self.iso) else [f"ISO {self.iso:.0f} for {self.asked_iso:.0f}"]
        return "; ".join([*said, *self.marks])


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

    @property
    def left(self) -> int:
        """How many rows are still to be shot, those that are skipped among them."""
        return int((self.rows < 0).sum())


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


@dataclass(frozen=True)
class Lights:
    """What a plan says of its rows.

    Attributes:
        unlit: (r,) bool array. Rows without flash.
        known: (r,) bool array. Rows whose head and power are known.
        stops: (r,) array. Below full; NaN where not known.
        own: (r,) int array. Rows of one number have one level: a head with its pack, channel and what else parts it.
        one: (r,) int array. Rows of one number have one light.
        iso: (r,) array. That the plan asks for; NaN where it does not say.
        fits: How near a frame must be to its row [stop]: `GAP`, or half a step where the plan has finer ones.
    """

    unlit: Booleans
    known: Booleans
    stops: Floats
    own: Indices
    one: Indices
    iso: Floats
    fits: float

    @classmethod
    def of(cls, plan: pd.DataFrame) -> "Lights":
        """Read a plan."""
        kinds = plan["kind"].where(~check_rows(plan), Kind.FLASH.value)
        unlit = kinds.isin(UNLIT).to_numpy(dtype=bool)
        stops = plan["stops"].to_numpy(np.float64)
        known = (kinds.isin([*TESTED, Kind.CARD]) & (plan["head"] != "")).to_numpy(dtype=bool) & np.isfinite(stops)
        parts = [name for name in ("head", *PARTS) if name in plan]
        own = plan.groupby(parts, sort=False, dropna=False).ngroup().to_numpy().astype(np.intp)
        keys = plan[parts].assign(kind=kinds.where(~unlit, "unlit"), stops=np.round(np.nan_to_num(stops, nan=-1.0), 3))
        one = keys.groupby([*parts, "kind", "stops"], sort=False).ngroup().to_numpy().astype(np.intp)
        notes = plan["note"] if "note" in plan else pd.Series("", index=plan.index)
        iso = np.array([float(found[1]) if (found := re.search(r"\bISO (\d+)", note)) else math.nan for note in notes])
        steps = np.diff(np.unique(np.round(stops[known], 2)))
        return cls(unlit, known, stops, own, one, iso, min(GAP, 0.5 * float(steps.min()) if len(steps) else GAP))


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
            return self._aside(frame, due, Aside.REJECTED, frame.rejected)
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


# --- the log of what happened ---------------------------------------------------------------------------------------


def log_of(plan: pd.DataFrame, frames: Sequence[Arrived], done: Conducted, decided: Decisions) -> pd.DataFrame:
    """Return the log of what was shot: a row a frame in the order in which they came, then what is still to be shot.

    Args:
        plan: As for `conduct`.
        frames: As for `conduct`.

    Returns: The columns of the plan, with `BOX` and `PLACED` before stops and row. A frame without row becomes kind
        ``job``, which enters no mean, and says why. Nothing of the plan is left out: a row that is skipped stays.
    """
    own = [name for name in plan if name not in ("stops", "row", BOX, PLACED)]
    first = [name for name in ("frame", "head", "power", "kind", "pack", "note") if name in own]
    columns = [*first, *(name for name in own if name not in first)]
    box = plan[BOX].tolist() if BOX in plan else [str(place + 1) for place in range(len(plan))]
    cells = plan[[*columns, "stops"]].to_dict(orient="records")
    row_of = {at: row for row, at in enumerate(done.rows.tolist()) if at >= 0}
    records = []
    for at, event in enumerate(done.events):
        if at in row_of:
            row = row_of[at]
            placed = plan[PLACED].iloc[row] if event.what == Place.BY_HAND and PLACED in plan else event.placed
            records.append({**cells[row], "frame": frames[at].frame, BOX: box[row], PLACED: placed})
        else:
            records.append({"frame": frames[at].frame, "kind": Kind.JOB.value, PLACED: f"{SET_ASIDE}{event.placed}"})
    for row in np.flatnonzero(done.rows < 0).tolist():
        said = SKIPPED if row in decided.skipped else NOT_SHOT
        records.append({**cells[row], "frame": "", BOX: box[row], PLACED: said})
    log = pd.DataFrame(records)
    text = log[[*columns, BOX, PLACED]].fillna("").astype("str")
    return text.assign(stops=log["stops"].astype("float64"), row=np.arange(len(log)) + 2)
