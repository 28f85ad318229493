"""A spreadsheet's save as rows of text cells, whatever encoding and separator the spreadsheet chose."""

import csv
import io
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Final

from greystep.errors import GreystepError

if TYPE_CHECKING:
    import _csv

#: A header row is split by the one that gives most cells; the earlier one where two give the same.
_SEPARATORS: Final = "\t;,"
#: First bytes of the two common binary spreadsheet files, for those that only had their name changed to .csv.
_SPREADSHEETS: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def read_rows(path: Path) -> list[tuple[int, list[str]]]:
    """Read a CSV file as (row number in the spreadsheet, cells), without the rows in which every cell is blank.

    UTF-8 with or without BOM, UTF-16 and Windows-1252; comma, semicolon or tab; any line ends. Cells are text as
    typed but for leading blanks; the first row is number 1.

    Raises
    ------
    GreystepError
        If the file cannot be read, is no text, or its quotes do not pair.
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


def nearest(name: str, known: list[str]) -> str | None:
    """Return the known name most like `name`, letter case aside, or None where none is much like it."""
    by_fold = {item.casefold(): item for item in known}
    close = get_close_matches(name.casefold(), list(by_fold), n=1, cutoff=0.6)
    return by_fold[close[0]] if close else None


def _decode(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise GreystepError(f"{path}: cannot be read ({error.strerror}); check its name and permissions") from error
    if data.startswith(_SPREADSHEETS):
        raise GreystepError(f"{path}: is a spreadsheet's own file under another name; save it from there as CSV UTF-8")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data:  # UTF-16 without its mark: the zero byte of a Latin letter comes second in little-endian
        encodings = ["utf-16-le" if data[1:2] == b"\0" else "utf-16-be"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise GreystepError(f"{path}: is not text in UTF-8; save it from the spreadsheet as CSV UTF-8")


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
