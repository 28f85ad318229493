"""Dates that a spreadsheet made of typed powers, put back where they can only have been one power.

A fraction such as 1/16 is read as a month and a day (the United States), as a day and a month (most of Europe) or,
where neither fits, as a month and a year of two digits. All of it is from memory of how spreadsheets behave.
"""

import re
import unicodedata
from collections.abc import Collection, Iterator
from datetime import date, timedelta
from typing import Final

#: What heads are set to (common practice, no source): a fraction as its two numbers, and as it is typed.
_HALVINGS: Final = {(1, 2**stops): f"1/{2**stops}" for stops in range(10)}
#: A fraction that is read as a day gets the year in which it was typed; there were no spreadsheets before.
_TYPED_IN: Final = range(1985, 2100)
#: The century of a year of two digits.
_SHORT_YEARS: Final = range(1930, 2030)
#: The day that a spreadsheet counts as number 0.
_DAY_0: Final = date(1899, 12, 30)
#: How the months begin in the larger European languages, January first.
_MONTHS: Final = (
    "jan|ene|gen", "feb|fev|fév", "mar|mär|mrz", "apr|avr|abr", "ma[iygj]", "juin|jun|giu", "jul|juil|lug",
    "aug|aoû|ago", "sep|set", "oct|okt|ott|out", "nov", "dec|dez|déc|dic",
)  # fmt: skip

Pair = tuple[int, int]


def undated(text: str, others: Collection[str] = (), dial: float | None = None) -> str | None:
    """Return the one power that a spreadsheet can have made this date of; None where it is no date or not one power.

    Powers are 1/1 to 1/512 in whole stops, and those of `others`.

    Args:
        others: Powers that stand elsewhere in the log, as typed: fractions, and with a `dial` its numbers: ``9.9``.
        dial: What the pack's dial shows at full; None without one.
    """
    known = dict(_HALVINGS)
    for other in others:
        match = re.fullmatch(r"\s*(\d{1,4})\s*(/|[.,])\s*(\d{1,4})\s*", other)
        if match and (match[2] == "/" or dial is not None):
            known[int(match[1]), int(match[3])] = other.strip()
    plain = unicodedata.normalize("NFKC", text).casefold().strip()
    found = {known[pair] for pair in _typed(plain) if pair in known}
    return found.pop() if len(found) == 1 else None


def _typed(plain: str) -> Iterator[Pair]:
    """Yield the pairs of numbers that may have been typed where a spreadsheet shows this date."""
    plain = re.sub(r"[ t]\d{1,2}:\d{2}(:\d{2})?.*$", "", plain)
    if re.fullmatch(r"\d{5}", plain):
        yield from _of_day(_DAY_0 + timedelta(days=int(plain)))
        return
    parts = re.findall(r"\d+|[^\W\d_]+", plain)
    months = [_month(part) for part in parts if not part.isdigit()]
    numbers = [part for part in parts if part.isdigit()]
    if re.search(r"[^\w\s./-]", plain) or len(months) > 1 or 0 in months or len(numbers) + len(months) not in (2, 3):
        return
    if len(numbers) + len(months) == 3:
        yield from _of_three(numbers, months)
    elif months:  # Jan-16, 16-Jan, Jan 1932
        number, month = int(numbers[0]), months[0]
        if 1 <= number <= 31:
            yield from ((month, number), (number, month))
        if not parts[0].isdigit() and (len(numbers[0]) == 2 or number in _SHORT_YEARS):
            yield month, number % 100


def _of_three(numbers: list[str], months: list[int]) -> Iterator[Pair]:
    """Yield what may have been typed for a date with a year: of four digits anywhere, of two at the end."""
    years = [at for at, digits in enumerate(numbers) if len(digits) == 4] or [len(numbers) - 1]
    if len(years) > 1 or len(numbers[years[0]]) not in (2, 4):
        return
    year = int(numbers.pop(years[0]))
    if year < 100:
        year = next(whole for whole in _SHORT_YEARS if whole % 100 == year)
    one, two = (*map(int, numbers), *months)
    for month, day in {(two, one)} if months else {(one, two), (two, one)}:
        try:
            yield from _of_day(date(year, month, day))
        except ValueError:  # no such day
            continue


def _of_day(day: date) -> Iterator[Pair]:
    """Yield what may have been typed where a spreadsheet has this day."""
    if day.year in _TYPED_IN:
        yield from ((day.month, day.day), (day.day, day.month))
    if day.day == 1 and day.year in _SHORT_YEARS:
        yield day.month, day.year % 100


def _month(word: str) -> int:
    return next((number for number, names in enumerate(_MONTHS, start=1) if re.match(names, word)), 0)
