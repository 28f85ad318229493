"""One generation of results: files that one run writes together, so that parts of two runs never pass for one.

All are written aside and then renamed in one go; ``NAME.run.json`` beside them has the run, which follows from what
they say, and the SHA-256 of each. A killed run leaves files that differ from it, and `of_two_runs` names them.
"""

import hashlib
import json
import os
import re
import socket
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from greystep.documents import document_of, json_bytes
from greystep.doors import read_file
from greystep.errors import GreystepError
from greystep.files import check_target, put_aside, remove_parts, sha256_of

#: Sets of files that are written together, and the names of the files of each, for what killed runs left of them.
SETS: Final = {
    "report": r"(powers|heads|pairs|attribution)\.csv|summary\.json|report\.(html|run\.json)|figures/.+\.(csv|svg)",
    "corrections": r"corrections\.(csv|json|ccc|html|run\.json)|clf/.+\.clf",
    "check": r"check\.(csv|svg|run\.json)",
    "audit": r"audit\.(json|html|run\.json)",
    "choose": r"choose\.(json|html|run\.json)",
    "history": r"history\.(csv|html|run\.json)",
    "rendered": r"rendered\.json|sum\.(tif|exr)|tiff/.+\.tif|exr/.+\.exr|dng/.+_c\.dng",
}
#: A run that writes tables is over soon; the next waits so long for it [s].
_WAIT_S: Final = 10.0
_TRY_S: Final = 0.1
#: Windows keeps others from the bytes that are locked: so one far behind the text.
_LOCKED_BYTE: Final = 1 << 30


def run_of(parts: Mapping[str, bytes]) -> str:
    """Return the name of a run, 16 hexadecimal digits: the same results have the same."""
    listed = "".join(f"{name}\0{sha256(data)}\n" for name, data in sorted(parts.items()))
    return sha256(listed.encode("utf-8", "surrogateescape"))[:16]


def write_set(
    folder: Path,
    name: str,
    run: str,
    files: Mapping[str, bytes],
    meanwhile: Mapping[str, bytes] | None = None,
    gone: Sequence[str] = (),
) -> None:
    """Write a set of files: all aside, then all into their places.

    Args:
        folder: Names are paths below it, with ``/`` between.
        name: Of `SETS`.
        run: From `run_of`.
        files: Whole contents.
        meanwhile: What stands in a file's place until all the others are there.
        gone: Files of earlier runs that this one does not have. What the manifest of an earlier run lists, and this one
            has not, goes too where it is as it was left.

    Raises:
        GreystepError: If another process is at it, a file cannot be written or raw frames lie there; where that is
            found before the first rename, all is as it was.
    """
    manifest = f"{name}.run.json"
    digests = {path: sha256(data) for path, data in files.items()}
    said = document_of({"run": run, "files": digests})
    with alone(folder, name, _WAIT_S):
        listed = _manifest(folder / manifest)
        stale = {path for path, digest in listed.items() if path not in files and _as_left(folder / path, digest)}
        changing = json_bytes(said | {"unfinished": True})
        steps: list[tuple[str, bytes | None]] = [(manifest, changing), *(meanwhile or {}).items()]
        steps += [(path, None) for path in sorted({*gone, *stale})]
        steps += [*files.items(), (manifest, json_bytes(said))]
        with put_aside([(folder / path, data) for path, data in steps]) as land:
            land()


def write_run(folder: Path, name: str, files: Mapping[str, bytes]) -> list[Path]:
    """Write a set of files whose run follows from all of them, see `write_set`; return where they are."""
    write_set(folder, name, run_of(files), files)
    return [folder / path for path in files]


def of_two_runs(folder: Path) -> list[tuple[str, tuple[str, ...]]]:
    """Return what of a folder is not of one run: each manifest, and the files that are not as its run left them."""
    found = []
    for name in SETS:
        listed = _manifest(folder / f"{name}.run.json")
        other = tuple(path for path, digest in listed.items() if not _as_left(folder / path, digest))
        if other:
            found.append((f"{name}.run.json", other))
    return found


@contextmanager
def alone(folder: Path, name: str, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a set of files of a folder for this process, and remove what killed runs left unfinished of it.

    The lock is the operating system's: it ends with its process, however that ends.

    Args:
        folder: Made if it is not there.
        name: Of `SETS`.
        wait_s: How long to wait for another process [s].

    Raises:
        GreystepError: If another process holds it for longer, or raw frames lie there.
    """
    path = folder / f".{name}.lock"
    check_target(path)
    handle, made = None, not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = _locked(path, time.monotonic() + wait_s)
    except BlockingIOError:
        raise GreystepError(
            f"{folder}: {_holder(path)} writes there now; wait for it, or give another folder with --out"
        ) from None
    except OSError:
        pass  # a disk without locks, or one that cannot be written, which the first file will tell
    try:
        remove_parts(folder, SETS[name], None if handle is None else 0.0)
        yield
    finally:
        if handle is not None:
            try:
                with suppress(OSError):
                    os.unlink(path)
                    if made:
                        folder.rmdir()  # where nothing came into it
            finally:
                os.close(handle)


def _locked(path: Path, until: float) -> int:
    """Return the handle of a lock file that this process holds.

    Raises:
        BlockingIOError: If another process holds it.
    """
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
        try:
            _lock(handle)
            there = os.stat(path)  # its last holder may have removed it meanwhile
            if os.path.samestat(there, os.fstat(handle)):
                began = time.strftime("%Y-%m-%dT%H:%M:%S")
                os.ftruncate(handle, 0)
                os.write(handle, f"{os.getpid()} {began} {socket.gethostname()}\n".encode())
                return handle
        except (BlockingIOError, FileNotFoundError) as error:
            if isinstance(error, BlockingIOError) and time.monotonic() >= until:
                os.close(handle)
                raise
            time.sleep(_TRY_S)
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError from error
        os.lseek(handle, 0, os.SEEK_SET)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _holder(path: Path) -> str:
    """Say which process holds a lock, as far as its file tells."""
    with suppress(OSError, ValueError):
        pid, began, host = path.read_text(encoding="utf-8").split()
        away = "" if host == socket.gethostname() else f" of {host}"
        return f"process {int(pid)}{away}, begun {began.replace('T', ' ')},"
    return "another process"


def _manifest(path: Path) -> dict[str, str]:
    """Return the files that a manifest lists, with their SHA-256; nothing where it is missing or broken."""
    try:
        listed = json.loads(read_file(path))["files"]
        return {name: str(digest) for name, digest in listed.items() if _is_below(name)}
    except (GreystepError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _is_below(name: str) -> bool:
    return any(re.fullmatch(form, name) for form in SETS.values()) and ".." not in name.split("/")


def _as_left(path: Path, digest: str) -> bool:
    try:
        return path.is_file() and sha256_of(path) == digest
    except OSError:
        return False


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes as hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()
