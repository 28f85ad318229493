"""The lights of a test: every head at every power, or two heads on two packs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from greystep.errors import GreystepError
from greystep.planning.pace import check_day
from greystep.planning.rig import planned_stops
from greystep.session.power import SAME_STOPS, same_power

#: Powers down to this far below the highest [stop] come as they are at one ISO; for those below it the ISO rises by no
#: more than this [stop].
STOPS_AT_ONE_ISO: Final = 5.0
MOST_ISO_STOPS: Final = 4


@dataclass(frozen=True)
class Cell:
    """A light to be tested: head and power, its pack, the camera's ISO, and how often it is shot.

    ISO 0 is that of earlier frames, where it is not known. `parts` are further columns of the log that tell the
    lights of a head apart (channel, with, modifier), as (name, value).
    """

    head: str
    power: str
    stops: float
    pack: str = ""
    iso: int = 100
    rounds: int = 2
    parts: tuple[tuple[str, str], ...] = ()


def all_cells(
    heads: Sequence[str],
    powers: Sequence[str],
    rounds: int,
    packs: Mapping[str, str] | None = None,
    iso: int = 100,
    max_energy_j: float | None = None,
    dial: float | None = None,
) -> tuple[Cell, ...]:
    """Return every head at every power.

    Args:
        iso: For the highest power and the five stops below it. Lower powers are shot at up to 16 times that, and with
            them the first head's lowest power of the others once more, so that one light is seen at both.
        max_energy_j: Energy at full [J], for powers written in joules.
        dial: What the packs' dial shows at full, for powers that are numbers of it.

    Raises:
        GreystepError: If nothing is left to shoot, a day does not hold it, a head or power is there
            twice, or the powers span more than two ISO
            settings hold.
    """
    check_day(len(heads) * len(powers) * rounds)
    if rounds < 1:
        raise GreystepError(f"{rounds} repeats: nothing to shoot; give at least 2, so that the scatter shows")
    named = _once("head", [head.strip() for head in heads])
    stops: dict[str, float] = {}
    for power in _once("power", [power.strip() for power in powers]):
        value = planned_stops(power, max_energy_j, dial)
        if twin := next((other for other, known in stops.items() if same_power(known, value)), None):
            raise GreystepError(f'powers "{twin}" and "{power}" are one; keep one of them')
        stops[power] = value
    top = min(stops.values())
    low = {power for power, value in stops.items() if value > top + STOPS_AT_ONE_ISO + SAME_STOPS}
    link = max(set(stops) - low, key=lambda power: stops[power])
    raised = iso * 2 ** _iso_stops(stops, top, link) if low else iso
    cells = [
        Cell(head, power, value, (packs or {}).get(head, ""), raised if power in low else iso, rounds)
        for head in named
        for power, value in stops.items()
    ]
    if low:
        cells.append(Cell(named[0], link, stops[link], (packs or {}).get(named[0], ""), raised, rounds))
    return tuple(cells)


def _iso_stops(stops: Mapping[str, float], top: float, link: str) -> int:
    """Return by how many stops the ISO rises, so that the linking power is not clipped and the lowest not too dark."""
    rise = min(MOST_ISO_STOPS, int(stops[link] - top + SAME_STOPS))
    lowest = max(stops, key=lambda power: stops[power])
    if stops[lowest] - top - rise > STOPS_AT_ONE_ISO + SAME_STOPS:
        widest = STOPS_AT_ONE_ISO + MOST_ISO_STOPS
        remedy = f"plan two sessions that overlap, {widest:g} stops each at most"
        if stops[lowest] - top <= widest + SAME_STOPS:
            remedy = "add a power 4 or 5 stops below the highest, which is shot at both ISO settings"
        raise GreystepError(f"powers span {stops[lowest] - top:.3g} stops, which no one ISO holds; {remedy}")
    return rise


def swap_cells(
    heads: Sequence[str],
    packs: Sequence[str],
    powers: Sequence[str],
    rounds: int,
    iso: int = 100,
    max_energy_j: float | None = None,
    dial: float | None = None,
) -> tuple[Cell, ...]:
    """Return two heads on two packs at the highest and lowest of some powers: does the head or the pack make the light?

    From each to the next only a head or a pack changes.

    Raises:
        GreystepError: If there are not two heads, two packs and two powers, or the powers do not fit one ISO.
    """
    for what, labels in (("heads", heads), ("packs", packs)):
        if len(labels) != 2 or len(set(labels) - {""}) != 2:
            raise GreystepError(f"swap: {len(labels)} {what} ({', '.join(labels)}); name two, such as C,D and P1,P2")
    stops = {power: planned_stops(power, max_energy_j, dial) for power in _once("power", powers)}
    chosen = [min(stops, key=stops.__getitem__), max(stops, key=stops.__getitem__)]
    high, low = (stops[power] for power in chosen)
    if same_power(high, low):
        raise GreystepError(f"swap: the only power is {chosen[0]}; give full and a low one, such as full,1/16")
    if low - high > STOPS_AT_ONE_ISO + SAME_STOPS:
        raise GreystepError(f"swap: {chosen[1]} lies more than {STOPS_AT_ONE_ISO:g} stops below {chosen[0]}; raise it")
    (one, two), (first, second) = heads, packs
    turns = [(one, first), (one, second), (two, second), (two, first)]
    return tuple(
        cell
        for head, pack in turns
        for cell in all_cells([head], chosen, rounds, {head: pack}, iso, max_energy_j, dial)
    )


def _once(what: str, labels: Sequence[str]) -> list[str]:
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if not labels or "" in labels:
        raise GreystepError(f"{what}s: {'one is blank' if labels else 'none given'}; write labels with commas between")
    if twice:
        raise GreystepError(f"{what} {', '.join(twice)}: there twice; keep one")
    return list(labels)
