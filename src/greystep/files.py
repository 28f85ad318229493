"""Results are written whole or not at all, each through a temporary file and one rename.

Nothing is written where raw frames lie: `keep_out` makes their folders known, and each write looks before it begins.
"""

import errno
import hashlib
import os
import re
import shutil
import socket
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

import pandas as pd
import tomli_w

from greystep.documents import json_bytes, table_bytes, text_bytes
from greystep.errors import GreystepError

#: Folders of raw frames that this process knows, links resolved. They stay known: a session of this process may be used
#: again, and no later one may write over its frames.
_FRAME_FOLDERS: Final[set[Path]] = set()
#: The same folders, and the frames in them: device and inode -> path.
_FOLDERS: Final[dict[tuple[int, int], str]] = {}
_FRAMES: Final[dict[tuple[int, int], str]] = {}
#: Longer paths than on any system of today, in characters (common practice, no source): Linux takes 4096.
_LONGEST_PATH: Final = 4096
#: A temporary file that was not touched for so long is what a killed run left [s].
_LEFT_OVER_S: Final = 600.0
#: So long a folder of another machine may be in the making on a shared disk [s].
_LEFT_OVER_ELSEWHERE_S: Final = 86400.0
#: What `tempfile` puts into a name.
_RANDOM: Final = "[a-z0-9_]{8}"

#: Called with the bytes and the state of a file just before it takes its place.
BeforeLanding = Callable[[bytes, os.stat_result], None]


def keep_out(folder: Path, frames: Iterable[Path | str] = ()) -> None:
    """Make a folder of raw frames, and the frames, known: from now on `check_target` refuses them."""
    paths = [os.fspath(path) for path in frames]  # thousands
    folders = [os.path.realpath(place) for place in {os.fspath(folder), *map(os.path.dirname, paths)}]
    _FRAME_FOLDERS.update(map(Path, folders))
    for known, places in ((_FOLDERS, folders), (_FRAMES, paths)):
        for path in places:
            with suppress(OSError):
                known[_identity(path)] = path


def check_target(path: Path) -> None:
    """Refuse a file to be written that would lie among raw frames, or is one by another name.

    Raises:
        GreystepError: If its folder, links resolved, is a known folder of raw frames or lies in one, or the file is the
            same file (device and inode) as a known frame; or if links on the way to it lead in a circle.
    """
    if len(str(path)) > _LONGEST_PATH:
        raise GreystepError(f"{path}: {len(str(path))} characters, more than a disk takes; give a shorter path")
    parent = Path(os.path.realpath(path.parent))
    if circle := next((place for place in (parent, *parent.parents) if os.path.islink(place)), None):
        raise GreystepError(f"{path}: cannot be written, for the link {circle} leads in a circle; give another folder")
    for place in (parent, *parent.parents):
        # A folder may be mounted twice or be spelled in two ways, so its identity counts beside its path.
        if folder := place if place in _FRAME_FOLDERS else _known(place, _FOLDERS):
            raise GreystepError(
                f"{path}: lies in the folder of the raw frames ({folder}), and raw frames are never written to; give"
                " another folder with --out"
            )
    if frame := _known(path, _FRAMES):
        raise GreystepError(
            f"{path}: is the raw file {frame} under another name, and raw frames are never written to; give another"
            " folder with --out"
        )


def check_folder(folder: Path) -> None:
    """Refuse a folder in which files are to be written, as `check_target` does each of them."""
    check_target(folder / "any")


def write_bytes(path: Path, data: bytes, before: BeforeLanding | None = None, durable: bool = True) -> None:
    """Write `data` to `path` whole: a reader sees the old file or the new one, never a part.

    Args:
        path: What earlier runs left unfinished of this file is removed.
        data: The whole content.
        before: Called when all is written but not yet in its place.
        durable: It waits for the disk, so that a power cut takes nothing; else a cut may take the file.

    Raises:
        GreystepError: If the folder cannot be written, the disk is full or raw frames lie there; the old file stays as
            it was.
    """
    with put_aside([(path, data)], before, durable) as land:
        land()


@contextmanager
def put_aside(
    files: Sequence[tuple[Path, bytes | None]], before: BeforeLanding | None = None, durable: bool = True
) -> Iterator[Callable[[], None]]:
    """Write files under hidden names beside their places; what is yielded puts them there, in their order.

    Args:
        files: Path and whole content, None for a file that is to be removed; a path may come twice. What earlier runs
            left unfinished of each goes too.
        before: Called with each content when it is written aside.
        durable: As for `write_bytes`.

    Raises:
        GreystepError: As `write_bytes`; what did not come into its place is removed.
    """
    aside: list[tuple[Path, str | None]] = []
    path = Path()

    def land() -> None:
        nonlocal path
        for path, written in aside:
            if written is None:
                path.unlink(missing_ok=True)
            else:
                os.replace(written, path)

    try:
        for path, data in files:
            check_target(path)
            if path.is_dir() and not path.is_symlink():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
            if data is None:
                aside.append((path, None))
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            for old in _left_over(path.parent).pop(path.name, []):
                _remove_old(old)
            handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
            aside.append((path, temporary))
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                if durable:
                    os.fsync(stream.fileno())
            os.chmod(temporary, 0o666 & ~_umask())
            if before is not None:
                before(data, os.stat(temporary))
        yield land
    except OSError as error:
        reason = error.strerror or str(error)
        raise GreystepError(
            f"{path}: cannot be written ({reason}); free the disk or give a folder that can be written with --out"
        ) from error
    finally:
        for _, written in aside:
            if written is not None:
                with suppress(OSError):
                    os.unlink(written)


def remove_parts(folder: Path, names: str, older_s: float | None = None) -> None:
    """Remove what killed runs left unfinished of some files.

    Args:
        folder: What lies in it, and in its sub-folders, is looked at; no link is followed.
        names: Regular expression of their paths below it, with ``/`` between.
        older_s: Only what was not touched for so long [s]; by default long enough for any run that may still work.
    """
    with suppress(OSError):
        inner = [path for path in folder.iterdir() if path.is_dir() and not path.is_symlink()]
        for place in (folder, *(path for path in inner if not path.name.startswith("."))):
            start = "" if place == folder else f"{place.name}/"
            for name, parts in _unfinished(place).items():
                if re.fullmatch(names, start + name):
                    for part in parts:
                        _remove_old(part, _LEFT_OVER_S if older_s is None else older_s)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file; an OSError where it cannot be read."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def refuse_to_overwrite(folder: Path) -> None:
    """Raise a ``GreystepError`` if a folder exists and holds anything but what a killed run left in it."""
    if folder.exists() and (not folder.is_dir() or any(not _is_dead(path, folder) for path in folder.iterdir())):
        raise GreystepError(f"{folder}: is there already and not empty; give a new folder, nothing was written")


@contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Make a folder whole or not at all: it is filled under a hidden name, which is yielded, and renamed at the end.

    A folder that is there and empty is kept, and takes what was made. What killed runs left is removed.

    Raises:
        GreystepError: If the folder holds anything or cannot be made; then nothing of it is left.
    """
    refuse_to_overwrite(folder)
    target = Path(os.path.realpath(folder))
    check_folder(target)
    home = target if target.is_dir() else target.parent
    place: Path | None = None
    try:
        home.mkdir(parents=True, exist_ok=True)
        for old in home.iterdir():
            if _is_dead(old, target):
                shutil.rmtree(old, ignore_errors=True)
        reserved = tempfile.mkdtemp(dir=home, prefix=f".{target.name}.{_host()}-{os.getpid()}-", suffix=".part")
        place = Path(reserved)
        os.chmod(place, 0o777 & ~_umask())
        yield place
        if home != target:
            place.rename(target)
        else:
            for made in sorted(place.iterdir()):
                made.rename(target / made.name)
    except OSError as error:
        reason = error.strerror or str(error)
        raise GreystepError(f"{folder}: cannot be made ({reason}); give a new folder that can be written") from error
    finally:
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)


def write_text(path: Path, text: str) -> None:
    """Write text whole, see `greystep.documents.text_bytes`."""
    write_bytes(path, text_bytes(path.name, text))


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV, whole, see `greystep.documents.table_bytes`."""
    write_bytes(path, table_bytes(table))


def write_toml(path: Path, content: Mapping[str, Any]) -> None:
    """Write tables of text, numbers, truth values and lists as TOML, whole."""
    write_text(path, tomli_w.dumps(content))


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write JSON whole, see `greystep.documents.json_bytes`."""
    write_bytes(path, json_bytes(content))


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _identity(path: Path | str) -> tuple[int, int]:
    state = os.stat(path)
    return state.st_dev, state.st_ino


def _known(path: Path, among: Mapping[tuple[int, int], str]) -> str | None:
    """Return what is known under the identity of a path, if it has that identity still."""
    with suppress(OSError):
        known = among.get(own := _identity(path))
        return known if known is not None and _identity(known) == own else None
    return None


@cache
def _left_over(folder: Path) -> dict[str, list[Path]]:
    """Return the temporary files of killed runs in a folder, by the file that each was to become; one look a process.

    A file that this tool does not write itself is never asked for, so what stands under its name stays.
    """
    return _unfinished(folder)


def _unfinished(folder: Path) -> dict[str, list[Path]]:
    """Return the temporary files in a folder, by the file that each was to become."""
    found: dict[str, list[Path]] = {}
    with suppress(OSError):
        for path in folder.iterdir():
            if form := re.fullmatch(rf"\.(.+)\.{_RANDOM}\.part", path.name):
                found.setdefault(form[1], []).append(path)
    return found


def _remove_old(path: Path, older_s: float = _LEFT_OVER_S) -> None:
    with suppress(OSError):
        if older_s and time.time() - path.lstat().st_mtime < older_s:
            return  # another process may be at it
        if path.is_symlink():
            return  # none that this tool made
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()


def _is_dead(path: Path, folder: Path) -> bool:
    """Say whether `path` is what a killed `new_folder` left of `folder`."""
    name = Path(os.path.realpath(folder)).name
    form = re.fullmatch(rf"\.{re.escape(name)}\.(\w*)-(\d+)-{_RANDOM}\.part", path.name)
    if form is None or path.is_symlink() or not path.is_dir():
        return False
    if form[1] == _host() and os.name == "posix":
        try:
            os.kill(int(form[2]), 0)
        except ProcessLookupError:
            return True
        except OSError:
            pass
    with suppress(OSError):
        return time.time() - path.stat().st_mtime > _LEFT_OVER_ELSEWHERE_S
    return False


def _host() -> str:
    return re.sub(r"\W", "_", socket.gethostname())
