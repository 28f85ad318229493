"""A part of a capture folder: its frames from one to another in the order of capture, and their rows of the log."""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Final

import pandas as pd

from greystep.errors import GreystepError
from greystep.session.csvfile import nearest


@dataclass(frozen=True)
class Part:
    """The first and the last frame, as typed; blank for the first or the last that there is.

    Attributes:
        coming: Frames are still coming, and the last may be one of them.
    """

    first: str = ""
    last: str = ""
    coming: bool = False


#: Every frame.
WHOLE: Final = Part()


@dataclass(frozen=True)
class OutsidePart:
    """Rows of the log that name frames outside the part."""

    rows: tuple[int, ...]
    first: str
    last: str


def cut(names: Sequence[str], part: Part) -> list[str]:
    """Return the frames of a part.

    Args:
        names: All frames in capture order, as paths below the folder.

    Raises:
        GreystepError: If the first or the last is not there, is two files, or the first comes after the last.
    """
    first = _place(names, part.first, "first") if part.first else 0
    to_come = part.coming and not any(_alike(name, _wanted(part.last), at, True) for name in names for at in range(4))
    last = _place(names, part.last, "last") if part.last and not to_come else len(names) - 1
    if first > last:
        raise GreystepError(
            f"first frame {names[first]} was shot after the last, {names[last]}; give them in the order of shooting"
        )
    return list(names[first : last + 1])


def rows_of_part(
    shots: pd.DataFrame, names: Sequence[str], inside: Sequence[str]
) -> tuple[pd.DataFrame, tuple[OutsidePart, ...]]:
    """Return the rows of the log that name no frame outside the part, and what there is to say of the others.

    Args:
        shots: The log, see `greystep.session.shots.read_shots`.
        names, inside: All frames, and those of the part, in capture order.

    Raises:
        GreystepError: If no row is left.
    """
    outside = shots["frame"].isin(set(names) - set(inside))
    if outside.all():
        raise GreystepError(f"no row of the log is of the frames {inside[0]} to {inside[-1]}; name other frames")
    rows = tuple(row for row in shots["row"][outside].tolist() if row)  # what folders say needs no word
    told = (OutsidePart(rows, inside[0], inside[-1]),) if rows else ()
    return shots[~outside].reset_index(drop=True), told


def _place(names: Sequence[str], typed: str, which: str) -> int:
    """Return the place of a frame by its name: as typed, then in any letter case."""
    wanted = _wanted(typed)
    for fold in (False, True):
        for spelling in range(4):
            found = [place for place, name in enumerate(names) if _alike(name, wanted, spelling, fold)]
            if len(found) > 1:
                same = " and ".join(names[place] for place in found[:3])
                raise GreystepError(f'{which} frame "{typed}": is {same}; write the folder too, and the extension')
            if found:
                return found[0]
    like = nearest(wanted, [spelling for name in names for spelling in _spellings(name)])
    meant = next((name for name in names if like and like in _spellings(name)), "")
    raise GreystepError(
        f'{which} frame "{typed}": not there; the folder has {names[0]} to {names[-1]} in the order of capture'
        + (f"; did you mean {meant}?" if meant else "")
    )


def _wanted(typed: str) -> str:
    return unicodedata.normalize("NFC", typed.strip().replace("\\", "/")).removeprefix("./")


def _alike(name: str, wanted: str, spelling: int, fold: bool) -> bool:
    said = unicodedata.normalize("NFC", _spellings(name)[spelling])
    return said.casefold() == wanted.casefold() if fold else said == wanted


def _spellings(name: str) -> tuple[str, ...]:
    """Return what a person may call a frame: with its folder or not, with its extension or not."""
    path = PurePosixPath(name)
    return name, str(path.with_suffix("")), path.name, path.stem
