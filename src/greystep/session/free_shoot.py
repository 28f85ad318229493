"""Shooting without a plan: head and power are told once when they change, and every frame until then gets them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pandas as pd

from greystep.errors import GreystepError
from greystep.files import check_target, write_table
from greystep.session.settings import Settings, power_of
from greystep.session.shots import read_shots
from greystep.terms import Kind

#: What may be told besides head and power: kinds of frames, and what frames of a job are for.
_WORDS: Final = {
    "ambient": Kind.AMBIENT, "dark": Kind.DARK, "card": Kind.CARD, "check": Kind.CHECK, "job": Kind.JOB,
    "stack": Kind.JOB, "plate": Kind.JOB,
}  # fmt: skip
_HOW: Final = "tell head and power, such as A 1/4; or ambient, dark, card A 1/4, plate key, stack"


@dataclass(frozen=True)
class Setting:
    """What the frames from now on are."""

    kind: Kind
    head: str = ""
    power: str = ""
    note: str = ""

    @property
    def said(self) -> str:
        """As it is said."""
        light = " at ".join(filter(None, (self.head, self.power)))
        word = "" if self.kind == Kind.FLASH else self.note or str(self.kind)
        return " ".join(filter(None, (word, light)))


def parse_setting(text: str, settings: Settings) -> Setting:
    """Read what is told: ``A 1/4``, ``Head 2 full``, ``card A 1/4``, ``plate key``, ``stack``, ``ambient``.

    Raises:
        GreystepError: If it is none of these; the message says what to write.
    """
    words = text.split()
    if not words:
        raise GreystepError(f"nothing told; {_HOW}")
    kind = _WORDS.get(words[0].casefold())
    if kind == Kind.JOB:
        return Setting(kind, note=" ".join([words[0].casefold(), *words[1:]]))
    rest = words if kind is None else words[1:]
    if not rest and kind in (Kind.AMBIENT, Kind.DARK, Kind.CARD):
        return Setting(kind)
    for split in range(1, len(rest)):  # the head's name may hold blanks, and so may the power: "-4 stops"
        head, power = " ".join(rest[:split]), " ".join(rest[split:])
        try:
            power_of(settings, head, power)
        except GreystepError:
            continue
        return Setting(kind or Kind.FLASH, head, power)
    if len(rest) > 1:
        power_of(settings, " ".join(rest[:-1]), rest[-1])  # says what is wrong with it
    raise GreystepError(f'"{text}": {_HOW}')


@dataclass
class FreeShoot:
    """The state of a shoot without plan.

    Attributes:
        settings: Of the session; its log is written here.
        setting: What the frames from now on are; None before the first was told.
        waiting: Frames that came before anything was told.
    """

    settings: Settings
    setting: Setting | None = None
    waiting: list[str] = field(default_factory=list)
    _rows: list[dict[str, str]] = field(default_factory=list)
    _seen: set[str] = field(default_factory=set)
    _before: list[tuple[Setting | None, list[dict[str, str]], set[str]]] = field(default_factory=list)
    _known: bytes = b""

    def __post_init__(self) -> None:
        self._read()

    def _read(self) -> None:
        """Take what stands in the log where somebody else has written it.

        Raises:
            GreystepError: With what is wrong with it; it stays as it is then.
        """
        if not self.log.is_file() or (content := self.log.read_bytes()) == self._known:
            return
        shots = read_shots(self.settings)
        if (shots["frame"] == "").any():
            raise GreystepError(
                f"{self.log}: a plan with rows to be shot; run watch without --free, or move the plan away"
            )
        self._rows = [
            {str(name): str(cell) for name, cell in row.items()}
            for row in shots.drop(columns=["stops", "row"]).to_dict(orient="records")
        ]
        self._seen |= {row["frame"] for row in self._rows}
        self._known = content
        self._before.clear()  # it holds rows as they were

    def _write(self) -> None:
        check_target(self.log)
        if self._rows:
            write_table(self.log, pd.DataFrame(self._rows).fillna(""))
            self._known = self.log.read_bytes()
        else:
            self.log.unlink(missing_ok=True)

    def tell(self, text: str) -> Setting:
        """Set what the frames from now on are, those that wait for it among them; see `parse_setting`."""
        told = parse_setting(text, self.settings)
        self._keep()
        self.setting = told
        return told

    def undo(self) -> None:
        """Take back what was told or noted last; the frames that came since get what was told before, or wait for it.

        Raises:
            GreystepError: If there is nothing to take back.
        """
        self._read()
        if not self._before:
            raise GreystepError("nothing was told that could be taken back")
        self.setting, self._rows, self._seen = self._before.pop()
        self._write()

    def _keep(self) -> None:
        self._before.append((self.setting, [dict(row) for row in self._rows], set(self._seen)))

    def take(self, names: Sequence[str]) -> list[str]:
        """Give new frames the setting and write the log; return the names of those that got it."""
        self._read()
        new = [name for name in names if name not in self._seen]
        if self.setting is None:
            self.waiting = new
            return []
        self.waiting = []
        one = self.setting
        for name in new:
            cells = {"head": one.head, "power": one.power, "kind": str(one.kind), "pack": "", "note": one.note}
            self._rows.append({"frame": name, **cells})
        self._seen.update(new)
        if new:
            self._write()
        return new

    def note(self, text: str) -> None:
        """Add a note to the last frame."""
        self._read()
        if self._rows:
            self._keep()
            self._rows[-1]["note"] = "; ".join(filter(None, [self._rows[-1].get("note", ""), text]))
            self._write()

    @property
    def log(self) -> Path:
        """Where the log lies."""
        return self.settings.path / "shots.csv"
