"""Correction gels: what each does to a light, as it is listed in the trade or as the user measured it.

A gel adds a shift in mired and in Duv, the same on any light of the kind it is made for; shifts of two gels add.
"""

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from pathlib import Path
from typing import Final

from greystep.constants import NOMINAL_GELS
from greystep.doors import read_number
from greystep.errors import FaultsError, GreystepError
from greystep.session.csvfile import nearest, read_sheet

#: A head carries so many gels at most: more cost too much light, and heat.
MOST_GELS: Final = 2
COLUMNS: Final = ("name", "mired_shift", "duv_shift", "stops")
#: The widest shifts and losses that make sense; they catch a number given in another unit.
_LIMITS: Final = {"mired_shift": (-500.0, 500.0), "duv_shift": (-0.05, 0.05), "stops": (0.0, 6.0)}
#: Shifts that count as such, in mired and Duv; smaller ones are by-effects.
_UNDOES: Final = (8.0, 0.001)
_FRACTIONS: Final = {"half": "1/2", "quarter": "1/4", "eighth": "1/8", "three quarter": "3/4", "three quarters": "3/4"}


@dataclass(frozen=True)
class Gel:
    """A gel, or several on one head.

    Attributes:
        name: ``1/4 CTO``, or ``1/8 CTB + 1/8 minus green``; blank for no gel.
        mired_shift, duv_shift, stops: Positive is warmer, greener; `stops` is the light lost, never negative.
        doubts: Tuple of (str, float, float). Of each gel its name and the standard uncertainties (k = 1) of its shifts
            in mired and Duv: half the spread between makers is taken for two of them. The same gel on two heads errs
            alike.
        own: Measured by the user; else listed in the trade, common practice, varies by maker.
    """

    name: str
    mired_shift: float
    duv_shift: float
    stops: float
    doubts: tuple[tuple[str, float, float], ...]
    own: bool


NO_GEL: Final = Gel("", 0.0, 0.0, 0.0, (), True)


def nominal_gels() -> tuple[Gel, ...]:
    """Return the gels as they are listed in the trade; common practice, varies by maker."""
    return tuple(
        Gel(name, mired, duv, stops, ((name, spread_mired / 2.0, spread_duv / 2.0),), False)
        for name, mired, spread_mired, duv, spread_duv, stops in NOMINAL_GELS
    )


def read_gels(path: Path) -> tuple[Gel, ...]:
    """Read the user's own gels: a CSV file with the columns name, mired_shift, duv_shift, stops.

    Raises:
        FaultsError: With every fault of the file, each with its row and the remedy.
        GreystepError: If the file cannot be read, or holds no gel.
    """
    sheet = read_sheet(path, "gel", COLUMNS)
    faults = sheet.faults
    gels: list[Gel] = []
    for number, values in sheet.rows:
        here: list[str] = []
        name = values["name"]
        shown = _spelling(name)
        if not name:
            here.append("no name; name the gel as it is written on it")
        elif "+" in shown:
            here.append(f'gel "{name}": a + joins two gels on one head; give each a row of its own')
        elif any(_spelling(gel.name) == shown for gel in gels):
            here.append(f'gel "{name}" is there twice; keep one')
        numbers = {column: _number(values, column, here) for column in _LIMITS}
        gels.append(
            Gel(name, numbers["mired_shift"], numbers["duv_shift"], numbers["stops"], ((name, 0.0, 0.0),), True)
        )
        faults.extend(f"row {number}: {message}" for message in here)
    if faults:
        raise FaultsError(str(path), faults)
    return tuple(gels)


def join_gels(gels: Sequence[Gel]) -> Gel:
    """Return several gels on one head as one: shifts and losses add."""
    return Gel(
        " + ".join(gel.name for gel in gels),
        math.fsum(gel.mired_shift for gel in gels),
        math.fsum(gel.duv_shift for gel in gels),
        math.fsum(gel.stops for gel in gels),
        tuple(doubt for gel in gels for doubt in gel.doubts),
        all(gel.own for gel in gels),
    )


def parse_gel(text: str, gels: Sequence[Gel]) -> Gel:
    """Read what is on a head: blank, one gel, or two joined by ``+``.

    Args:
        text: In any spelling that the trade uses: ``CTO``, ``Quarter CTO``, ``1/4 CTO + 1/8 +green``.

    Raises:
        GreystepError: If there are more than two, or one is not known; the message names the nearest known one.
    """
    shown = _spelling(text)
    if not shown or shown in ("none", "no gel", "-"):
        return NO_GEL
    parts = [part.strip() for part in shown.split("+")]
    if len(parts) > MOST_GELS:
        raise GreystepError(f'gel "{text}": {len(parts)} gels on one head; use {MOST_GELS} at most')
    known = {_spelling(gel.name): gel for gel in gels}
    found = []
    for part in parts:
        gel = known.get(part) or known.get(f"full {part}")
        if gel is None:
            like = nearest(part, list(known))
            names = ", ".join(gel.name for gel in gels[:24])
            hint = f"did you mean {known[like].name}?" if like else f"known are {names}"
            raise GreystepError(f'gel "{part or text}": not known; {hint}; or give its shifts in gels.csv')
        found.append(gel)
    return join_gels(found)


def all_stacks(gels: Sequence[Gel]) -> list[Gel]:
    """Return everything that is put on a head: no gel, each one, each two that do not work against each other."""
    pairs = combinations_with_replacement(gels, MOST_GELS)
    return [NO_GEL, *gels, *(join_gels(pair) for pair in pairs if not _opposed(*pair))]


def _opposed(a: Gel, b: Gel) -> bool:
    """Say whether two gels undo each other, such as CTO and CTB: that costs light, and the errors of both stay."""
    return min(a.mired_shift * b.mired_shift / _UNDOES[0] ** 2, a.duv_shift * b.duv_shift / _UNDOES[1] ** 2) < -1.0


def _spelling(name: str) -> str:
    """Return a gel's name in one spelling: compatible letters, one blank, fractions in figures, no plus sign in it."""
    text = unicodedata.normalize("NFKC", name).replace("\N{FRACTION SLASH}", "/").replace("\N{MINUS SIGN}", "-")
    text = " ".join(text.casefold().split())
    text = re.sub(r"\+\s*(?=green\b)", "plus ", text)
    text = re.sub(r"(?:^|(?<=\s))-\s*(?=green\b)", "minus ", text)
    for word, figure in sorted(_FRACTIONS.items(), key=lambda item: -len(item[0])):
        text = re.sub(rf"\b{word}\b", figure, text)
    return " ".join(text.split())


def _number(values: dict[str, str], column: str, faults: list[str]) -> float:
    low, high = _LIMITS[column]
    try:
        return read_number(values[column], column, (low, high), f"a number from {low:g} to {high:g}")
    except GreystepError as error:
        faults.append(str(error))
        return math.nan
