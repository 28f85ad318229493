"""What was rendered, with which settings, beside the files: a file of ours is one that this record knows."""

import hashlib
import json
import os
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from stat import S_ISREG
from threading import Lock
from typing import Final

from greystep.documents import document_of
from greystep.doors import read_file
from greystep.errors import FrameError, GreystepError
from greystep.files import BeforeLanding, sha256_of, write_json

#: The record's file, in the folder of the results.
RECORD: Final = "rendered.json"
#: Two workers share one record.
_RECORDING: Final = Lock()


@dataclass(frozen=True)
class Finished:
    """A file as a run left it: its frame, the mark of its `Job`, size [bytes], time of change, checksum and run."""

    frame: str
    mark: str
    size: int
    mtime_ns: int
    sha256: str = ""
    run: str = ""


class NotOursError(FrameError):
    """A file was changed while its successor was made, and stays."""


def is_ours(target: Path, folder: Path, record: Mapping[str, Finished]) -> bool:
    """Say whether a file may be replaced: it is not there, or is as the record says that it was left."""
    if not os.path.lexists(target):
        return True
    entry = record.get(below(target, folder))
    try:
        return entry is not None and _is_as_left(target, entry)
    except OSError:
        return False


def read_record(folder: Path) -> dict[str, Finished]:
    """Return what earlier runs rendered below a folder, by file; nothing where the record is missing or broken.

    A run that was killed has said of some files what they were to become: those that became it are its work.
    """
    before, coming = _both(folder)
    for name, entry in coming.items():
        with suppress(OSError):
            if _is_as_left(folder / name, entry):
                before[name] = entry
    return before


def _both(folder: Path) -> tuple[dict[str, Finished], dict[str, Finished]]:
    """Return the entries of the record, and those of files that were about to take their places."""
    try:
        content = json.loads(read_file(folder / RECORD))  # times of 19 digits stay whole
        found, coming = (
            {name: Finished(**entry) for name, entry in content.get(part, {}).items()} for part in ("files", "coming")
        )
    except (GreystepError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}, {}
    return found, coming


def _is_as_left(path: Path, entry: Finished) -> bool:
    """Compare a file with what the record says: by size and time, and by its content where only the time differs."""
    state = path.stat()
    if not S_ISREG(state.st_mode) or path.is_symlink() or state.st_size != entry.size:
        return False
    return state.st_mtime_ns == entry.mtime_ns or (bool(entry.sha256) and sha256_of(path) == entry.sha256)


def announced(target: Path, folder: Path, frame: str, mark: str, run: str, force: bool = False) -> BeforeLanding:
    """Return what enters a file in the record just before it takes its place: a killed run leaves no foreign file.

    It raises `NotOursError` where the file that is there is not as it was left, unless `force`.
    """
    name = below(target, folder)

    def enter(data: bytes, state: os.stat_result) -> None:
        entry = Finished(frame, mark, state.st_size, state.st_mtime_ns, hashlib.sha256(data).hexdigest(), run)
        with _RECORDING:
            found, coming = _both(folder)
            with suppress(OSError, KeyError):
                if _is_as_left(target, coming[name]):
                    found[name] = coming[name]
            if not force and not is_ours(target, folder, found):
                raise NotOursError(f"{target}: was changed while greystep render worked, so it was kept")
            _write_record(folder, found, coming | {name: entry})

    return enter


def carry_over(folder: Path, kept: Collection[Path], run: str) -> None:
    """Enter files that stay as they are as files of this run too."""
    with _RECORDING:
        found, coming = _both(folder)
        names = {below(path, folder) for path in kept}
        now = {name: replace(entry, run=run) for name, entry in read_record(folder).items() if name in names}
        if any(found.get(name) != entry for name, entry in now.items()):
            _write_record(folder, found | now, {name: entry for name, entry in coming.items() if name not in now})


def files_of_two_runs(folder: Path) -> list[str]:
    """Return the files of each kind of a folder that are not of the run to which most of that kind belong.

    A file that is gone or was changed by somebody is of no run.
    """
    kinds: dict[str, dict[str, list[str]]] = {}
    for name, entry in read_record(folder).items():
        kind, inside, _ = name.partition("/")
        with suppress(OSError):
            if inside and _is_as_left(folder / name, entry):
                kinds.setdefault(kind, {}).setdefault(entry.run, []).append(name)
    return [name for runs in kinds.values() for names in sorted(runs.values(), key=len)[:-1] for name in names]


def settle(folder: Path) -> None:
    """Write the record of a run that has ended; what was announced and has not come may be another run's."""
    with _RECORDING:
        coming = _both(folder)[1]
        if coming:
            found = read_record(folder)
            _write_record(folder, found, {name: entry for name, entry in coming.items() if found.get(name) != entry})


def below(path: Path, folder: Path) -> str:
    """Return the path of a file below a folder, with ``/`` between."""
    return path.relative_to(folder).as_posix()


def _write_record(folder: Path, files: Mapping[str, Finished], coming: Mapping[str, Finished]) -> None:
    parts = {"files": files, "coming": coming}
    said = {part: {name: asdict(entry) for name, entry in of.items()} for part, of in parts.items()}
    write_json(folder / RECORD, document_of(said))
