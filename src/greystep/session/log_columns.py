"""The columns of a log as people name them: which one is meant, and which is missing."""

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

from greystep.columns import FrameRow, names
from greystep.terms import PARTS, TESTED

#: Columns that mean something to this tool; any other is carried through.
KNOWN_COLUMNS: Final = ["frame", "head", "power", "kind", "note", "lights", *PARTS, "box"]
#: Names that people give these columns, and how like a name must be to be taken for a slip of the pen; a column that
#: must be there is sought farther.
_SYNONYMS: Final = {"frame": ["file", "filename", "file name", "image"]}
_LIKENESS: Final = {"kind": 0.8, "head": 0.6, "power": 0.6, "frame": 0.8, "pack": 0.8}

#: Columns that readings.csv fills itself; one of the log by the same name is carried as NAME_log.
_TAKEN: Final = frozenset(names(FrameRow, optional=False)) - set(KNOWN_COLUMNS) | {"row", "room"}


def named_columns(
    header: Sequence[str], body: Sequence[tuple[int, list[str]]], faults: list[str], first: int
) -> dict[str, int]:
    """Return where each named column stands; known names in small letters, others as typed."""
    columns: dict[str, int] = {}
    for at, cell in enumerate(header):
        name = cell.strip()
        if name.casefold() in KNOWN_COLUMNS:
            name = name.casefold()
        elif name in _TAKEN:
            name = f"{name}_log"
        if not name:
            if any(row[at].strip() for _, row in body if at < len(row)):
                faults.append(f"row {first}: column {at + 1} has cells but no name; name it or empty it")
        elif name in columns:
            faults.append(f'row {first}: column "{name}" is there twice; keep one')
        else:
            columns[name] = at
    return columns


def checked_columns(
    columns: dict[str, int],
    header: Sequence[str],
    body: Sequence[tuple[int, list[str]]],
    faults: list[str],
    first: int,
) -> dict[str, int]:
    """Note a misspelt column, and head or power where they are missing and some row needs them.

    Returns the columns with each misspelt one under its right name, so that its cells are checked in the same run.
    """
    columns = dict(columns)
    for known, likeness in _LIKENESS.items():
        at = columns.get("kind", len(header))
        flash = any(len(row) <= at or row[at].strip().casefold() in ("", *TESTED) for _, row in body)
        needed = known in ("head", "power") and flash
        if known in columns or (likeness < 0.8 and not needed):
            continue
        others = {name.casefold(): name for name in columns if name not in KNOWN_COLUMNS}
        synonyms = [name for name in _SYNONYMS.get(known, []) if name in others]
        if close := synonyms or get_close_matches(known, list(others), n=1, cutoff=likeness):
            faults.append(f'row {first}: column "{others[close[0]]}": did you mean {known}?')
            columns[known] = columns.pop(others[close[0]])
        elif needed:
            names = ", ".join(cell.strip() for cell in header if cell.strip())
            faults.append(f"row {first}: no column {known} (found {names}); the first row names frame,head,power")
    return columns
