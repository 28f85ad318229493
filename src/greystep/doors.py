"""The two doors for what a person gives: here a named file is opened and a typed number is read.

A file is a plain one, of a sensible size, and comes in time; a number is finite and in a range that makes sense.
"""

import json
import math
import os
import stat
import threading
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from greystep.errors import GreystepError

#: No table and no text that a person writes for this tool is larger [bytes]: the log of 100 000 frames is 5 MB.
MOST_BYTES: Final = 1 << 24
#: A file that has not come after so long lies behind a connection that is dead [s].
MOST_SECONDS: Final = 20.0
#: Limits of judgement from where to where they make sense; the widest catch a number given in another unit.
LIMITS: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "mired": (0.01, 500.0),
        "duv": (1e-5, 0.05),
        "steps": (0.01, 500.0),
        "kelvin": (1.0, 10000.0),
        "output_stops": (0.001, 5.0),
    }
)
#: Energy of a head at full [J].
ENERGY_J: Final = (1.0, 100000.0)
#: What the dial of a pack shows at full.
DIAL: Final = (1.0, 14.0)
#: From flash to flash [s].
RECYCLE_S: Final = (0.01, 120.0)
#: No test is looked at more often than that: no light is shot more often to settle a doubt.
MOST_LOOKS: Final = 20
#: A whole number of more digits is read as a float, which knows how to be infinite.
_MOST_DIGITS: Final = 18
_KINDS: Final = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def read_file(path: Path | str, most_bytes: int = MOST_BYTES, timed: bool = True) -> bytes:
    """Read a plain file whole.

    Args:
        timed: It must come in time; not asked of files of this tool, of which there are thousands.

    Raises:
        GreystepError: If it is no plain file, is larger than `most_bytes`, cannot be read, or does not come in time.
    """
    came: list[bytes | Exception] = []

    def read() -> None:
        try:
            check_file(path, most_bytes)
            with open(path, "rb", buffering=0) as stream:
                size = min(os.fstat(stream.fileno()).st_size, most_bytes)
                data = stream.read(size + 1)  # room for the most would be made for each small file
                while len(data) != size and len(data) <= most_bytes and (more := stream.read(1 << 16)):
                    data += more
            came.append(data)
        except (OSError, ValueError, GreystepError) as error:
            came.append(error)

    if timed:
        # A read from a dead connection cannot be broken off; its thread is left behind, and does not hold up the end.
        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        reader.join(MOST_SECONDS)
    else:
        read()
    if not came:
        raise GreystepError(f"{path}: did not come within {MOST_SECONDS:g} s; copy it to a disk of this computer")
    if isinstance(came[0], bytes):
        return came[0] if len(came[0]) <= most_bytes else _too_large(path, len(came[0]), most_bytes)
    if isinstance(came[0], GreystepError):
        raise came[0]
    reason = getattr(came[0], "strerror", None) or came[0]
    raise GreystepError(f"{path}: cannot be read ({reason}); check its name and permissions") from came[0]


def check_file(path: Path | str, most_bytes: float = math.inf) -> None:
    """Refuse what is there and is no plain file, before anything opens it.

    Raises:
        GreystepError: If it is a folder, a pipe or a device, or larger than `most_bytes`.
        OSError: If there is no such file, or it cannot be looked at.
    """
    state = os.stat(path)
    if not stat.S_ISREG(state.st_mode):
        kind = next((name for is_one, name in _KINDS if is_one(state.st_mode)), "something else")
        raise GreystepError(f"{path}: is {kind}, not a plain file; give the file itself")
    if state.st_size > most_bytes:
        _too_large(path, state.st_size, most_bytes)


def name_of(folder: Path) -> str:
    """Return the name of a folder, links resolved; links that lead in a circle stand for themselves."""
    return os.path.basename(os.path.realpath(folder))


def read_json(path: Path) -> Any:
    """Read a JSON file, see `read_file`; a whole number too long for a machine is a float.

    Raises:
        GreystepError: If it cannot be read, or is no JSON.
    """
    data = read_file(path)
    try:
        return json.loads(data.decode("utf-8-sig"), parse_int=_whole)
    except RecursionError as error:
        raise GreystepError(f"{path}: no JSON that can be read: brackets too deep in each other") from error
    except ValueError as error:
        raise GreystepError(f"{path}: no JSON: {error}") from error


def read_number(text: str, name: str, limits: tuple[float, float], needs: str) -> float:
    """Read a number as people type it, with a point or a comma.

    Args:
        text, name: The cell or option, and what it is called.
        limits: (float, float). Both are allowed.
        needs: What to write, such as ``a number above 0``.

    Raises:
        GreystepError: If it is no finite number within the limits.
    """
    try:
        value = float(text.strip().replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        value = math.nan
    if math.isfinite(value) and limits[0] <= value <= limits[1]:
        return value
    said = "is blank" if not text.strip() else f'"{text}": {"not understood" if math.isnan(value) else "out of range"}'
    raise GreystepError(f"{name} {said}; write {needs}".lstrip())


def check_limit(value: float | None, quantity: str) -> float | None:
    """Return a limit of judgement as it is; None is no limit.

    Raises:
        GreystepError: If it lies outside `LIMITS`.
    """
    low, high = LIMITS[quantity]
    if value is None or low <= value <= high:
        return value
    raise GreystepError(f"{quantity} {value:g}: out of range; give a limit from {low:g} to {high:g}")


def _whole(digits: str) -> float:
    return int(digits) if len(digits) <= _MOST_DIGITS else float(digits)


def _too_large(path: Path | str, size: float, most_bytes: float) -> bytes:
    raise GreystepError(
        f"{path}: {size / 1e6:.0f} MB or more, and no such file has more than {most_bytes / 1e6:.0f} MB; check that it "
        "is the right one"
    )
