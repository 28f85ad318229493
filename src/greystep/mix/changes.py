"""What can be done about a set-up: each kind of change with its numbers."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from greystep.mix.setup import SetupRow

#: Stops that nobody moves a stand for.
NO_MOVE: Final = 0.05


class RemedyKind(StrEnum):
    """Ways to repair a set-up, from little work to much.

    A dial and a stand, a clip, all stands, two heads, a head from the van, plates to add.
    """

    POWER = "power"
    GEL = "gel"
    LEVEL = "level"
    SWAP = "swap"
    HEAD = "head"
    PLATES = "plates"


@dataclass(frozen=True)
class NewPower:
    """A light at another power: `brighter_stops` than before."""

    role: str
    head: str
    old: str
    new: str
    brighter_stops: float


@dataclass(frozen=True)
class NewPowers:
    """One light or several, each at another power."""

    lights: tuple[NewPower, ...]


@dataclass(frozen=True)
class OneLevel:
    """All heads at one power; `surplus` is the light to take off, as (role, stops)."""

    power: str
    surplus: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class HeadSwap:
    """The heads of two lights change places; `heads` as they stand, `brighter_stops` of each light after it."""

    roles: tuple[str, str]
    heads: tuple[str, str]
    powers: tuple[str, str]
    brighter_stops: tuple[float, float]


@dataclass(frozen=True)
class NewHead:
    """Another head for a light, at its power; `brighter_stops` than before."""

    role: str
    old: str
    new: str
    power: str
    brighter_stops: float


@dataclass(frozen=True)
class NewGel:
    """Another gel on a light, blank for none; `lost_stops` more light lost than before."""

    role: str
    old: str
    new: str
    lost_stops: float


@dataclass(frozen=True)
class NewGels:
    """Gels on one light or several."""

    lights: tuple[NewGel, ...]


@dataclass(frozen=True)
class Plate:
    """The correction of a plate: gains on linear camera RGB above black, and the shifts in mired and Duv they make."""

    role: str
    gain_r: float
    gain_g: float
    gain_b: float
    mired_shift: float
    duv_shift: float


@dataclass(frozen=True)
class Plates:
    """One plate a light, to be added scene-linear."""

    plates: tuple[Plate, ...]


Change = NewPowers | OneLevel | HeadSwap | NewHead | NewGels | Plates


@dataclass(frozen=True)
class Option:
    """Something that can be changed: its kind, the lights, the change, the light lost [stops], the rows it makes."""

    kind: RemedyKind
    roles: tuple[str, ...]
    change: Change
    cost_stops: float
    rows: tuple[SetupRow, ...]
