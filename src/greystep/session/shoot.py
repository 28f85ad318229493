"""A plan that is being shot: its frames placed as they come, what the person decided, and the log of both."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.columns import FrameRow, rows_of
from greystep.documents import table_bytes
from greystep.files import check_target, write_bytes
from greystep.flags import REJECTING, Flag
from greystep.measure.reading import Reading
from greystep.measure.target import Target
from greystep.session.arrived import Arrived, arrived
from greystep.session.conductor import Conducted, Decisions, conduct
from greystep.session.placing_events import Event
from greystep.session.plan_lights import Lights
from greystep.session.shot_log import log_of
from greystep.session.shots import BOX, PLACED, check_rows

#: The plan as it was, beside the log that is written over it.
PLAN_NAME: Final = "shots_planned.csv"
#: Frames of one light that were shot one after the other agree to within this [stop] (own assumption).
_AGREE: Final = 0.1


@dataclass
class Shoot:
    """The state of a shoot.

    Attributes:
        folder: Where the log lies.
        plan: The log as it was planned, or as a person left it.
        done: How far it is; None before the first frame.
        decided: What the person decided.
        targets: By camera body: where the grey target stands, once that is settled.
        so_far: The log as it was placed last.
    """

    folder: Path
    plan: pd.DataFrame
    done: Conducted | None = None
    decided: Decisions = field(default_factory=Decisions)
    targets: dict[str, Target] = field(default_factory=dict)
    so_far: pd.DataFrame | None = None
    _frames: tuple[Arrived, ...] = ()
    _rejected: dict[str, str] = field(default_factory=dict)
    _late: set[str] = field(default_factory=set)
    _moved: set[str] = field(default_factory=set)
    _written: bytes = b""
    _told: set[tuple[str, str, int]] = field(default_factory=set)
    _before: list[tuple[Decisions, pd.DataFrame]] = field(default_factory=list)

    # --- placing --------------------------------------------------------------------------------------------------

    def place(
        self, shots: pd.DataFrame, names: Sequence[str], readings: Sequence[Reading]
    ) -> tuple[pd.DataFrame, tuple[()]]:
        """Name the frames of the log as far as they have rows; never an error.

        Args:
            shots: The log as read; it is taken for the plan where somebody else has changed it since.
            names, readings: As they came, see `greystep.session.raw_files.capture_order`.
        """
        if self._written and not self.is_own_log():
            self.plan, self._written = shots, b""
        self._frames = tuple(arrived(names, readings, self._rejected, self._moved, self._late))
        self.done = conduct(self.plan, self._frames, self.decided)
        self.so_far = self._log(self.done)
        return self.so_far, ()

    def see_targets(self, states: Mapping[str, str]) -> bool:
        """Take where the target stands in each frame; say whether a place may have changed by that.

        Args:
            states: By frame, see `greystep.session.places.target_states`.
        """
        away = {name for name, state in states.items() if state}
        changed, self._moved = away != self._moved, away
        if 2 * len(away) > sum(not frame.dim for frame in self._frames):  # it stands elsewhere, and is sought again
            self.targets.clear()
        for name, flag in list(self._rejected.items()):
            if flag == Flag.NO_TARGET and name not in away:
                changed |= bool(self._rejected.pop(name))
        return changed

    def judge(self, readings: pd.DataFrame) -> bool:
        """Take from the readings which frames their repeats reject; say whether a place may have changed by that."""
        own = {frame.frame for frame in self._frames if frame.rejected}
        before = len(self._rejected)
        for row in rows_of(readings[readings["shot"] >= 0], FrameRow):
            flag = next((flag for flag in flags.split(row.flags) if flag in REJECTING), "")
            if flag and flag != Flag.EXTRA_FRAME and row.frame not in own:
                self._rejected.setdefault(row.frame, flag)
        changed = self._overrule() or len(self._rejected) > before
        told = {frame.frame for frame in self._frames if frame.rejected}
        self._late |= {frame.frame for frame in self._frames[:-1]} & self._rejected.keys() - told
        return changed

    def _overrule(self) -> bool:
        """Where two frames of one light fell short alike, reject the brighter ones that they were held against."""
        one = Lights.of(self.plan).one
        short: dict[int, list[Arrived]] = {}
        for frame, event in zip(self._frames, self.done.events if self.done else (), strict=False):
            if event.row >= 0 and self._rejected.get(frame.frame) == Flag.PARTIAL_FLASH:
                short.setdefault(int(one[event.row]), []).append(frame)
        for light, frames in short.items():
            levels = [frame.light for frame in frames[-2:]]
            if len(levels) < 2 or not abs(levels[0] - levels[1]) < _AGREE:
                continue
            rows = self.done.rows[one == light].tolist() if self.done else []
            for other in (self._frames[at] for at in rows if at >= 0):
                if other.light > max(levels) + _AGREE:
                    self._rejected[other.frame] = Flag.OUTLIER
            for frame in frames[-2:]:
                del self._rejected[frame.frame]
            return True
        return False

    def level_pct(self, frame: str) -> float:
        """Return the level of a frame's patch [% of the range]; NaN where it is not known."""
        return next((100.0 * one.share for one in self._frames if one.frame == frame), math.nan)

    def news(self) -> list[Event]:
        """Return what happened since the last call, each thing once."""
        found = []
        for event in self.done.events if self.done else ():
            key = (event.frame, f"{event.what}{event.flag}", event.row)
            if key not in self._told:
                self._told.add(key)
                found.append(event)
        return found

    def _log(self, done: Conducted) -> pd.DataFrame:
        return log_of(self.plan, self._frames, done, self.decided)

    # --- what the person decides ------------------------------------------------------------------------------------

    def again(self, frame: str = "") -> None:
        """Take a frame from its row, the last one that has one by default, so that the row is shot again."""
        placed = [self._frames[at].frame for at in sorted(self.done.rows.tolist()) if at >= 0] if self.done else []
        if name := frame or next(iter(placed[::-1]), ""):
            self._decide(replace(self.decided, taken_back=self.decided.taken_back | {name}))

    def skip(self) -> None:
        """Leave the row that is due out."""
        if self.done is not None and self.done.due >= 0:
            self._decide(replace(self.decided, skipped=self.decided.skipped | {self.done.due}))

    def note(self, text: str) -> None:
        """Add a note to the row of the frame that came last, or to the row that is due where it has none."""
        rows = self.done.rows.tolist() if self.done else []
        last = len(self._frames) - 1
        row = rows.index(last) if last in rows else self.done.due if self.done else 0
        note = "; ".join(filter(None, [str(self.plan["note"].iloc[row]), text]))
        self._decide(self.decided)
        self.plan = self.plan.assign(note=self.plan["note"].where(np.arange(len(self.plan)) != row, note))

    def undo(self) -> bool:
        """Take the last decision back; without any, the place of the last frame. Say whether there was a decision."""
        if not self._before:
            self.again()
            return False
        self.decided, self.plan = self._before.pop()
        return True

    def _decide(self, decided: Decisions) -> None:
        self._before.append((self.decided, self.plan))
        self.decided = decided

    # --- further rounds ---------------------------------------------------------------------------------------------

    def finished_head(self) -> str:
        """Return the head that was shot last where none of its rows is left before other heads' come; else blank."""
        if self.done is None:
            return ""
        shot = self.done.rows >= 0
        placed = [(int(at), row) for row, at in enumerate(self.done.rows.tolist()) if at >= 0]
        head = str(self.plan["head"].iloc[max(placed)[1]]) if placed else ""
        mine = ((self.plan["head"] == head) & ~check_rows(self.plan)).to_numpy()
        return head if head and mine.any() and bool(shot[mine].all()) else ""

    def ask(self, lights: Sequence[Mapping[str, Any]], head: str) -> None:
        """Add rows to the plan: behind the last row of `head`, or at the end where it is blank.

        Args:
            lights: What each row says: head, power, kind, note, pack ...
        """
        mine = np.flatnonzero((self.plan["head"] == head) & ~check_rows(self.plan)) if head else np.zeros(0, dtype=int)
        at = int(mine[-1]) + 1 if len(mine) else len(self.plan)
        box = self.plan[BOX].tolist() if BOX in self.plan else [str(row + 1) for row in range(len(self.plan))]
        first = max((int(one) for one in box if one.isdigit()), default=0) + 1
        more = pd.DataFrame([{BOX: str(first + place), PLACED: "", **light} for place, light in enumerate(lights)])
        plan = self.plan.assign(**{BOX: box})
        joined = pd.concat([plan.iloc[:at], more, plan.iloc[at:]], ignore_index=True)
        text = [str(name) for name in joined if name not in ("stops", "row")]
        joined[text] = joined[text].fillna("").astype("str")
        self.plan = joined.assign(row=np.arange(len(joined)) + 2)
        later = {row + len(lights) if row >= at else row for row in self.decided.skipped}
        self.decided = replace(self.decided, skipped=frozenset(later))
        self._before.clear()  # they told rows by their old places
        self.done = conduct(self.plan, self._frames, self.decided)

    # --- the log ------------------------------------------------------------------------------------------------------

    @property
    def log(self) -> Path:
        """Where the log lies."""
        return self.folder / "shots.csv"

    def is_own_log(self) -> bool:
        """Say whether the log is as it was written last."""
        return self.log.is_file() and self.log.read_bytes() == self._written

    def write_log(self) -> None:
        """Write what was shot over the log; the plan stays beside it as it was.

        Raises:
            GreystepError: If the folder cannot be written.
        """
        if self.done is None:
            return
        check_target(self.log)
        kept = self.folder / PLAN_NAME
        if PLACED not in self.plan and not kept.exists():
            check_target(kept)
            write_bytes(kept, self.log.read_bytes())
        content = table_bytes(self._log(self.done).drop(columns=["stops", "row"]))
        if content != self._written or not self.is_own_log():
            write_bytes(self.log, content)
            self._written = content


def is_plan(shots: pd.DataFrame) -> bool:
    """Say whether frames of a log are to be placed as they come: it names none, or was written so."""
    return bool((shots["frame"] == "").all()) or PLACED in shots
