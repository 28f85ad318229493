"""The folder ``.greystep`` in which a session keeps what was measured: whose it is, and what of it may go.

Only files of the form of an entry are ever deleted, and only in a folder, no link, that holds the tag file.
"""

import hashlib
import os
import re
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Final

from greystep.doors import read_file
from greystep.errors import GreystepError
from greystep.files import check_folder, write_text
from greystep.measure.reading import MEASURE_VERSION
from greystep.session.raw_files import Start

#: By this file other programs know a folder of reproducible files (cache directory tagging, from memory).
_TAG_FILE: Final = "CACHEDIR.TAG"
_TAG: Final = (
    "Signature: 8a477f597d28d172789f06886806bc55\n# What greystep measured in the raw files; safe to delete.\n"
)

#: Names of entries, and of what a killed run left of one.
_PICTURE: Final = re.compile(r"[0-9a-f]{32}\.[0-9a-f]{16}\.(jpegs|rgb|npy)")  # .jpegs alone of this version
_READING: Final = re.compile(r"[0-9a-f]{32}\.json")
_UNFINISHED: Final = re.compile(rf"\.((target-)?{_READING.pattern}|{_PICTURE.pattern}|{_TAG_FILE})\.\w{{8}}\.part")
#: What is unfinished for so long [s] is of no run that still works.
_UNFINISHED_S: Final = 600.0


def open_cache(session: Path, store: Path | None) -> Path | None:
    """Return the folder for entries: in the session, in `store` where that cannot be written, None if neither can.

    None too where a link stands in its place, or a folder that holds something and no tag file: nothing is kept then.

    Raises:
        GreystepError: If the session lies among raw frames and there is no `store`.
    """
    if store is None:
        check_folder(session)
    for place in (session, store):
        if place is None:
            continue
        folder = place / ".greystep"
        with suppress(GreystepError, OSError):
            check_folder(folder)
            if folder.is_symlink():
                return None
            if not _is_ours(folder):
                if folder.exists() and any(folder.iterdir()):
                    return None
                write_text(folder / _TAG_FILE, _TAG)
            if os.access(folder, os.W_OK):
                return folder
    return None


def _is_ours(folder: Path) -> bool:
    """Say whether a folder is no link and holds the tag file as this tool writes it."""
    try:
        return not folder.is_symlink() and read_file(folder / _TAG_FILE) == _TAG.encode()
    except GreystepError:
        return False


def fingerprint(name: str, start: Start | None) -> str:
    """Return what tells one state of a raw file from another: name, size, time of change, start of its bytes.

    Blank where the file cannot be read, without its start.
    """
    if start is None:
        return ""
    parts = f"{name}\0{start.size}\0{start.changed_ns}\0{start.sha256}\0{MEASURE_VERSION}"
    return hashlib.sha256(parts.encode("utf-8", "surrogateescape")).hexdigest()[:32]


def second_mark(mark: str) -> str:
    """Return the fingerprint of a frame's second entry."""
    return hashlib.sha256(f"{mark} again".encode()).hexdigest()[:32] if mark else ""


def forget_others(cache: Path | None, prints: Iterable[str]) -> None:
    """Remove entries of files that are gone or changed, and what a killed run left unfinished."""
    wanted = {mark for first in prints for mark in (first, second_mark(first))}

    def useless(name: str) -> bool:
        if _READING.fullmatch(name) or is_picture(name):
            return name.split(".")[0] not in wanted
        return False

    delete(cache, useless)
    delete(cache, lambda name: bool(_UNFINISHED.fullmatch(name)), _UNFINISHED_S)


def delete(cache: Path | None, useless: Callable[[str], bool], older_s: float = 0.0) -> None:
    """Delete plain files of a cache by their names, of those that were not touched for `older_s` seconds."""
    if cache is None or not _is_ours(cache):
        return
    with suppress(OSError):
        for entry in os.scandir(cache):
            if not useless(entry.name) or not entry.is_file(follow_symlinks=False):
                continue
            if not older_s or time.time() - entry.stat(follow_symlinks=False).st_mtime > older_s:
                os.unlink(entry.path)


def is_picture(name: str) -> bool:
    """Say whether an entry is a small picture, of any version."""
    return bool(_PICTURE.fullmatch(name))


def names_in(cache: Path | None) -> set[str]:
    """Return the names of all entries."""
    with suppress(OSError):
        return set(os.listdir(cache)) if cache is not None else set()
    return set()
