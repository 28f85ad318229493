"""What happened with a frame of a shoot: the row that it has and how it came there, or why it has none."""

import math
from dataclasses import dataclass
from enum import StrEnum

from greystep.session.arrived import Mark
from greystep.session.shots import WARM_UP


class Place(StrEnum):
    """How a row came to its frame."""

    IN_ORDER = "in order"
    SKIPPED_TO = "skipped to"  # rows before it were left out
    PUT_BACK = "put back"  # a row that was left out, shot after all
    EXCHANGED = "exchanged"  # with the row behind it
    BY_HAND = "by hand"  # as a log says


class Aside(StrEnum):
    """Why a frame has no row."""

    REJECTED = "rejected"  # it cannot be used, so its light is shot again
    NOT_TURNED = "not turned"  # the light of the row before: not turned down, or shot twice
    WARM_UP = WARM_UP
    NO_PLACE = "no place"  # its light fits no row that is near
    TAKEN_BACK = "taken back"  # by the person


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
