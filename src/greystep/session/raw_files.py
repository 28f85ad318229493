"""The raw files of a session and their order of capture; the folder is only read."""

import hashlib
import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from errno import ELOOP
from itertools import pairwise
from pathlib import Path
from stat import S_ISREG
from typing import Final

from greystep.errors import GreystepError
from greystep.files import keep_out
from greystep.session.settings import Settings

#: Extensions under which cameras write raw stills (common practice, no source); TIFF and JPEG are previews here.
RAW_EXTENSIONS: Final = frozenset(
    {
        "3fr", "ari", "arw", "bay", "cap", "cr2", "cr3", "crw", "dcr", "dcs", "dng", "drf", "erf", "fff", "gpr",
        "iiq", "k25", "kdc", "mdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "ptx", "pxn", "raf",
        "raw", "rw2", "rwl", "rwz", "sr2", "srf", "srw", "x3f",
    }
)  # fmt: skip

#: What is read of a raw file to know it again.
START_BYTES: Final = 65536


def list_raw(folder: Path, skip: Path | None = None, named: Collection[str] | None = ()) -> list[str]:
    """List the raw files at and below a folder as relative posix names in natural order; only the folder is read.

    Other files (previews of raw+JPEG pairs, sidecars, unfinished downloads), hidden ones, everything below `skip`,
    and empty files (still to be written) and links to nothing that the log does not name in `named`, are left out; so
    is a file that vanishes meanwhile.

    Args:
        named: None where the names are the log: each of them counts.

    Raises:
        GreystepError: If a folder cannot be read: frames would be missing without a word.
    """
    names = []
    visited = set()
    for place, folders, files in os.walk(folder, followlinks=True, onerror=_stop):
        identity = os.path.realpath(place)
        if identity in visited or (skip is not None and identity == os.path.realpath(skip)):
            folders.clear()  # a link back into the tree, or this tool's own results
            continue
        visited.add(identity)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        inside = Path(place).relative_to(folder).as_posix()
        for name in files:
            if name.startswith((".", "~")) or os.path.splitext(name)[1][1:].lower() not in RAW_EXTENSIONS:
                continue
            path, relative = os.path.join(place, name), name if inside == "." else f"{inside}/{name}"
            meant = named is None or relative in named
            try:
                state = os.stat(path)
            except OSError as error:
                if not isinstance(error, FileNotFoundError) and error.errno != ELOOP:
                    raise _not_read(error) from error
                if meant and os.path.islink(path):  # to nothing, or in a loop
                    names.append(relative)
                continue
            if S_ISREG(state.st_mode) and (state.st_size > 0 or meant):
                names.append(relative)
    return sorted(names, key=natural_key)


def _not_read(error: OSError) -> GreystepError:
    return GreystepError(
        f"{error.filename}: cannot be read ({error.strerror}), and its frames would be missing; check its permissions"
    )


def _stop(error: OSError) -> None:
    """Stop a walk at a folder that cannot be read; one that has vanished since it was listed is not there."""
    if not isinstance(error, FileNotFoundError):
        raise _not_read(error) from error


def frame_files(settings: Settings, named: Collection[str] | None = ()) -> list[str]:
    """List the raw files of a session, see `list_raw`; an empty file that the log names is a frame that failed.

    From now on this process writes nothing where they lie.

    Raises:
        GreystepError: If there is no folder of frames or nothing in it to read.
    """
    folder = settings.frames_dir
    if not folder.is_dir():
        raise GreystepError(
            f'{folder}: no such folder; put the raw files there, or write frames = "PATH" in session.toml'
        )
    if not os.access(folder, os.R_OK | os.X_OK):
        raise GreystepError(f"{folder}: cannot be read (Permission denied); check its permissions")
    names = list_raw(folder, settings.path / "report", None if named is None else set(named))
    if not names:
        others = {Path(name).suffix.lower() for _, _, files in os.walk(folder) for name in files}
        seen = ", ".join(sorted(others - {""}))
        raise GreystepError(
            f"{folder}: no raw frames in it{f' (only {seen})' if seen else ''}; put the camera's raw files there"
        )
    keep_out(folder, (os.path.join(folder, name) for name in names))
    return names


def stack_folder(settings: Settings) -> Settings:
    """Return the settings of a stack: a folder that holds raw files and no folder of frames is that folder itself."""
    bare = not settings.frames_dir.exists() and settings.frames_dir == settings.path / "frames"
    return replace(settings, frames_dir=settings.path) if bare and list_raw(settings.path) else settings


def natural_key(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Return the key of natural order: numbers inside a name by value, letter case aside, then the name itself."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((0, int(part), "") if part.isdigit() and part.isascii() else (1, 0, part) for part in parts), name


#: A camera's clock was set back where it falls by so much [s] from one file number to the next; and at most so often.
SET_BACK_S: Final = 60.0
_MOST_SET_BACK: Final = 2
#: File numbers follow each other where they rise by no more than this: a few frames were deleted.
_FOLLOWS: Final = 5


def capture_order(names: Sequence[str], captured: Sequence[str]) -> list[int]:
    """Return the positions of frames in capture order: by clock, then by natural name.

    Where the clock was set back in mid-shoot, the camera's own file numbers tell: they go on without a gap.

    Args:
        names, captured: Sequences of str. File names, and ISO 8601 times (blank if unknown). A frame of unknown time
            follows the frame that comes before it by name.
    """
    by_name = sorted(range(len(names)), key=lambda place: natural_key(names[place]))
    times = {}
    last = next((captured[place] for place in by_name if captured[place]), "")
    for place in by_name:
        last = captured[place] or last
        times[place] = last
    if _set_back([names[place] for place in by_name], [times[place] for place in by_name]):
        return by_name
    return sorted(by_name, key=lambda place: times[place])


def falls(before: str, time: str) -> bool:
    """Say whether a clock was set back between two frames; not where a time is unknown."""
    try:
        return (datetime.fromisoformat(time) - datetime.fromisoformat(before)).total_seconds() <= -SET_BACK_S
    except (ValueError, TypeError):
        return False


def _set_back(names: Sequence[str], times: Sequence[str]) -> bool:
    """Say whether a clock was set back: file numbers of one camera go on, and but for one or two steps so do times."""
    found = [re.fullmatch(r"(.*?)(\d+)(\.[^.]*)", name) for name in names]
    if len({(one[1], one[3]) if one else None for one in found}) != 1 or None in found:
        return False
    try:
        clock = [datetime.fromisoformat(time) for time in times]
        back = [(b - a).total_seconds() <= -SET_BACK_S for a, b in pairwise(clock)]
        falls = any(
            (b - a).total_seconds() < 0 and not there for (a, b), there in zip(pairwise(clock), back, strict=True)
        )
    except (ValueError, TypeError):  # no time, or some with and some without a zone
        return False
    numbers = [int(one[2]) for one in found if one]
    gone_on = all(b - a <= _FOLLOWS for (a, b), there in zip(pairwise(numbers), back, strict=True) if there)
    return 0 < sum(back) <= _MOST_SET_BACK and sum(back) < len(names) - 1 - sum(back) and gone_on and not falls


@dataclass(frozen=True)
class Start:
    """What a raw file is known again by.

    Attributes:
        sha256: Of its first `START_BYTES`, in hexadecimal digits.
        size: Bytes.
        changed_ns: Time of its last change [ns].
    """

    sha256: str
    size: int
    changed_ns: int


def start_of(path: Path | str) -> Start | None:
    """Return what a raw file is known again by; None where it is not there or cannot be read."""
    try:
        with open(path, "rb") as file:
            start, state = file.read(START_BYTES), os.fstat(file.fileno())
    except (OSError, ValueError):
        return None
    return Start(hashlib.sha256(start).hexdigest(), state.st_size, state.st_mtime_ns)
