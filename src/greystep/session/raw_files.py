"""The raw files of a session and their order of capture; the folder is only read."""

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from errno import ELOOP
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
        for name in files:
            path = Path(place, name)
            raw = path.suffix.lower().lstrip(".") in RAW_EXTENSIONS and not name.startswith((".", "~"))
            relative = path.relative_to(folder).as_posix()
            if not raw:
                continue
            meant = named is None or relative in named
            try:
                state = path.stat()
            except OSError as error:
                if not isinstance(error, FileNotFoundError) and error.errno != ELOOP:
                    raise _not_read(error) from error
                if meant and path.is_symlink():  # to nothing, or in a loop
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
    keep_out(folder, (folder / name for name in names))
    return names


def stack_folder(settings: Settings) -> Settings:
    """Return the settings of a stack: a folder that holds raw files and no folder of frames is that folder itself."""
    bare = not settings.frames_dir.exists() and settings.frames_dir == settings.path / "frames"
    return replace(settings, frames_dir=settings.path) if bare and list_raw(settings.path) else settings


def natural_key(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Return the key of natural order: numbers inside a name by value, letter case aside, then the name itself."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((0, int(part), "") if part.isdigit() and part.isascii() else (1, 0, part) for part in parts), name


def capture_order(names: Sequence[str], captured: Sequence[str]) -> list[int]:
    """Return the positions of frames in capture order: by clock, then by natural name.

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
    return sorted(by_name, key=lambda place: times[place])
