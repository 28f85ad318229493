"""A set-up of several lights before it is shot: SETUP.csv, every row found among the tested heads and powers."""

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.compare.cells import Cells
from greystep.doors import read_number
from greystep.errors import FaultsError, GreystepError
from greystep.mix.gels import NO_GEL, Gel, parse_gel
from greystep.session.csvfile import Sheet, nearest, read_sheet
from greystep.session.power import same_power
from greystep.session.settings import Settings, power_of
from greystep.terms import PARTS

#: Of a set-up: time, and the picture of every two lights, grow with the square of their number.
MOST_LIGHTS: Final = 40
MOST_ROWS: Final = 200
#: Columns that say how much of the light on the subject is whose; one of them, in all rows or in none.
AMOUNTS: Final = ("share", "reads", "stops")
#: Full stops as a meter shows them.
_APERTURES: Final = ("1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45", "64", "90")
#: Apertures between them as lenses mark them, on third stops.
_THIRDS: Final = (
    "1.1", "1.2", "1.6", "1.8", "2.2", "2.5", "3.2", "3.5", "4.5", "5", "6.3", "7.1", "9", "10", "13", "14", "18", "20",
    "25", "29", "36", "40", "51", "57", "72", "80",
)  # fmt: skip
#: Both a full stop with tenths behind it and an aperture of its own.
_TWO_WAYS: Final = ("2.2", "2.5", "4.5")


@dataclass(frozen=True)
class SetupRow:
    """One head of a set-up.

    Attributes:
        row: Of the spreadsheet.
        stops: Below full.
        share: Of the luminance on the subject; all rows together make 1.
        group: Heads of one group are one light; blank for none.
        cells: Tuple of (int, float). The tested cells that its light is taken from, with weights: one, or the two
            powers that it lies between.
    """

    row: int
    role: str
    head: str
    power: str
    stops: float
    share: float
    gel: Gel
    group: str
    cells: tuple[tuple[int, float], ...]

    def output(self, tested: Floats) -> float:
        """Return its light [stops] through its gels, from the output of the tested cells (c,)."""
        return float(sum(weight * tested[cell] for cell, weight in self.cells)) - self.gel.stops


@dataclass(frozen=True)
class Setup:
    """A set-up, and by what its shares were given: ``share``, ``reads``, ``stops``, ``equal`` or ``measured``."""

    rows: tuple[SetupRow, ...]
    amounts: str


def read_setup(
    path: Path,
    settings: Settings,
    cells: Cells,
    mired: Floats,
    output: Floats,
    gels: Sequence[Gel],
    powers: Mapping[str, str] = MappingProxyType({}),
) -> Setup:
    """Read SETUP.csv and find each of its heads and powers in the test session.

    Args:
        path: With the columns role, head, power, and perhaps share, reads or stops, gel, group; further columns of the
            test (pack, channel, with, modifier) tell the lights of one head apart.
        settings: What session.toml says of heads and dial, for powers in joules and numbers of the dial.
        mired, output: (c,) arrays. Of the cells, NaN where nothing was measured; output in stops.
        gels: Those that SETUP.csv may name.
        powers: By role, in place of those in the file.

    Returns: Without shares each light has the same, and heads of a group their measured output.

    Raises:
        FaultsError: With every fault of the file, each with its row and the remedy.
        GreystepError: If the file cannot be read, or holds fewer than two lights.
    """
    sheet = read_sheet(path, "light", ("role", "head", "power"), (*AMOUNTS, "gel", "group"), PARTS)
    lights = len({row["group"] or str(number) for number, row in sheet.rows})
    if lights > MOST_LIGHTS or len(sheet.rows) > MOST_ROWS:
        raise GreystepError(
            f"{path}: {lights} lights in {len(sheet.rows)} rows; {MOST_LIGHTS} lights and {MOST_ROWS} rows at most: "
            "every two are compared and shown. Give heads that do one job one group, or judge the set-up in parts"
        )
    if unknown := set(powers) - {row["role"] for _, row in sheet.rows}:
        there = ", ".join(dict.fromkeys(row["role"] for _, row in sheet.rows))
        raise GreystepError(f'role "{sorted(unknown)[0]}": not in {path.name}, which has {there}')
    for _, row in sheet.rows:
        row["power"] = powers.get(row["role"], row["power"])
    faults = sheet.faults
    amounts, shares = _amounts(sheet, faults)
    tested = _tested_body(cells, mired, [row["head"] for _, row in sheet.rows])
    found = []
    roles: dict[str, tuple[int, str]] = {}
    for (number, row), share in zip(sheet.rows, shares, strict=True):
        here: list[str] = []
        group = row["group"]
        if not row["role"]:
            here.append("no role; name the light, such as key or fill")
        elif row["role"] in roles and (not group or roles[row["role"]][1] != group):
            earlier = roles[row["role"]][0]
            here.append(f'role "{row["role"]}" is in row {earlier} too; give each light its own, or both one group')
        roles.setdefault(row["role"], (number, group))
        stops = math.nan
        where: tuple[tuple[int, float], ...] = ()
        try:
            stops, where = _find(row, settings, cells, mired, tested)
        except GreystepError as error:
            here.append(str(error))
        gel = NO_GEL
        try:
            gel = parse_gel(row["gel"], gels)
        except GreystepError as error:
            here.append(str(error))
        faults.extend(f"row {number}: {message}" for message in here)
        found.append(SetupRow(number, row["role"], row["head"], row["power"], stops, share, gel, group, where))
    if faults:
        raise FaultsError(str(path), sorted(faults, key=_row_of))
    if len({row.group or row.row for row in found}) < 2:
        raise GreystepError(
            f"{path}: one light alone cannot clash with another; write a row for each light of the set-up"
        )
    return Setup(_shared(found, amounts, output), amounts)


def parse_reading(text: str) -> float:
    """Read an incident meter's aperture as stops above f/1, tenths of a stop behind a full one: ``f/11.3``.

    Raises:
        GreystepError: If it is no aperture, or can be read in two ways.
    """
    plain = unicodedata.normalize("NFKC", text).casefold().replace(",", ".").replace(" ", "")
    plain = plain.replace("\N{FRACTION SLASH}", "/").removeprefix("f").removeprefix("/")
    if plain in _TWO_WAYS:
        whole, _, tenths = plain.partition(".")
        raise GreystepError(
            f'reads "{text}": f/{plain}, or f/{whole} and {tenths} tenths? write f/{whole}+0.{tenths} or stops'
        )
    base, more = _aperture(plain), 0.0
    if match := re.fullmatch(r"([\d.]+)\+(0?\.\d+|0)", plain):
        base, more = _aperture(match[1]), float(match[2])
    elif base is None and (match := re.fullmatch(r"(\d+(?:\.\d)?)\.(\d)", plain)) and match[1] in _APERTURES:
        base, more = _aperture(match[1]), int(match[2]) / 10.0
    if base is not None:
        return base + more
    raise GreystepError(f'reads "{text}": not an aperture; write what the meter shows, such as f/11 or f/11.3')


def cells_at(
    cells: Cells, mired: Floats, head: str, stops: float, among: Sequence[int]
) -> tuple[tuple[int, float], ...]:
    """Return the cells, with weights, that give a head's light at a power: the tested one, or its two neighbours.

    Args:
        mired: (c,) array. NaN where nothing was measured.
        stops: Below full.

    Returns: tuple of (int, float): Straight between the neighbours in stops; empty where the power lies outside those
        tested.
    """
    place = cells.table["stops"].to_numpy(np.float64)
    own = [c for c in among if cells.table["head"].iloc[c] == head and np.isfinite(mired[c])]
    for cell in own:
        if same_power(place[cell], stops):
            return ((cell, 1.0),)
    above = max((c for c in own if place[c] < stops), key=lambda c: place[c], default=None)
    below = min((c for c in own if place[c] > stops), key=lambda c: place[c], default=None)
    if above is None or below is None:
        return ()
    weight = float((stops - place[above]) / (place[below] - place[above]))
    return ((above, 1.0 - weight), (below, weight))


def _row_of(fault: str) -> int:
    number = re.match(r"row (\d+)", fault)
    return int(number[1]) if number else 0


def _amounts(sheet: Sheet, faults: list[str]) -> tuple[str, list[float]]:
    """Return by what the shares are given, and each row's light in any unit; ones where nothing is said."""
    given = [name for name in AMOUNTS if any(row[name] for _, row in sheet.rows)]
    if len(given) > 1:
        faults.append(f"columns {' and '.join(given)}: both say how much light; fill one of them")
    if not given:
        return "equal", [1.0] * len(sheet.rows)
    name = given[0]
    light = [math.nan] * len(sheet.rows)
    for place, (number, row) in enumerate(sheet.rows):
        text = row[name]
        if not text and not (name == "stops" and place == 0):
            faults.append(f"row {number}: no {name}, where other rows give theirs; give it in all rows or in none")
            continue
        try:
            light[place] = _amount(name, text)
        except GreystepError as error:
            faults.append(f"row {number}: {error}")
    return name, light


def _amount(name: str, text: str) -> float:
    """Return the light of a row in any unit."""
    if name == "reads":
        return float(2.0 ** parse_reading(text))
    if name == "stops":
        stops = read_number(text or "0", name, (-15.0, 15.0), "stops to the first row, such as -1.5")
        return float(2.0**stops)
    return read_number(text.removesuffix("%"), name, (1e-9, 1e9), "a number above 0 and up to 1e9, such as 0.6")


def _aperture(text: str) -> float | None:
    """Return a marked aperture as stops above f/1, on the exact third stop; None where it is no marking."""
    if text not in (*_APERTURES, *_THIRDS) and text.removesuffix(".0") not in _APERTURES:
        return None
    return round(6.0 * math.log2(float(text))) / 3.0  # thirds of a stop: N = 2 ** (k / 6)


def _tested_body(cells: Cells, mired: Floats, heads: Sequence[str]) -> str:
    """Return the camera body that measured most of the heads, ties to the first of the log."""
    body = cells.table["body"].to_numpy(object)
    names = [str(name) for name in dict.fromkeys(body)]

    def count(name: str) -> int:
        seen = set(cells.table["head"].to_numpy(object)[(body == name) & np.isfinite(mired)])
        return sum(head in seen for head in set(heads))

    return max(names, key=count)


def _find(
    row: Mapping[str, str], settings: Settings, cells: Cells, mired: Floats, body: str
) -> tuple[float, tuple[tuple[int, float], ...]]:
    """Return the power of a row [stops below full] and the cells of its light."""
    table, head = cells.table, row["head"]
    names = list(dict.fromkeys(table["head"]))
    if not head:
        raise GreystepError(f"no head; tested were {', '.join(names)}")
    if head not in names:
        like = nearest(head, names)
        hint = f"did you mean {like}?" if like else f"tested were {', '.join(names)}"
        raise GreystepError(f'head "{head}" is not in the test session; {hint}')
    stops = power_of(settings, head, row["power"]).stops
    among = [c for c in range(len(table)) if table["body"].iloc[c] == body]
    for part in cells.varying:
        if part != "body":
            among = _of_part(row, part, cells, among, head)
    found = cells_at(cells, mired, head, stops, among)
    if not found:
        tested = [str(table["power"].iloc[c]) for c in among if table["head"].iloc[c] == head and np.isfinite(mired[c])]
        said = f"measured were {', '.join(tested)}" if tested else "none of its frames could be used"
        raise GreystepError(
            f"head {head} at {row['power']}: outside what was tested, {said}; use one of these or test it"
        )
    return stops, found


def _of_part(row: Mapping[str, str], part: str, cells: Cells, among: Sequence[int], head: str) -> list[int]:
    """Keep the cells of one pack, channel, modifier ... where a head was tested with several."""
    values = cells.table[part].to_numpy(object)
    known = list(dict.fromkeys(str(values[c]) for c in among if cells.table["head"].iloc[c] == head))
    if len(known) < 2:
        return list(among)
    if (wanted := row[part]) not in known:
        raise GreystepError(
            f"head {head}: was tested with several kinds of {part}, {', '.join(known)}; say which in a column {part}"
        )
    return [c for c in among if values[c] == wanted]


def _shared(rows: Sequence[SetupRow], amounts: str, output: Floats) -> tuple[SetupRow, ...]:
    """Scale the shares to 1; without any, each light has the same and the heads of a group their output."""
    light = np.array([row.share for row in rows])
    if amounts == "equal":
        own = np.array([row.output(output) for row in rows])
        relative = 2.0 ** np.nan_to_num(own)
        groups = [row.group or f"row {row.row}" for row in rows]
        whole = {group: sum(relative[i] for i, name in enumerate(groups) if name == group) for group in groups}
        light = np.array([relative[i] / whole[group] for i, group in enumerate(groups)])
    return tuple(replace(row, share=float(part)) for row, part in zip(rows, light / light.sum(), strict=True))
