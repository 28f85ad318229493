"""A spreadsheet's save as rows of text cells, whatever encoding and separator the spreadsheet chose."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from greystep.doors import read_file
from greystep.errors import FaultsError, GreystepError

if TYPE_CHECKING:
    import _csv

#: A header row is split by the one that gives most cells; the earlier one where two give the same.
_SEPARATORS: Final = "\t;,"
#: A column this like an optional one is taken for a typing error; others are the user's own.
_LIKENESS: Final = 0.7
#: First bytes of the two common binary spreadsheet files, for those that only had their name changed to .csv.
_SPREADSHEETS: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def read_rows(path: Path) -> list[tuple[int, list[str]]]:
    """Read a CSV file as (row number in the spreadsheet, cells), without the rows in which every cell is blank.

    UTF-8 with or without BOM, UTF-16 and Windows-1252; comma, semicolon or tab; any line ends. Cells are text as
    typed but for leading blanks; the first row is number 1.

    Raises:
        GreystepError: If the file cannot be read, is no text, or its quotes do not pair.
    """
    text = _decode(path)
    first, _, rest = text.partition("\n")
    named = first.strip().casefold()  # a line such as "sep=;" speaks to the spreadsheet and is not shown as a row
    separator = named[4:] if named.startswith("sep=") else ""
    if separator and separator in _SEPARATORS:
        text = rest
    else:
        separator = max(_SEPARATORS, key=lambda candidate: _width(text, candidate))
    return list(_rows(path, text, separator))


@dataclass(frozen=True)
class Sheet:
    """A table with declared columns: rows as (row number in the spreadsheet, cell by column), and the faults so far.

    Each declared column is in every row, stripped, blank where the table has no such cell; other columns are left out.
    """

    rows: list[tuple[int, dict[str, str]]]
    faults: list[str]


def read_sheet(
    path: Path,
    row_is: str,
    needed: Sequence[str],
    optional: Sequence[str] = (),
    exact: Sequence[str] = (),
    synonyms: Mapping[str, str] = MappingProxyType({}),
) -> Sheet:
    """Read a CSV file whose first row names its columns, in any letter case.

    Args:
        row_is: What a row stands for, such as ``light``.
        needed, optional, exact: The declared columns; `exact` are optional ones that no other name is taken for.
        synonyms: Other names of columns, and the declared ones that they stand for.

    Returns: Its faults name misspelt columns, which are read under the right name, and those that are there twice.

    Raises:
        GreystepError: If the file cannot be read or holds no row; as `FaultsError` where a needed column is missing.
    """
    rows = read_rows(path)
    if len(rows) < 2:
        said = ",".join(needed)
        raise GreystepError(f"{path}: names no {row_is}; write the header {said} and below it one row for each")
    (first, header), body = rows[0], rows[1:]
    typed = [synonyms.get(name, name) for name in (cell.strip().casefold() for cell in header)]
    declared = [*needed, *optional, *exact]
    columns = {name: typed.index(name) for name in declared if name in typed}
    faults = [f'row {first}: column "{name}" is there twice; keep one' for name in columns if typed.count(name) > 1]
    for at, name in enumerate(typed):
        if not name or name in declared:
            continue
        lacking, unused = ([other for other in names if other not in columns] for names in (needed, optional))
        if like := nearest(name, lacking) or nearest(name, unused, _LIKENESS):
            faults.append(f'row {first}: column "{header[at].strip()}": did you mean {like}?')
            columns[like] = at
    absent = [name for name in needed if name not in columns]
    faults += [f"row {first}: no column {name}; the first row names {','.join(needed)}" for name in absent]
    if absent:
        raise FaultsError(str(path), faults)

    found = []
    for number, cells in body:
        row = {name: cells[at].strip() for name, at in columns.items() if at < len(cells)}
        found.append((number, dict.fromkeys(declared, "") | row))
    return Sheet(found, faults)


def nearest(name: str, known: Sequence[str], likeness: float = 0.6) -> str | None:
    """Return the known name most like `name`, letter case aside, or None where none is so much like it."""
    by_fold = {item.casefold(): item for item in known}
    close = get_close_matches(name.casefold(), list(by_fold), n=1, cutoff=likeness)
    return by_fold[close[0]] if close else None


def _decode(path: Path) -> str:
    data = read_file(path)
    if data.startswith(_SPREADSHEETS):
        raise GreystepError(f"{path}: is a spreadsheet's own file under another name; save it from there as CSV UTF-8")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif found := _utf_16_without_mark(data):
        encodings = [found]
    else:
        encodings = ["utf-8-sig", "cp1252"]
        if (at := data.find(b"\0")) >= 0:
            line = data.count(b"\n", 0, at) + 1
            raise GreystepError(
                f"{path}: byte {at + 1} (line {line}) is a zero, which no text holds; save it from the spreadsheet as "
                "CSV UTF-8, or take that byte out"
            )
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise GreystepError(f"{path}: is not text in UTF-8; save it from the spreadsheet as CSV UTF-8")


def _utf_16_without_mark(data: bytes) -> str:
    """Return the UTF-16 that the first letters are in, by the zero byte of each Latin letter; blank if in none."""
    start = data[:64]
    if not start or len(data) % 2:
        return ""
    for encoding, zeros in (("utf-16-le", start[1::2]), ("utf-16-be", start[0::2])):
        if zeros.count(0) > len(zeros) / 2:
            return encoding
    return ""


def _reader(text: str, separator: str) -> "_csv.Reader":
    return csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True, strict=True)


def _width(text: str, separator: str) -> int:
    """Count the cells of the first row that is not blank, if it were split by this separator."""
    try:
        return next((len(cells) for cells in _reader(text, separator) if any(map(str.strip, cells))), 0)
    except csv.Error:
        return 0


def _rows(path: Path, text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    reader = _reader(text, separator)
    try:
        for number, cells in enumerate(reader, start=1):
            if any(map(str.strip, cells)):
                yield number, cells
    except csv.Error as error:
        raise GreystepError(
            f"{path}: line {reader.line_num} cannot be split into cells ({error}); "
            "close each quote that is opened, and double a quote inside a quoted cell"
        ) from error
