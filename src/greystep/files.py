"""Results are written whole or not at all, each through a temporary file and one rename: text, CSV, TOML, JSON."""

import json
import math
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomli_w

from greystep.errors import GreystepError


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path` whole: a reader sees the old file or the new one, never a part.

    Raises:
        GreystepError: If the folder cannot be written or the disk is full; the old file stays as it was.
    """
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        reason = error.strerror or str(error)
        raise GreystepError(
            f"{path}: cannot be written ({reason}); free the disk or give a folder that can be written with --out"
        ) from error


def refuse_to_overwrite(folder: Path) -> None:
    """Raise a ``GreystepError`` if a folder exists and holds anything."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise GreystepError(f"{folder}: is there already and not empty; give a new folder, nothing was written")


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text whole, see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def write_table(path: Path, table: pd.DataFrame) -> None:
    r"""Write a table as CSV: UTF-8, comma, ``\n``, floats that read back exactly, an empty cell for what is unknown."""
    # A library may have left numpy printing in its legacy style, which cuts floats to 12 digits.
    with np.printoptions(legacy=False):
        text = table.to_csv(index=False, lineterminator="\n", na_rep="")
    write_text(path, text)


def write_toml(path: Path, content: Mapping[str, Any]) -> None:
    """Write tables of text, numbers, truth values and lists as TOML, whole."""
    write_text(path, tomli_w.dumps(content))


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write JSON whole: ASCII, two-space indent, null for what is unknown."""
    write_text(path, to_json(content) + "\n")


def to_json(content: Mapping[str, Any]) -> str:
    """Return `content` as ASCII JSON text, with null for every number that is not finite."""
    return json.dumps(plain(content), indent=2, ensure_ascii=True, allow_nan=False)


def plain(value: Any) -> Any:
    """Turn numpy and pandas values into what JSON holds; NaN and infinities become None, paths their text."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, str) or value is None or isinstance(value, bool):
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
    return str(value)


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as plain dictionaries, ready for JSON."""
    return [{str(key): plain(item) for key, item in row.items()} for row in table.to_dict(orient="records")]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
