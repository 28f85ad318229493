"""A watch, step by step: what came is read, placed and told; what the person decided is done; the log is written."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from greystep import flags
from greystep import words as say
from greystep.columns import FrameRow, rows_of
from greystep.compare.stopping import look
from greystep.errors import GreystepError
from greystep.files import check_target
from greystep.flags import REJECTING, Flag
from greystep.live.actions import Act, Action
from greystep.live.news import News
from greystep.pages.at_set import frame_text, free_state, log_state, next_text, reference_of, state_of, told_texts
from greystep.pages.screen import ARRIVED_SAID, arrived_text
from greystep.planning.order import CHECKS
from greystep.sentences.frames import lines
from greystep.sentences.shoot import next_of, not_taken_text, reason_text, room_text
from greystep.session.free_shoot import FreeShoot
from greystep.session.ingest import Ingested, ingest, write_readings
from greystep.session.part import WHOLE, Part
from greystep.session.raw_files import list_raw
from greystep.session.settings import Box, Settings
from greystep.session.shoot import Shoot, is_plan
from greystep.session.shots import CHECK_NOTE, read_shots
from greystep.session.watch import changed_frames, messages_of, next_to_shoot
from greystep.terms import TESTED, UNLIT, Kind
from greystep.words import wrapped


@dataclass
class Watch:
    """A session that is being shot.

    Attributes:
        settings: Of the session.
        tell: Says a thing on the screen.
        warn: Says a line on stderr.
        patch: The target by hand.
        part: Which frames are the session's, where the folder holds others too.
        store: Where readings and cache go if the session's folder cannot be written; no log is written then.
        free: Without plan: head and power are told.
        publish: Shows a state on the live page.
        found: What was read last.
        written: Where readings.csv was written.
        failed: Why the last reading failed.
        began: A reading was begun.
    """

    settings: Settings
    tell: Callable[[str], None]
    warn: Callable[[str], None]
    patch: Box | None = None
    part: Part = WHOLE
    store: Path | None = None
    free: FreeShoot | None = None
    publish: Callable[[Mapping[str, Any]], None] = lambda _: None
    shoot: Shoot | None = None
    found: Ingested | None = None
    written: Path | None = None
    failed: GreystepError | None = None
    began: bool = False
    _flags: dict[str, str] = field(default_factory=dict)
    _said: str = ""
    _due: str = ""
    _news: News = field(default_factory=News)
    _shown: Mapping[str, Any] = field(default_factory=dict)
    _lamp: bool = False
    _looked: set[tuple[str, int]] = field(default_factory=set)

    def begin(self) -> None:
        """Check what is there before the first frame.

        Raises:
            GreystepError: With what is wrong with the log, or if the session's folder cannot be written.
        """
        if self.store is None:
            check_target(self.settings.path / "readings.csv")
        if self.free is None and self.logged:
            log = read_shots(self.settings)
            if self.store is None and is_plan(log):
                self.shoot = Shoot(self.settings.path, log)

    def show_first(self) -> None:
        """Show what is due before the first frame has come, on the screen and on the page."""
        if self.free is not None:
            self._show(free_state(self.free, None))
        elif self.shoot is not None:
            self.shoot.place(self.shoot.plan, (), ())
            self._show_due(self.shoot, None)

    @property
    def logged(self) -> bool:
        """There is a log."""
        return (self.settings.path / "shots.csv").is_file()

    def waits(self) -> bool:
        """Say whether no frame has come yet.

        Raises:
            GreystepError: If the folder cannot be read.
        """
        return self.found is None and not self._raw()

    def step(self, actions: Sequence[Action] = ()) -> bool:
        """Read what is there, do what was decided, tell what is new; return whether all is shot."""
        for action in actions:
            self._act(action)
        try:
            if self.waits():
                self.show_first()
                return False
            if self.free is not None and not self._take(self.free):
                return False
            self.found, self.failed = self._read(), None
        except GreystepError as error:  # perhaps the next frame or a mended log makes it good
            self.failed = error
            if str(error) != self._said:
                self.warn(f"greystep: {error}")
                self._news.forget(self._said)
                self._news.add(str(error))
                self._show(self._shown)
            self._said = str(error)
            return False
        readings = self.found.readings
        rows = changed_frames(readings, self._flags)
        if self._cured():
            self._due = ""
        if len(rows):
            self._news.age()
        complete = self._conduct(self.shoot, readings, rows) if self.shoot else self._follow(readings, rows)
        self.written = write_readings(self.found, self.store)  # the page does not wait for the disk
        if self.shoot is not None:
            self.shoot.write_log()
        self._flags |= dict(zip(rows["frame"], rows["flags"], strict=True))
        return complete

    def _cured(self) -> bool:
        """Forget why the last reading failed, so that a card that is pulled twice is told twice; say whether it did."""
        failed, self._said = self._said, ""
        self._news.forget(failed)
        return bool(failed)

    def _raw(self) -> list[str]:
        folder = self.settings.frames_dir
        return list_raw(folder, self.settings.path / "report") if folder.is_dir() else []

    def _read(self) -> Ingested:
        self.began = True
        found = ingest(self.settings, self.patch, store=self.store, placing=self.shoot, part=self.part)
        if self.shoot is not None and self.shoot.judge(found.readings):  # what repeats reject has no row any more
            found = ingest(self.settings, self.patch, placing=self.shoot, part=self.part)
        return found

    # --- without conducting -------------------------------------------------------------------------------------------

    def _follow(self, readings: pd.DataFrame, rows: pd.DataFrame) -> bool:
        """Tell what came of a log that names its frames, or of a free shoot; such a one has no end."""
        due = next_to_shoot(readings) if self.free is None else readings.iloc[:0]
        complete = due.empty and self.logged and self.free is None
        if self._flags or not complete:
            if text := arrived_text(rows, due):
                self.tell(text)
            for line in lines(messages_of(self._messages, rows)):
                self.warn(line)
        self._show(free_state(self.free, readings) if self.free is not None else log_state(readings, due))
        return complete

    @property
    def _messages(self) -> Sequence[Any]:
        return self.found.messages if self.found is not None else ()

    def _take(self, free: FreeShoot) -> bool:
        """Give new frames their setting; say whether there is something to read."""
        free.take(self._raw())
        line = f"{say.counted(len(free.waiting), 'frame')} came: tell head and power first, such as A 1/4"
        if free.setting is None and free.waiting and line not in self._news.fresh:
            self._say(line)
        if not free.log.is_file():
            self._show(free_state(free, None))
        return free.log.is_file()

    # --- conducting ---------------------------------------------------------------------------------------------------

    def _conduct(self, shoot: Shoot, readings: pd.DataFrame, rows: pd.DataFrame) -> bool:
        reference = reference_of(readings)
        for row in rows_of(rows.iloc[-ARRIVED_SAID:], FrameRow):
            self.tell(frame_text(row, reference, shoot.level_pct(row.frame)))
        for line in told_texts(shoot.news(), shoot.plan):
            self._say(line)
        self._tell_room(readings, rows)
        if self.settings.looks > 1:
            self._look(shoot, readings)
        self._show_due(shoot, readings, always=bool(len(rows)))
        return shoot.done is not None and shoot.done.due < 0

    def _tell_room(self, readings: pd.DataFrame, rows: pd.DataFrame) -> None:
        """Tell once that a lamp is on, until it is off again: room light that changed, or that shows at full."""
        lit = readings[readings["kind"].isin(TESTED) & (readings["shot"] >= 0)].sort_values("shot")
        high = lit[lit["stops"] <= lit.groupby("head")["stops"].transform("min")]
        said = {name: set(flags.split(row)) for name, row in zip(lit["frame"], lit["flags"], strict=True)}
        new = [name for name in rows["frame"] if not said.get(name, set()) & {*REJECTING, Flag.TARGET_MOVED}]
        changed = any(Flag.AMBIENT_CHANGED in said.get(name, ()) for name in new)
        lamp = changed or any(Flag.AMBIENT_HIGH in said[name] for name in high["frame"] if name in new)
        if lamp and not self._lamp:
            last = readings.sort_values("shot").iloc[-1]
            self._say(room_text(str(last["frame"]), changed, last["kind"] in UNLIT))
        if lamp or (len(high) and Flag.AMBIENT_HIGH not in said[high["frame"].iloc[-1]]):
            self._lamp = lamp

    def _show_due(self, shoot: Shoot, readings: pd.DataFrame | None, always: bool = False) -> None:
        """Show what is due: on the screen where that has changed, or always."""
        if shoot.done is None:
            return
        due = next_text(next_of(shoot.plan, shoot.done))
        if always or due != self._due:
            self.tell(due)
        self._due = due
        self._show(state_of(shoot, readings))

    def _look(self, shoot: Shoot, readings: pd.DataFrame) -> None:
        """Ask for a further round of what is open, or say why none is asked."""
        done = shoot.done
        head = shoot.finished_head()
        over = done is not None and done.due < 0
        mark = "" if over else head
        if done is None or not (over or head) or (mark, len(shoot.plan)) in self._looked:
            return
        self._looked.add((mark, len(shoot.plan)))
        try:
            found = look(readings, self.settings, mark)
        except GreystepError:  # nothing to compare yet
            return
        if found.finished:
            self._say(reason_text(found.reason, mark))
            return
        lights: list[dict[str, Any]] = [
            {"head": one.head, "power": one.power, "kind": str(Kind.FLASH), "stops": one.stops, **dict(one.parts)}
            for one in found.open
        ]
        shoot.ask(self._with_checks(shoot, lights) if over else lights, mark)
        self._say(f"{'the test' if over else f'head {mark}'} is not decided yet: {len(lights)} more frames")

    def _with_checks(self, shoot: Shoot, lights: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Put check frames before each head and at the end, and a flash-off frame last, as the plan has them."""
        plan = shoot.plan
        checks = plan[plan["note"].str.contains(CHECK_NOTE, case=False)]
        check: list[dict[Any, Any]] = [dict(checks.iloc[-1].items())] * CHECKS if len(checks) else []
        ambient = plan[plan["kind"] == Kind.AMBIENT].iloc[-1:].to_dict(orient="records")
        found: list[dict[Any, Any]] = []
        for place, light in enumerate(lights):
            if place == 0 or light["head"] != lights[place - 1]["head"]:
                found += check
            found.append(light)
        return [{**row, "frame": "", "placed": ""} for row in (*found, *check, *ambient)]

    # --- what is decided ----------------------------------------------------------------------------------------------

    def _act(self, action: Action) -> None:
        """Do what was decided; what cannot be done is told."""
        try:
            match action.act, self.shoot, self.free:
                case Act.SET, _, FreeShoot() as free:
                    self._say(f"from now on: {free.tell(action.text).said}")
                case Act.NOTE, Shoot() as shoot, _ if action.text:
                    shoot.note(action.text)
                    self._say(f"noted: {action.text}")
                case Act.NOTE, _, FreeShoot() as free if action.text and self.found is not None:
                    free.note(action.text)
                    self._say(f"noted with the last frame: {action.text}")
                case Act.UNDO, Shoot() as shoot, _:
                    if shoot.undo():
                        self._say("the last decision is taken back")
                case Act.AGAIN, Shoot() as shoot, _:
                    shoot.again()
                case Act.SKIP, Shoot() as shoot, _:
                    shoot.skip()
                case Act.UNDO, _, FreeShoot() as free:
                    free.undo()
                    self._say("the last thing told is taken back")
                case _:
                    self._say(not_taken_text(action.act, action.text, self.shoot is not None, self.free is not None))
        except GreystepError as error:
            self._say(str(error))

    def _say(self, line: str) -> None:
        """Tell what happened, on the screen and on the page."""
        self.tell(wrapped(line, "  ! "))
        self._news.add(line)

    def _show(self, state: Mapping[str, Any]) -> None:
        """Show a state on the live page, with what was told since the last frame came, and before."""
        self._shown = state
        self.publish({**state, "told": self._news.fresh, "earlier": self._news.earlier})
