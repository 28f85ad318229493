"""What files hold: text, tables and JSON as bytes."""

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import __version__
from greystep.words import visible

#: The object of a JSON file.
Document = dict[str, object]
#: Text files in which a control character is a fault of the file.
_MARKUP: Final = (".svg", ".html")


def document_of(content: Mapping[str, Any], schema: int = 1) -> dict[str, Any]:
    """Return the object of a JSON file, behind its schema and the version that writes it, see `plain`."""
    made: dict[str, Any] = plain({"schema": schema, "greystep": __version__, **content})
    return made


def text_bytes(name: str, text: str) -> bytes:
    """Return text as a file of a name has it: UTF-8.

    What of a file's name is no letter stands as an escape, and so do control characters in SVG and HTML.
    """
    return (visible(text) if name.endswith(_MARKUP) else text).encode("utf-8", "backslashreplace")


def table_bytes(table: pd.DataFrame) -> bytes:
    r"""Return a table as CSV: UTF-8, comma, ``\n``, floats that read back exactly, an empty cell for the unknown."""
    # A library may have left numpy printing in its legacy style, which cuts floats to 12 digits.
    with np.printoptions(legacy=False):
        text = table.to_csv(index=False, lineterminator="\n", na_rep="")
    return text_bytes("", text)


def json_bytes(content: Mapping[str, Any]) -> bytes:
    """Return JSON as a file has it: ASCII, two-space indent, null for what is unknown."""
    return f"{to_json(content)}\n".encode("ascii")


def to_json(content: Mapping[str, Any]) -> str:
    """Return `content` as ASCII JSON text, with null for every number that is not finite."""
    return json.dumps(plain(content), indent=2, ensure_ascii=True, allow_nan=False)


def plain(value: Any) -> Any:
    """Turn numpy and pandas values into what JSON holds; NaN and infinities become None, paths their text."""
    if isinstance(value, Mapping):
        return {plain(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return plain(value.tolist())
        known = value.astype(object)
        known[~np.isfinite(value)] = None
        return known.tolist()
    if isinstance(value, str):  # what of a file's name is no letter, an escape: half a surrogate pair is no JSON
        return value if value.isascii() else value.encode("utf-8", "backslashreplace").decode("utf-8")
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Sequence):
        return [plain(item) for item in value]
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if value is pd.NA or value is pd.NaT:
        return None
    return plain(str(value))


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as plain dictionaries, ready for JSON."""
    return [{str(key): plain(item) for key, item in row.items()} for row in table.to_dict(orient="records")]
