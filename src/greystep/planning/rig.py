"""How the rig is set up for a test: the shutter, the distance of the light, and how many rounds an answer takes."""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from greystep.constants import MARKING_TOLERANCE_STOPS
from greystep.errors import GreystepError
from greystep.measure.uncertainty import student_factor
from greystep.raw.exposure import nominal_time
from greystep.session.power import is_energy, parse_power, same_power
from greystep.session.settings import flash_seconds

#: Shutter times as cameras mark them, the shortest first.
SHUTTERS: Final = (
    "1/500", "1/400", "1/320", "1/250", "1/200", "1/160", "1/125", "1/100", "1/80", "1/60", "1/50", "1/40", "1/30",
    "1/25", "1/20", "1/15", "1/13", "1/10", "1/8", "1/6", "1/5", "1/4", "1/3", "1/2",
)  # fmt: skip
#: Shutter over t0.1: a tenth of the flash is still to come after t0.1, a hundredth after twice that, where it fades
#: exponentially (closed form: 0.1 ** 2).
OVER_T01: Final = 2.0
#: Most shutters and triggers keep in step at this time (common practice, no source).
SYNC: Final = "1/125"
#: The light may fall off by this much from the middle of the target to its edge [%]: this tool's own figure, five times
#: the width away. On a table of 1.5 m that is 8 m (common practice, no source: 8 m, and 10 m for more).
EVEN_PCT: Final = 1.5
#: One round says nothing of the scatter; beyond the second number the scatter is no longer what limits.
ROUNDS: Final = (2, 50)


@dataclass(frozen=True)
class Rig:
    """How a test is set up, as its shot sheet says it.

    Attributes:
        camera: Shutter, and the aperture where earlier frames say it.
        t01_known: The shutter follows from flash durations that were given.
        rounds, powers: Frames of each light, and lights of a head.
        scatter_mired: From shot to shot [mired]; assumed unless earlier frames say it.
        target_width_m: Of the grey target [m].
        recycle_s: From flash to flash at least [s], where it is watched.
    """

    camera: str
    t01_known: bool
    rounds: int
    powers: int
    scatter_mired: float
    target_width_m: float
    recycle_s: float | None = None


def shutter_for(t01_s: Iterable[float], sync: str = SYNC) -> str:
    """Return the shortest shutter marking that lets every flash end and keeps in step.

    Args:
        t01_s: Iterable of float. Flash durations t0.1 [s], of every head and power; may be empty.
        sync: The shortest time at which camera and trigger keep in step, such as ``1/125``.

    Raises:
        GreystepError: If `sync` is no time, or a flash outlasts every shutter time.
    """
    longest = max(t01_s, default=0.0)
    least = nominal_time(seconds(sync))
    for marking in SHUTTERS:
        exact = nominal_time(seconds(marking))
        if exact >= least * (1.0 - 1e-9) and exact * 2.0**MARKING_TOLERANCE_STOPS >= OVER_T01 * longest:
            return marking
    raise GreystepError(
        f"t0.1 of {longest:.3g} s, sync {sync} s: no shutter time up to 1/2 s is long enough; correct the times"
    )


def seconds(text: str) -> float:
    """Read a time [s] as it is marked: ``1/150`` or ``0.0067``.

    Raises:
        GreystepError: If the text is no time from 1 microsecond to 1 second.
    """
    time_s = flash_seconds(text)
    if time_s is None:
        raise GreystepError(f'time "{text}": not understood; write seconds up to 1, such as 1/150')
    return time_s


def planned_stops(power: str, max_energy_j: float | None = None, dial: float | None = None) -> float:
    """Return a power of a test that is not written yet in stops below full, see `parse_power`.

    Raises:
        GreystepError: If the text is no power, or an energy and `max_energy_j` is not known.
    """
    if max_energy_j is None and is_energy(power):
        raise GreystepError(f'power "{power}": needs the energy at full; give --max-energy, such as --max-energy 2400')
    return parse_power(power, max_energy_j, dial=dial).stops


def flash_durations(
    texts: Sequence[str], heads: Sequence[str], max_energy_j: float | None = None, dial: float | None = None
) -> dict[str, dict[str, str]]:
    """Read flash durations as they are typed: ``A:full=1/150,1/16=1/1200``, or without ``A:`` for all heads.

    Args:
        texts: A time alone stands for every power. What names a head goes before what names none.
        max_energy_j: Energy at full [J], for powers written in joules.
        dial: What the packs' dial shows at full, for powers that are numbers of it.

    Returns: dict of head to (power to time): As typed, for session.toml.

    Raises:
        GreystepError: If a head is not in the test, or a power or time cannot be read.
    """
    of_all: dict[str, str] = {}
    own: dict[str, dict[str, str]] = {}
    for text in texts:
        head, _, pairs = text.rpartition(":")
        head = head.strip()
        if head and head not in heads:
            raise GreystepError(f't0.1 "{text}": no head "{head}" in this test, which has {", ".join(heads)}')
        durations = own.setdefault(head, {}) if head else of_all
        for pair in re.split(r"[,;]", pairs):
            power, _, time = pair.rpartition("=")
            power = power.strip() or "full"
            seconds(time)
            stops = planned_stops(power, max_energy_j, dial)
            if any(same_power(planned_stops(other, max_energy_j, dial), stops) for other in durations):
                raise GreystepError(f't0.1 "{text}": {power} is there twice; keep one')
            durations[power] = time.strip()
    return {head: times for head in heads if (times := own.get(head, of_all))}


def u_after(rounds: int, powers: int, scatter_mired: float) -> float:
    """Return how well two lights are told apart: the 95 % half-width of their difference [mired].

    Args:
        rounds: Frames of each light.
        powers: Lights of a head; the scatter of two heads is pooled over all of theirs.
        scatter_mired: Standard deviation from shot to shot [mired].

    Returns: Student's factor for ``2 powers (rounds - 1)`` degrees of freedom times ``scatter sqrt(2 / rounds)``; NaN
        for one round.
    """
    return student_factor(2.0 * powers * (rounds - 1)) * scatter_mired * math.sqrt(2.0 / rounds)


def rounds_for(u_mired: float, powers: int, scatter_mired: float) -> int:
    """Return the fewest rounds after which `u_after` is at most `u_mired`.

    Raises:
        GreystepError: If that would take more than 50.
    """
    least, most = ROUNDS
    for rounds in range(least, most + 1):
        if u_after(rounds, powers, scatter_mired) <= u_mired:
            return rounds
    best = u_after(most, powers, scatter_mired)
    raise GreystepError(
        f"{u_mired:g} mired: takes more than {most} rounds at a scatter of {scatter_mired:g} mired from shot to shot, "
        f"which give {best:.2f}; ask for less"
    )


def distance_for(width_m: float, even_pct: float = EVEN_PCT) -> float:
    """Return the least distance [m] of a small light at which the edge of a target gets at most `even_pct` [%] less.

    The target is turned to the light. Inverse square and the cosine of incidence: its edge gets
    ``(1 + (w / 2 d) ** 2) ** -1.5`` of what its middle gets (closed form).
    """
    return width_m / 2.0 / math.sqrt(math.pow(1.0 - even_pct / 100.0, -2.0 / 3.0) - 1.0)
