"""session.toml as text, tables and checked values: every fault is noted with its line and the remedy."""

import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar, get_args, get_origin

from cattrs import (
    AttributeValidationNote,
    ClassValidationError,
    Converter,
    ForbiddenExtraKeysError,
    IterableValidationError,
)
from cattrs.gen import make_dict_structure_fn

from greystep.doors import read_file
from greystep.errors import GreystepError
from greystep.session.csvfile import nearest
from greystep.session.power import head_table

#: Of session.toml at most: [bytes], characters of a line, and tables and lists in each other.
_MOST_BYTES: Final = 1 << 20
_LONGEST_LINE: Final = 10_000
_MOST_LEVELS: Final = 16
#: A key of more parts than that; the parser's time grows with the square of their number.
_DEEP_KEY: Final = re.compile(rf"""(?<![\w"'-])(?:["']?[\w-]+["']?[ \t]*\.[ \t]*){{{_MOST_LEVELS}}}""")

T = TypeVar("T")
Group = ClassValidationError | IterableValidationError


class Limits(NamedTuple):
    """From where to where a number makes sense; stands in the annotation of a field."""

    low: float
    high: float


@dataclass(frozen=True)
class TomlFile:
    """session.toml as read: its folder, its tables, the line of each (table, key), and the faults found so far."""

    folder: Path
    data: dict[str, Any]
    lines: dict[tuple[str, str], int]
    faults: list[str]


def read_toml(folder: Path) -> TomlFile:
    """Read session.toml of a folder as tables; where there is none, they are empty.

    Raises:
        GreystepError: If the file cannot be read, is not UTF-8 or not TOML; the message gives line and column.
    """
    path = folder / "session.toml"
    if not os.path.lexists(path):
        return TomlFile(folder, {}, {}, [])
    try:
        text = read_file(path, _MOST_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise GreystepError(f"{path}: is not UTF-8 text (byte {error.start}); save it again as plain UTF-8") from error
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE or _DEEP_KEY.search(line):
            raise GreystepError(
                f"{path}: line {number}: {len(line)} characters, which are no KEY = VALUE of a session; take it out"
            )
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise GreystepError(f"{path}: {_explain(str(error), text)}") from error
    except ValueError as error:
        raise GreystepError(f"{path}: a number in it has thousands of digits; correct it") from error
    except RecursionError:
        data = None
    if data is None or _levels(data) > _MOST_LEVELS:
        raise GreystepError(f"{path}: lists or tables stand more than {_MOST_LEVELS} deep in each other; take them out")
    return TomlFile(folder, data, _lines(text), [])


def _levels(data: object) -> int:
    """Count how deep tables and lists stand in each other."""
    count, level = 0, [data]
    while level:
        count += 1
        level = [
            inner
            for item in level
            for inner in (item.values() if isinstance(item, dict) else item if isinstance(item, list) else ())
        ]
    return count


def reader(hooks: Mapping[Any, Callable[[object, object], object]]) -> Converter:
    """Return what turns tables into dataclasses whose fields are the keys, and notes every wrong key and value.

    Fields may be text, bool, ``Annotated[float, Limits]`` (or int), further dataclasses, dictionaries of them, and the
    types of `hooks`, which read their values and raise ``ValueError(value, remedy)`` or ``ValueError(message)``.
    """
    converter = Converter(forbid_extra_keys=True)
    converter.register_structure_hook(str, _text)
    converter.register_structure_hook(bool, _truth)
    converter.register_structure_hook_func(lambda of: hasattr(of, "__metadata__"), _number)
    converter.register_structure_hook_factory(_is_table, lambda of: _table(of, converter))
    converter.register_structure_hook_func(lambda of: of in hooks, lambda value, of: hooks[of](value, of))
    return converter


def structured(toml: TomlFile, kind: type[T], converter: Converter) -> T:
    """Turn a file into a dataclass of tables, each key with a default; what is wrong is noted and counts as absent."""
    data = deepcopy(toml.data)
    try:
        return converter.structure(data, kind)
    except (ClassValidationError, IterableValidationError) as error:
        for path, what in _leaves(error):
            table = data
            for key in path[:-1]:
                table = table[key]
            value = table.pop(path[-1])
            if isinstance(what, ForbiddenExtraKeysError):
                fault(toml, path, f"no such key; {_meant(path[-1], value, what.cl, kind)}")
            else:
                fault(toml, path, _unfit(path, what))
    return converter.structure(data, kind)


def fault(toml: TomlFile, path: tuple[str, ...], message: str) -> None:
    """Note a fault of the value at a path of keys, with its line where that can be told."""
    table, key = ".".join(path[:-1]), path[-1]
    places = ((table, key), (".".join(path), ""), (".".join(path[:-2]), path[-2] if len(path) > 1 else ""), (table, ""))
    line = next((toml.lines[place] for place in places if place in toml.lines), None)
    shown = head_table(*path[1:-1]) if path[0] == "heads" and len(path) > 2 else f"[{table}]" if table else ""
    toml.faults.append((f"line {line}: " if line else "") + " ".join(filter(None, [shown, key])) + f": {message}")


def found(value: object) -> str:
    """Name a value in a message: what was found in place of what is needed."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'the text "{value}"'
    if isinstance(value, int | float):
        return "a huge number" if abs(value) > 1e300 else f"{value:g}"
    return "a list" if isinstance(value, list) else "a table" if isinstance(value, dict) else "a date"


def existing_path(toml: TomlFile, path: tuple[str, ...], value: str, folder: bool) -> Path:
    """Return a path relative to the session; note a fault where nothing is there."""
    there = toml.folder / os.path.expanduser(value)
    if not (os.path.isdir(there) if folder else os.path.lexists(there)):
        siblings = [item.name for item in there.parent.iterdir()] if os.path.isdir(there.parent) else []
        like = nearest(there.name, siblings)
        remedy = f"did you mean {like}?" if like else "paths start at the session's folder"
        fault(toml, path, f'no {"folder" if folder else "file"} "{value}"; {remedy}')
    return there


# --- values -----------------------------------------------------------------------------------------------------------


def _text(value: object, _: object) -> str:
    if isinstance(value, str):
        return value.strip()
    number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e300
    raise ValueError(value, f'write text in quotes, KEY = "{value if number else "..."}"')


def _truth(value: object, _: object) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError(value, "write KEY = true or leave it out")


def _number(value: object, of: Any) -> float | int:
    kind, limits = get_args(of)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(value, "write a number without quotes")
    if not limits.low <= value <= limits.high:
        raise ValueError(f"{found(value)} is out of range; from {limits.low:g} to {limits.high:g} makes sense")
    if kind is int and value != int(value):
        raise ValueError(value, "write a whole number")
    return int(value) if kind is int else float(value)


def _is_table(of: Any) -> bool:
    return is_dataclass(of) or get_origin(of) is dict


def _table(of: Any, converter: Converter) -> Callable[[object, object], Any]:
    """Return the hook of a table: a dataclass, or a dictionary of tables that are named by the user."""
    named = not is_dataclass(of)
    inner = converter.gen_structure_mapping(of) if named else make_dict_structure_fn(of, converter)

    def structure(value: object, _: object) -> Any:
        if not isinstance(value, dict):
            raise ValueError(value, f"a table is needed, such as [TABLE{'.A' if named else ''}]")
        return inner(value, of)

    return structure


# --- faults -----------------------------------------------------------------------------------------------------------


def _leaves(group: Group, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Exception]]:
    """Yield each single fault of a nested group with the path of keys that leads to it."""
    placed, whole = group.group_exceptions()
    for error, note in placed:
        here = (*path, note.name if isinstance(note, AttributeValidationNote) else str(note.index))
        if isinstance(error, ClassValidationError | IterableValidationError):
            yield from _leaves(error, here)
        else:
            yield here, error
    for error in whole:
        if isinstance(error, ForbiddenExtraKeysError):
            yield from (((*path, key), error) for key in sorted(error.extra_fields))


def _unfit(path: tuple[str, ...], error: Exception) -> str:
    """Say what was found in place of what is needed; TABLE and KEY in a remedy stand for the names of the value."""
    if len(error.args) == 1:
        return str(error)
    value, remedy = error.args
    return f"found {found(value)}; {remedy.replace('TABLE', '.'.join(path)).replace('KEY', path[-1])}"


def _meant(key: str, value: object, table: type, whole: type) -> str:
    """Say which key is meant by one that is not known, or which table it belongs to."""
    known = [field.name for field in fields(table)]
    homes = [home for home, keys in _tables(whole) if home and key in keys]
    if homes and not isinstance(value, dict):
        return f"it belongs under [{homes[0]}]"
    like = nearest(key, known)
    return f"did you mean {like}?" if like else f"known are {', '.join(known)}"


def _tables(kind: Any, name: str = "") -> Iterator[tuple[str, set[str]]]:
    """Yield the name of every table in a dataclass of tables, and its keys; A stands for a name that the user gives."""
    yield name, {field.name for field in fields(kind)}
    for field in fields(kind):
        for of in filter(is_dataclass, (field.type, *get_args(field.type))):
            inner = ".A" if get_origin(field.type) is dict else ""
            yield from _tables(of, f"{name}.{field.name}{inner}".lstrip("."))


# --- text -------------------------------------------------------------------------------------------------------------


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
        remedy = 'correct that line; text stands in "quotes"'
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
