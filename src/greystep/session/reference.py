"""Which light is meant by a reference: what the text says, and which of the lights that were measured it names."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Floats, Indices
from greystep.constants import DUV_LIMIT
from greystep.errors import GreystepError
from greystep.session.power import same_power
from greystep.session.settings import Settings, power_of

_KELVIN: Final = re.compile(r"(?P<cct>\d+(?:\.\d+)?)\s*K(?P<duv>[+-]\d*\.?\d+)?", re.IGNORECASE)
#: Whites that someone may ask for [K]: from candlelight to blue sky, common practice, no source.
_WHITE_K: Final = (1500.0, 25000.0)
_OTHER_SESSION: Final = "session:"
_ONE_FRAME: Final = "frame:"
KNOWN: Final = "HEAD@POWER (A@full), kit, median, frame:NAME or a white such as 5500K"


@dataclass(frozen=True)
class HeadAtPower:
    """One head at one power.

    Attributes:
        head: None: the first head of the log.
        stops: Below full; None: the highest power that was measured.
        or_highest: The highest power that was measured stands in where `stops` was not.
    """

    head: str | None = None
    stops: float | None = None
    or_highest: bool = False


@dataclass(frozen=True)
class WholeKit:
    """The plain mean over the heads at one power [stops below full]."""

    stops: float = 0.0


@dataclass(frozen=True)
class MedianFrame:
    """The median of the frames."""


@dataclass(frozen=True)
class OneFrame:
    """The light of one frame."""

    frame: str


@dataclass(frozen=True)
class White:
    """A white: its colour temperature [K] and Duv."""

    cct_k: float
    duv: float


TestedLight = HeadAtPower | WholeKit
Wanted = TestedLight | MedianFrame | OneFrame | White


def other_session(text: str | None) -> Path | None:
    """Return the folder of ``session:PATH``; None for any other reference."""
    return Path(text.removeprefix(_OTHER_SESSION)) if text is not None and text.startswith(_OTHER_SESSION) else None


def parse_reference(text: str, settings: Settings) -> Wanted:
    """Read what ``--to`` says.

    Args:
        text: ``HEAD@POWER`` (the last @ counts), ``kit``, ``median``, ``frame:NAME``, ``5500K`` or ``5500K+0.003``.
        settings: Its [reference] has the power of the kit, its heads have the energy of a power in joules.

    Raises:
        GreystepError: If the text is none of these.
    """
    if kelvin := _KELVIN.fullmatch(text.strip()):
        cct_k, duv = float(kelvin["cct"]), float(kelvin["duv"] or 0.0)
        if not (_WHITE_K[0] <= cct_k <= _WHITE_K[1] and abs(duv) <= DUV_LIMIT):
            raise GreystepError(
                f"--to {text}: not a white that a frame can be balanced to; "
                f"give {_WHITE_K[0]:.0f} to {_WHITE_K[1]:.0f} K and no more than {DUV_LIMIT} of Duv"
            )
        return White(cct_k, duv)
    if text == "kit":
        return WholeKit(_kit_stops(settings))
    if text == "median":
        return MedianFrame()
    if text.startswith(_ONE_FRAME):
        return OneFrame(text.removeprefix(_ONE_FRAME))
    if "@" in text:
        head, _, power = text.rpartition("@")
        return HeadAtPower(head, power_of(settings, head, power).stops)
    raise GreystepError(f"--to {text}: not a reference; write {KNOWN}")


def session_reference(settings: Settings) -> TestedLight:
    """Return the reference of session.toml; where it says nothing, the first head of the log at its highest power."""
    if settings.reference_kit:
        return WholeKit(_kit_stops(settings))
    head, power = settings.reference_head, settings.reference_power
    stops = power_of(settings, head or "", power).stops if power is not None else None
    return HeadAtPower(head, stops, or_highest=True)


def choose_lights(
    wanted: TestedLight, heads: Sequence[str], stops: npt.ArrayLike, measured: Booleans
) -> tuple[Indices, ...]:
    """Choose the rows of a table of lights that a reference names: one group of rows a head; empty without any.

    Args:
        stops: Array (n,). Its power, below full.
        measured: Array (n,). The rows that count.
    """
    power, names = np.asarray(stops, dtype=np.float64), np.array(heads, dtype=object)
    known = list(dict.fromkeys(names[measured]))
    if isinstance(wanted, WholeKit):
        groups = [_at(power, np.flatnonzero(measured & (names == head)), wanted.stops) for head in known]
        return tuple(group for group in groups if len(group))
    if not known:
        return ()
    mine = np.flatnonzero(measured & (names == (known[0] if wanted.head is None else wanted.head)))
    at = _at(power, mine, wanted.stops) if wanted.stops is not None else mine[:0]
    if not len(at) and len(mine) and (wanted.stops is None or wanted.or_highest):
        at = _at(power, mine, float(power[mine].min()))
    return (at,) if len(at) else ()


def may_serve(usable: Booleans, check: Booleans, light: Indices) -> Booleans:
    """Return the frames that a reference may use: no check frames, but of a light that was shot in these alone.

    Args:
        usable, check: Arrays (n,). Frames that are neither rejected nor outliers; check frames.
        light: Int array (n,). The light of each frame, the same number for the same light.
    """
    return usable & ~(check & np.isin(light, light[usable & ~check]))


def _at(power: Floats, rows: Indices, stops: float) -> Indices:
    return rows[[same_power(float(power[row]), stops) for row in rows]]


def _kit_stops(settings: Settings) -> float:
    return power_of(settings, "", settings.reference_power).stops if settings.reference_power is not None else 0.0
