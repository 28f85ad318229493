"""session.toml as text, tables and checked values: every fault is noted with its line and the remedy."""

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from greystep.errors import GreystepError
from greystep.log.power import head_table
from greystep.log.sheet import nearest

#: Every key, by table; ``heads.*`` is each head's own table.
KEYS: Final[dict[str, list[str]]] = {
    "": ["title", "frames", "target", "camera", "reference", "tolerance", "heads"],
    "target": ["patch", "reflectance"],
    "camera": ["matrix", "meter"],
    "camera.meter": ["frame", "cct_k", "duv"],
    "reference": ["head", "power", "kit"],
    "tolerance": ["mired", "duv", "steps", "kelvin", "output_stops"],
    "heads.*": ["pack", "serial", "type", "max_energy_j", "t01_s"],
}


@dataclass(frozen=True)
class TomlFile:
    """session.toml as read: its folder, its tables, the line of each (table, key), and the faults found so far."""

    folder: Path
    data: dict[str, Any]
    lines: dict[tuple[str, str], int]
    faults: list[str]


def read_toml(folder: Path) -> TomlFile:
    """Read session.toml of a folder as tables; where there is none, they are empty.

    Raises
    ------
    GreystepError
        If the file cannot be read, is not UTF-8 or not TOML; the message gives line and column.
    """
    path = folder / "session.toml"
    try:
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        return TomlFile(folder, {}, {}, [])
    except UnicodeDecodeError as error:
        raise GreystepError(f"{path}: is not UTF-8 text (byte {error.start}); save it again as plain UTF-8") from error
    except OSError as error:
        raise GreystepError(f"{path}: cannot be read ({error.strerror}); check its permissions") from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise GreystepError(f"{path}: {_explain(str(error), text)}") from error
    settings = TomlFile(folder, data, _lines(text), [])
    check_keys(settings, "", data)
    return settings


def _explain(message: str, text: str) -> str:
    """Turn the parser's message into place, reason and remedy."""
    reason, _, place = message.removesuffix(")").partition(" (at ")
    number = re.match(r"line (\d+)", place)
    line = text.split("\n")[int(number[1]) - 1] if number else ""
    if any(quote in line for quote in "\u201c\u201d\u201e\u2018\u2019"):
        remedy = 'type straight quotes "..." instead of curly ones'
    elif "\\" in line:
        remedy = "write / instead of \\ in a path"
    else:
        remedy = 'mend that line; text stands in "quotes"'
    return f"{place}: {reason}; {remedy}"


def _lines(text: str) -> dict[tuple[str, str], int]:
    """Find the line of each key, by table; a table's header stands under the empty key."""
    lines: dict[tuple[str, str], int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[([^\[\]]+)\]", line):
            table = re.sub(r"[\"']|\s+(?=\.)|(?<=\.)\s+", "", header[1]).strip()
            lines.setdefault((table, ""), number)
        elif key := re.match(r"\s*([\w-]+|\"[^\"]*\"|'[^']*')\s*=", line):
            lines.setdefault((table, key[1].strip("\"'")), number)
    return lines


def fault(settings: TomlFile, table: str, key: str, message: str) -> None:
    """Note a fault, with its line where that can be told."""
    outer, _, inner = table.rpartition(".")
    places = ((table, key), (f"{table}.{key}".lstrip("."), ""), (outer, inner), (table, ""))
    line = next((settings.lines[place] for place in places if place in settings.lines), None)
    shown = head_table(table[6:]) if table.startswith("heads.") else f"[{table}]" if table else ""
    settings.faults.append((f"line {line}: " if line else "") + " ".join(filter(None, [shown, key])) + f": {message}")


def found(value: object) -> str:
    """Name a value in a message: what was found in place of what is needed."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'the text "{value}"'
    if isinstance(value, int | float):
        return "a huge number" if abs(value) > 1e300 else f"{value:g}"
    return "a list" if isinstance(value, list) else "a table" if isinstance(value, dict) else "a date"


def check_keys(settings: TomlFile, table: str, data: Mapping[str, Any], kind: str | None = None) -> None:
    """Note every key that is not known in this table, with the nearest known one or the table it belongs to."""
    known = KEYS[kind or table]
    for key, value in data.items():
        if key in known:
            continue
        homes = [name.replace("*", "A") for name, keys in KEYS.items() if key in keys and name]
        if homes and not isinstance(value, dict):
            remedy = f"it belongs under [{homes[0]}]"
        elif like := nearest(key, known):
            remedy = f"did you mean {like}?"
        else:
            remedy = f"known are {', '.join(known)}"
        fault(settings, table, key, f"no such key; {remedy}")


def table_of(settings: TomlFile, table: str, data: Mapping[str, Any], key: str) -> dict[str, Any]:
    """Return a table with its keys checked, empty where it is absent or is no table."""
    value = data.get(key, {})
    name = f"{table}.{key}".lstrip(".")
    if not isinstance(value, dict):
        fault(settings, table, key, f"found {found(value)}; a table is needed, such as [{name}]")
        return {}
    check_keys(settings, name, value)
    return value


def text_of(settings: TomlFile, table: str, data: Mapping[str, Any], key: str) -> str | None:
    """Return a text without outer blanks; None where it is absent, blank or (noted) no text."""
    value = data.get(key)
    if value is None:
        return None
    if not isinstance(value, str):
        example = f'{key} = "{value if isinstance(value, int | float) and not isinstance(value, bool) else "..."}"'
        fault(settings, table, key, f"found {found(value)}; write text in quotes, {example}")
        return None
    return value.strip() or None


def number_of(
    settings: TomlFile, table: str, data: Mapping[str, Any], key: str, limits: tuple[float, float]
) -> float | None:
    """Return a number within its limits; None where it is absent or (noted) something else."""
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        fault(settings, table, key, f"found {found(value)}; write a number without quotes")
    elif not limits[0] <= value <= limits[1]:
        fault(settings, table, key, f"{found(value)} is out of range; from {limits[0]:g} to {limits[1]:g} makes sense")
    else:
        return float(value)
    return None


def existing_path(settings: TomlFile, table: str, key: str, value: str, folder: bool) -> Path:
    """Return a path relative to the session; note a fault where nothing is there."""
    path = settings.folder / os.path.expanduser(value)
    if not (path.is_dir() if folder else path.is_file()):
        siblings = [item.name for item in path.parent.iterdir()] if path.parent.is_dir() else []
        like = nearest(path.name, siblings)
        what = "folder" if folder else "file"
        remedy = f"did you mean {like}?" if like else "paths start at the session's folder"
        fault(settings, table, key, f'no {what} "{value}"; {remedy}')
    return path
