"""What folders and files are named says head, power and kind of a frame, where there is no log."""

from collections.abc import Sequence
from functools import lru_cache
from pathlib import PurePosixPath
from typing import Final

from greystep.errors import GreystepError
from greystep.session.power import parse_power_name
from greystep.terms import TESTED, Kind

Place = tuple[str, str, str]  # kind, head, power as in the name
#: Powers whose slash is written ``_`` in a file's name: what heads are set to (common practice, no source).
_HALVINGS: Final = frozenset(("1", str(2**stops)) for stops in range(10))
_KINDS: Final = [kind.value for kind in Kind]


def folder_fault(path: PurePosixPath) -> str:
    """Return why the folder of a frame names no power."""
    try:
        parse_power_name(path.parent.name)
    except GreystepError as error:
        return f"{path.parent}: {error}"
    return f"{path.parent}: not understood; name folders HEAD/POWER, such as A/1-16"


@lru_cache(maxsize=1024)  # frames of a session share a few
def _names_power(text: str, dial: float | None) -> bool:
    """Say whether part of a name is a power; a bare number is a frame's own number where there is no dial."""
    try:
        parse_power_name(text, max_energy_j=100000.0, dial=dial)
    except GreystepError:
        return False
    return dial is not None or not text.isdigit()


def by_folder(folders: Sequence[str], dial: float | None) -> Place | None:
    """Read HEAD/POWER, the two innermost folders; another kind than flash may stand for either, or alone."""
    words = [name.casefold() for name in folders if name.casefold() in _KINDS[1:]]
    inner = [name for name in folders if name.casefold() not in _KINDS[1:]][-2:]
    kind = words[0] if words else Kind.FLASH.value
    if len(words) > 1 or (kind in TESTED and len(inner) < 2):
        return None
    if len(inner) == 2:
        return (kind, inner[0], inner[1]) if _names_power(inner[1], dial) else None
    if not inner:
        return kind, "", ""
    return (kind, "", inner[0]) if _names_power(inner[0], dial) else (kind, inner[0], "")


def by_name(stem: str, dial: float | None) -> Place | None:
    """Read HEAD_POWER_*: the last token but one if it is a power, else the first that is; the head may hold ``_``.

    A power is one token; without any, ``1_16`` may stand for 1/16, down to 1/512. A number of the dial without a point
    is one only as the last token but one: elsewhere it is the frame's own.

    Another kind than flash stands before, or behind the head: ``card_A_1-4_*``, ``A_card_1-4_*``.
    """
    tokens = stem.split("_")
    at = next((at for at, token in enumerate(tokens) if token.casefold() in _KINDS[1:]), None)
    kind = Kind.FLASH.value if at is None else tokens.pop(at).casefold()
    there = range(len(tokens))
    powers = [place for place in there if _names_power(tokens[place], dial)]
    powers = [place for place in powers if place == len(tokens) - 2 or not tokens[place].isdigit()]
    pairs = [place for place in there if not powers and tuple(tokens[place : place + 2]) in _HALVINGS]
    if pairs:
        powers = pairs[-1:]
        tokens[pairs[-1]] = "/".join(tokens[pairs[-1] : pairs[-1] + 2])
    power = len(tokens) - 2 if len(tokens) - 2 in powers else powers[0] if powers else None
    end = power if power is not None else at or 0
    head, label = "_".join(tokens[:end]), "" if power is None else tokens[power]
    return None if kind in TESTED and not (head and label) else (kind, head, label)
