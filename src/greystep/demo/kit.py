"""The invented kit and how it is shot: heads with their characters, the order of a session, the light of each shot."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from greystep.demo.sensor import Sensor
from greystep.errors import GreystepError
from greystep.flags import REJECTING, UNUSED, Flag
from greystep.session.power import parse_power
from greystep.terms import Kind, Order

#: Times of a session [s]: play in the interval between shots; a dump, a change of head, an ambient frame take longer.
_JITTER_S: Final = 1.5
_DUMP_S: Final = 5.0
_HEAD_CHANGE_S: Final = 420.0
_AMBIENT_S: Final = 6.0


@dataclass(frozen=True)
class HeadCharacter:
    """What one head does; colours are those of its light, warm, and every slope may have either sign."""

    head: str
    pack: str = "P1"
    serial: str = ""
    max_energy_j: float = 2400.0
    t01_s: tuple[tuple[str, str], ...] = ()  # (power, "1/400"), as session.toml writes them
    mired: float = 178.6  # warm, at full power
    mired_per_stop: float = 0.0  # positive = warmer as power falls
    duv: float = 0.0005  # warm, at full power; positive = greener
    duv_per_mired: float = -0.0003  # bluer light of a flash is greener: the slope of the measured flash of PRACTICE
    warmup_mired: float = 0.0  # warmest state of the session minus the first shot after rest
    scatter_mired: float = 0.3  # standard deviations from shot to shot
    scatter_duv: float = 0.00005
    scatter_stops: float = 0.01
    output_stops: float = 0.0  # at full, against the kit's level
    output_error_per_stop: float = 0.0  # positive = brighter than set as power falls


@dataclass(frozen=True)
class CameraSettings:
    """Exposure settings as the camera records them; light follows the exact third stops that they stand for."""

    shutter: str = "1/125"
    f_number: float = 11.0
    iso: int = 100
    focal_mm: float = 100.0


@dataclass(frozen=True)
class Kit:
    """A whole test: heads, order, camera and scene. Every number of a session follows from it and a seed."""

    heads: tuple[HeadCharacter, ...]
    title: str = "Invented kit"
    powers: tuple[str, ...] = ("1/1", "1/2", "1/4", "1/8", "1/16")
    repeats: int = 3
    order: Order = Order.BY_HEAD  # or shuffled: all heads rigged
    warmup_shots: int = 3  # at full, not photographed, before each head
    interval_s: float = 9.0
    tau_s: float = 60.0  # decay of stored heat, the same for all heads
    camera: str = "measured"  # or "exact"
    sensor: Sensor = field(default_factory=Sensor)
    compressed: bool = True
    settings: CameraSettings = field(default_factory=CameraSettings)
    level: float = 0.75  # green of the card at full, a share of the range
    ambient_share: float = 0.0002  # room light against flash at full
    gradient: float = 0.02  # change of the light across the card
    flat_target: bool = False  # the card fills the frame


@dataclass(frozen=True)
class Shot:
    """One frame: who fired at what, the light that came, and what is wrong with it."""

    head: str
    power: str
    stops: float
    kind: Kind
    time_s: float
    heat: float = np.nan  # 0 at rest, 1 the warmest this head gets in the session
    note: str = ""
    settings: CameraSettings = field(default_factory=CameraSettings)
    mired: float = np.nan  # of the light; NaN where there is none
    duv: float = np.nan
    output_stops: float = np.nan  # against the kit's level
    name: str = ""  # file; numbered in order if empty
    lamp: float = 0.0  # light that a lamp adds to that of the room, against flash at full
    focus: float | None = None
    shift: float = 0.0  # card widths to the right
    extra_gradient: float = 0.0
    zeroed: bool = False  # a block of 8 x 8 px of the card lost
    tag_black: float = 0.0  # counts that the file's black level is wrong by
    other_matrix: bool = False
    cut_to_bytes: int | None = None
    written: bool = True
    logged: bool = True
    flags: tuple[Flag, ...] = ()


def shoot(kit: Kit, seed: int) -> tuple[Shot, ...]:
    """Shoot a kit: the plan of its order with times and heat, then the light of every shot, scatter included.

    Args:
        seed: The same seed gives the same session.

    Returns: In capture order; the first is ambient, one more before each further head (by-head) or round (shuffled),
        two at the end.

    Raises:
        GreystepError: For a power that cannot be read, an unknown order, or a kit without head or power.
    """
    if not (kit.heads and kit.powers and kit.repeats > 0):
        raise GreystepError("kit: no shot to take; give at least one head, one power and one repeat")
    rng = np.random.default_rng([seed, 0])
    shots: list[Shot] = []
    time_s = 0.0
    fired: dict[str, list[tuple[float, float]]] = {head.head: [] for head in kit.heads}
    last: dict[str, float] = {}
    for head, power in _sequence(kit, rng):
        if head is None:
            shots.append(Shot("", "", np.nan, Kind.AMBIENT, time_s, settings=kit.settings))
            time_s += _AMBIENT_S
            continue
        stops = parse_power(power, head.max_energy_j).stops
        note = ""
        if head.head not in last:
            time_s += _HEAD_CHANGE_S if kit.order == Order.BY_HEAD and len(last) else 0.0
            for _ in range(kit.warmup_shots):
                fired[head.head].append((time_s, 1.0))
                time_s += kit.interval_s
            note = f"{kit.warmup_shots} warm-up shots at full before" if kit.warmup_shots else ""
        if stops > last.get(head.head, 0.0 if kit.warmup_shots else stops) + 1e-9:
            fired[head.head].append((time_s, 2.0 ** -last.get(head.head, 0.0)))
            time_s += _DUMP_S
            note = "; ".join(filter(None, (note, "after a dump")))
        shots.append(Shot(head.head, power, stops, Kind.FLASH, time_s, note=note, settings=kit.settings))
        fired[head.head].append((time_s, 2.0**-stops))
        last[head.head] = stops
        time_s += kit.interval_s + rng.uniform(-_JITTER_S, _JITTER_S)
    characters = {head.head: head for head in kit.heads}
    heat = [_heat(shot.time_s, fired[shot.head], kit.tau_s) if shot.head else 0.0 for shot in shots]
    warmest = {head: max(h for h, s in zip(heat, shots, strict=True) if s.head == head) or 1.0 for head in characters}
    return tuple(
        light(characters[shot.head], replace(shot, heat=h / warmest[shot.head]), rng) if shot.head else shot
        for h, shot in zip(heat, shots, strict=True)
    )


def light(head: HeadCharacter, shot: Shot, rng: np.random.Generator) -> Shot:
    """Give a shot the light of its head at its power and heat, with this shot's own scatter."""
    away = head.mired_per_stop * shot.stops + head.warmup_mired * (shot.heat - 1.0)
    away += head.scatter_mired * rng.standard_normal()
    return replace(
        shot,
        mired=head.mired + away,
        duv=head.duv + head.duv_per_mired * away + head.scatter_duv * rng.standard_normal(),
        output_stops=head.output_stops
        + (head.output_error_per_stop - 1.0) * shot.stops
        + head.scatter_stops * rng.standard_normal(),
    )


def warm_slope(head: HeadCharacter, shots: Sequence[Shot]) -> float:
    """Return the realised slope [MK^-1 a stop] of a head: least squares over the means of its powers, warm state.

    Scatter is included, warm-up taken out with the head's own amplitude; frames that no mean may use are left out.
    NaN for a head with fewer than two powers.
    """
    cells: dict[float, list[float]] = {}
    for shot in shots:
        if shot.head == head.head and shot.kind == Kind.FLASH and usable(shot):
            cells.setdefault(shot.stops, []).append(shot.mired - head.warmup_mired * (shot.heat - 1.0))
    if len(cells) < 2:
        return float("nan")
    return float(np.polyfit(list(cells), [np.mean(values) for values in cells.values()], 1)[0])


def usable(shot: Shot) -> bool:
    """Say whether the frame of a shot may enter the means of its cell."""
    return not (set(shot.flags) & (REJECTING | UNUSED))


def _sequence(kit: Kit, rng: np.random.Generator) -> Iterator[tuple[HeadCharacter | None, str]]:
    """Yield (head, power) in the order of shooting, head None for an ambient frame."""
    yield None, ""
    by_stops = sorted(kit.powers, key=lambda power: -parse_power(power, kit.heads[0].max_energy_j).stops)
    if kit.order == Order.BY_HEAD:
        for place, head in enumerate(kit.heads):
            if place:
                yield None, ""
            down_first = bool(rng.integers(2))  # at random, so that time and power do not run together over the heads
            for leg in range(kit.repeats):
                for power in by_stops[:: -1 if (leg % 2 == 0) == down_first else 1]:
                    yield head, power
    elif kit.order == Order.SHUFFLED:
        every = [(head, power) for head in kit.heads for power in kit.powers]
        for number in range(kit.repeats):
            if number:
                yield None, ""
            for place in rng.permutation(len(every)):
                yield every[place]
    else:
        raise GreystepError(f"order '{kit.order}': not known; use by-head or shuffled")
    yield None, ""
    yield None, ""


def _heat(time_s: float, fired: list[tuple[float, float]], tau_s: float) -> float:
    """Energy left from the flashes before `time_s`, dumps and warm-up shots counted, decaying with time."""
    return float(sum(energy * np.exp((at - time_s) / tau_s) for at, energy in fired if at < time_s))
