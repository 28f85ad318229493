"""What a person decides during a shoot, on the live page or at the keyboard."""

import queue
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from greystep.session.notices import Bell


class Act(StrEnum):
    """What may be decided."""

    UNDO = "undo"
    AGAIN = "again"
    SKIP = "skip"
    NOTE = "note"
    SET = "set"  # head and power from now on, where there is no plan


@dataclass(frozen=True)
class Action:
    """A decision; `text` is the note, or head and power."""

    act: Act
    text: str = ""


class Desk:
    """Where decisions wait until they are taken.

    Attributes:
        bell: Rung where something was decided.
    """

    def __init__(self) -> None:
        self.bell = Bell()
        self._waiting: queue.SimpleQueue[Action] = queue.SimpleQueue()

    def put(self, action: Action) -> None:
        """Decide something."""
        self._waiting.put(action)
        self.bell.ask()

    def taken(self) -> list[Action]:
        """Return what was decided since the last call, in its order."""
        found = []
        while not self._waiting.empty():
            found.append(self._waiting.get())
        return found

    def read(self, lines: Iterable[str]) -> None:
        """Take what is typed from now on, a line each, in a thread of its own."""
        threading.Thread(target=self._read, args=(lines,), name="keyboard", daemon=True).start()

    def _read(self, lines: Iterable[str]) -> None:
        for line in lines:
            if line.strip():
                self.put(parse_typed(line))


def parse_typed(line: str) -> Action:
    """Read a typed line: ``undo``, ``again``, ``skip``, ``note TEXT``, else head and power."""
    word, _, rest = line.strip().partition(" ")
    match word.casefold():
        case Act.UNDO | Act.AGAIN | Act.SKIP if not rest:
            return Action(Act(word.casefold()))
        case Act.NOTE:
            return Action(Act.NOTE, rest.strip())
    return Action(Act.SET, line.strip())
