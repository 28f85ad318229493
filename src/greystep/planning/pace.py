"""How long a test takes, and that a day holds it."""

from dataclasses import dataclass
from typing import Final

from greystep.errors import GreystepError

#: From frame to frame of a stack [s], where no recycle time is given: an assumption of this tool, no source.
STACK_S: Final = 3.0
#: A test is done within so long [s]: heads, lamps and room are others on the next day.
_DAY_S: Final = 86400.0


@dataclass(frozen=True)
class Pace:
    """How long things take [s]; assumptions, to be changed for another crew."""

    shot: float = 9.0  # power set, ready, click
    dump: float = 5.0
    head: float = 150.0  # one head off the stand and the next one on, pack discharged
    setting: float = 10.0  # the ISO, the flash off, the lens cap
    flash_off: float = 5.0  # a frame without flash between two with it


def check_day(frames: int, heads: int = 0) -> None:
    """Refuse more frames, and changes of heads, than a day holds."""
    pace = Pace()
    if frames > _DAY_S / pace.shot or frames * pace.shot + heads * pace.head > _DAY_S:
        change = f" and {pace.head:g} s a head" if heads else ""
        raise GreystepError(
            f"{frames} frames: more than a day of 24 hours holds, at {pace.shot:g} s a frame{change}; plan fewer "
            "heads, powers or repeats"
        )
