"""The power a head was set to, as people write it: read into stops below full, compared by value."""

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Final

from greystep.errors import GreystepError


@dataclass(frozen=True)
class Power:
    """A power setting: the label as typed, and its value in stops below full, never negative."""

    label: str
    stops: float


#: Powers this close [stop] are one (the contract's ruling).
SAME_STOPS: Final = 0.01

#: Farther below full [stop] than any flash is set (common practice, no source: 1/512 is 9 stops): a typing error.
_LOWEST_STOPS: Final = 14.0

_FORMS: Final = "full, 1/16, 1/16+0.3, half, 25 %, -4 or 200 J"
_NUMBER: Final = r"(?:\d{1,6}(?:[.,]\d{1,6})?|[.,]\d{1,6})"
_UNIT: Final = r"(?: ?(?:stops?|ev))?"
_RATIO: Final = r"\d{1,6} ?/ ?\d{1,6}"
#: Each word is a stop below the one before it.
_WORDS: Final = ("full", "half", "quarter", "eighth", "sixteenth", "thirty-second", "sixty-fourth")
_SHARE: Final = rf"(?:an? |one )?(?P<word>{'|'.join(_WORDS)})(?: power)?|(?P<percent>{_NUMBER}) ?(?:%|percent|per cent)"
_FRACTION: Final = re.compile(
    rf"(?:{_SHARE}|(?P<ratio>{_RATIO})(?:th|nd)?)(?: ?(?P<sign>[+-]) ?(?P<offset>{_NUMBER}|{_RATIO}){_UNIT})?"
)
_BELOW: Final = re.compile(rf"(?:- ?(?P<stops>{_NUMBER})|0(?:[.,]0+)?){_UNIT}")
_ENERGY: Final = re.compile(rf"(?P<energy>{_NUMBER}) ?(?:j|ws|joules?)")
_UNSIGNED: Final = re.compile(rf"\+? ?(?P<number>{_NUMBER}){_UNIT}")
_MONTH: Final = (  # the beginnings that spreadsheets write in the larger European languages
    "jan|ene|gen|feb|fev|fév|mar|mär|mrz|apr|avr|abr|ma[iygj]|jun|jui|giu|jul|lug|aug|aoû|ago|sep|set|oct|okt|ott|out|"
    "nov|dec|dez|déc|dic"
)
_DATES: Final = re.compile(
    rf"\d{{1,4}}[ ./-]*(?:{_MONTH})[^\W\d]*\.?(?:[ ./-]*\d{{2,4}})?"  # 16-Jan, 16. Jan. 2026
    rf"|(?:{_MONTH})[^\W\d]*\.?[ ./-]*\d{{1,4}}"  # Jan-16
    r"|\d{1,4}([ ./-])\d{1,2}\1\d{1,4}(?:[ t].*)?"  # 01/16/2026, 2026-01-16 00:00:00
    r"|\d{5}"  # the day number behind a date
)
#: Typographic slashes (fraction, division) and dashes (hyphen to bar, minus sign).
_SIGNS: Final = str.maketrans(
    dict.fromkeys("\u2044\u2215", "/") | dict.fromkeys("\u2010\u2012\u2013\u2014\u2015\u2212", "-")
)


def parse_power(text: str, max_energy_j: float | None = None, head: str = "NAME", dial: float | None = None) -> Power:
    """Read a power: ``full``, ``half``, ``1/16``, ``1/16+0.3`` (0.3 stop more), ``25 %``, ``-4 stops``, ``200 J``.

    Args:
        text: The setting; comma decimals, typographic minus signs and fractions (``½``) are understood.
        max_energy_j: Energy of the head at full power [J], needed for a power in joules or watt-seconds.
        head: The head's label, to be named in the remedy.
        dial: What the pack's dial shows at full, needed for a number of the dial alone: ``9.9``. One unit of it is one
            stop, with tenths of a stop behind the point (common practice, no source).

    Returns: The label without its outer blanks, and stops below full [stop].

    Raises:
        GreystepError: If the text is no power, means two things, or lies above full; the message says what to write.
    """
    label = text.strip()
    plain = _plain(label)
    if match := _FRACTION.fullmatch(plain):
        stops = _base_stops(match, label)
        if match["offset"]:
            offset = _ratio(match["offset"], label) if "/" in match["offset"] else _number(match["offset"])
            stops += -offset if match["sign"] == "+" else offset
    elif dial is not None and re.fullmatch(_NUMBER, plain) and not _DATES.fullmatch(plain):
        stops = dial - _number(plain)
    elif match := _BELOW.fullmatch(plain):
        stops = _number(match["stops"] or "0")
    elif match := _ENERGY.fullmatch(plain):
        stops = _energy_stops(match["energy"], max_energy_j, label, head)
    elif _DATES.fullmatch(plain):
        raise _refuse(label, "a spreadsheet made a date of it; format the column as text and type the power again")
    elif match := _UNSIGNED.fullmatch(plain):
        below = f"above or below full? write -{match['number']} for {match['number']} stops below full, or 1/16"
        raise _refuse(
            label, f"{below}, or 200 J{', or dial = 10 in session.toml if full is 10 on the pack' * (dial is None)}"
        )
    elif not plain:
        raise _refuse(label, f"is empty; write {_FORMS}")
    else:
        raise _refuse(label, f"not understood; write {_FORMS}")
    if stops < -SAME_STOPS:
        raise _refuse(label, f"{-stops:.3g} stops above full, which is the most a head gives; correct the number")
    if stops > _LOWEST_STOPS:
        raise _refuse(label, f"{stops:.3g} stops below full, lower than any flash is set; correct the number")
    return Power(label, max(0.0, stops))


def parse_power_name(
    name: str, max_energy_j: float | None = None, head: str = "NAME", dial: float | None = None
) -> Power:
    """Read a power from a folder's or file's name, where the slash of a fraction is written ``-`` or ``_``: ``1-16``.

    Arguments, errors and result are those of `parse_power`; the label has its slash again.
    """
    return parse_power(re.sub(r"^\s*(\d{1,2})\s*[-:_]\s*(\d+)", r"\1/\2", name), max_energy_j, head, dial)


def same_power(a: float, b: float) -> bool:
    """Say whether two powers [stops below full] are one: equal within 0.01 stop."""
    return abs(a - b) <= SAME_STOPS + 1e-9


def is_energy(text: str) -> bool:
    """Say whether a power is written as an energy, which is another power on every type of head."""
    return _ENERGY.fullmatch(_plain(text)) is not None


def head_table(head: str) -> str:
    """Return the name of a head's table in session.toml: ``[heads.A]``, ``[heads."Head 1"]``."""
    return f"[heads.{head}]" if re.fullmatch(r"[A-Za-z0-9_-]+", head) else f'[heads."{head}"]'


def _plain(text: str) -> str:
    """Undo typography: compatible forms, one kind of slash, dash and blank, small letters."""
    return " ".join(unicodedata.normalize("NFKC", text).translate(_SIGNS).casefold().split())


def _refuse(label: str, message: str) -> GreystepError:
    return GreystepError(f'power "{label}": {message}')


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _base_stops(match: re.Match[str], label: str) -> float:
    """Return the stops below full of a word, a share or a fraction."""
    if match["word"]:
        return float(_WORDS.index(match["word"]))
    if match["ratio"]:
        return -math.log2(_ratio(match["ratio"], label))
    if not (share := _number(match["percent"])):
        raise _refuse(label, "no light at all; a frame without flash is kind ambient")
    return -math.log2(share / 100.0)


def _ratio(text: str, label: str) -> float:
    """Return a fraction's value; both its numbers must be above 0."""
    top, bottom = (int(part) for part in text.split("/"))
    if not (top and bottom):
        raise _refuse(label, "a fraction needs two numbers above 0; a frame without flash is kind ambient")
    return top / bottom


def _energy_stops(energy: str, max_energy_j: float | None, label: str, head: str) -> float:
    if re.fullmatch(r"\d{1,3}[.,]\d{3}", energy):  # 1,200 J is 1200 to one reader and 1.2 to another
        raise _refuse(label, f"may be read in two ways; write {re.sub('[.,]', '', energy)} J without a comma")
    joules = _number(energy)
    if joules <= 0:
        raise _refuse(label, "no light at all; a frame without flash is kind ambient")
    if max_energy_j is None:
        raise _refuse(label, f"needs the head's full energy; add max_energy_j under {head_table(head)} in session.toml")
    return math.log2(max_energy_j / joules)
