"""What was measured in raw files, kept between runs in ``.greystep``; an entry that cannot be read is measured again.

One file an entry, written whole and with a checksum: a run that is killed keeps what it has measured. Kept are raw
patch statistics, where the target was found, and thumbnails; everything that follows from them is reckoned anew in each
run. A reading whose remedy is to copy the file again is not kept: the copy may have the size and time of the old file.

Only files of the form of an entry are ever deleted, and only in a folder, no link, that holds the tag file.
"""

import hashlib
import json
import os
import re
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.doors import read_file
from greystep.errors import FrameError, GreystepError
from greystep.files import check_folder, write_bytes, write_text
from greystep.flags import Flag, ordered
from greystep.measure.clear_target import clear_target_of
from greystep.measure.reading import MEASURE_VERSION, Reading, exposure_of, measure_frame
from greystep.measure.target import Target, find_again
from greystep.raw.exposure import Exposure
from greystep.raw.preview import look_of, overview_of
from greystep.session.entries import as_json, from_json
from greystep.session.workers import Crew

Thumbnail = NDArray[np.uint8]

#: Part of a file that goes into its fingerprint.
_CHECKED_BYTES: Final = 65536
#: By this file other programs know a folder of reproducible files (cache directory tagging, from memory).
_TAG_FILE: Final = "CACHEDIR.TAG"
_TAG: Final = (
    "Signature: 8a477f597d28d172789f06886806bc55\n# What greystep measured in the raw files; safe to delete.\n"
)

#: Names of entries, and of what a killed run left of one.
_PICTURE: Final = re.compile(r"[0-9a-f]{32}\.[0-9a-f]{16}\.(rgb|npy)")  # .npy: of versions before
_READING: Final = re.compile(r"[0-9a-f]{32}\.json")
_ENTRY: Final = re.compile(rb'\{"sha256": "([0-9a-f]{64})", "entry": (.*)\}', re.DOTALL)
_UNFINISHED: Final = re.compile(rf"\.((target-)?{_READING.pattern}|{_PICTURE.pattern}|{_TAG_FILE})\.\w{{8}}\.part")
#: What is unfinished for so long [s] is of no run that still works.
_UNFINISHED_S: Final = 600.0
#: Bytes of a checksum behind a picture.
_CHECKSUM_BYTES: Final = 32
#: Flags of a file that is to be copied again.
_NOT_KEPT: Final = frozenset({Flag.UNREADABLE, Flag.DAMAGED})


@dataclass(frozen=True)
class _Kept:
    """One entry: where the target was found or given, and what was measured there.

    Attributes:
        seen: The one frame that the target was found in; blank where it was found in all that were looked at.
    """

    target: Target | None
    reading: Reading | None = None
    seen: str = ""


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


def fingerprint(folder: Path, name: str) -> str:
    """Return what tells one state of a raw file from another: name, size, time of change, start of its bytes.

    Blank where the file cannot be read.
    """
    try:
        with (folder / name).open("rb") as file:
            start = file.read(_CHECKED_BYTES)
            state = os.fstat(file.fileno())
    except OSError:
        return ""
    parts = f"{name}\0{state.st_size}\0{state.st_mtime_ns}\0{hashlib.sha256(start).hexdigest()}\0{MEASURE_VERSION}"
    return hashlib.sha256(parts.encode("utf-8", "surrogateescape")).hexdigest()[:32]


def recall(cache: Path | None, prints: Mapping[str, str]) -> dict[str, tuple[Target | None, Reading]]:
    """Return what is kept of files: by name, the target that was measured and the reading."""
    known = {}
    for name, mark in prints.items():
        content = _load_json(cache, mark)
        with suppress(KeyError, TypeError, ValueError, AttributeError):
            if content is not None and content["fingerprint"] == mark:
                kept = from_json(content, _Kept)
                if kept.reading is not None:
                    known[name] = kept.target, kept.reading
    return known


def exposures(
    folder: Path, names: Sequence[str], known: Mapping[str, tuple[Target | None, Reading]], crew: Crew
) -> dict[str, Exposure]:
    """Return the exposure data of files, from what is kept or from the files; blank where a file does not tell."""
    new = [name for name in names if name not in known]
    found = dict(zip(new, crew.each(exposure_of, [(folder / name,) for name in new]), strict=True))
    read = {name: Exposure() if isinstance(one, FrameError) else one for name, one in found.items()}
    return {name: read[name] if name in read else known[name][1].exposure for name in names}


def measure(
    folder: Path,
    targets: Mapping[str, Target | None],
    known: Mapping[str, tuple[Target | None, Reading]],
    cache: Path | None,
    prints: Mapping[str, str],
    crew: Crew,
    recorded: Mapping[str, Exposure] | None = None,
    progress: Callable[[int, int], None] | None = None,
    whole: bool = False,
) -> dict[str, Reading]:
    """Measure each file at its target; what is known at that target is taken as it is.

    Args:
        folder: Of the frames.
        targets: Target by file name; the files to measure.
        known: From `recall`.
        cache: Where new readings are kept; a full disk or a folder that cannot be written costs only the next run's
            time.
        prints: Fingerprint by file name.
        crew: Those who measure.
        recorded: By file name: exposure data that has been read, for files whose decoder crashes or hangs too.
        progress: Called with (done, total) files.
        whole: All that lies about the target is asked for.
    """
    readings = {
        name: known[name][1]
        for name, target in targets.items()
        if name in known and _same(known[name][0], target) and not (whole and known[name][1].sparse)
    }
    todo = [name for name in targets if name not in readings]
    if progress is not None:
        progress(len(readings), len(targets))
    told = {name: exposure for name, exposure in (recorded or {}).items() if exposure != Exposure()}
    results = crew.each(measure_frame, [(folder / name, targets[name], whole, told.get(name)) for name in todo])
    for name, result in zip(todo, results, strict=True):
        if isinstance(result, FrameError):
            exposure = (recorded or {}).get(name, Exposure())
            result = Reading(exposure, flags=ordered([result.flag]), message=str(result))
        readings[name] = _named(result, name)
        if not is_to_copy(result):
            _keep_json(cache, prints[name], _Kept(targets[name], readings[name]))
        if progress is not None:
            progress(len(readings), len(targets))
    return {name: readings[name] for name in targets}


def find_once(
    folder: Path,
    names: Sequence[str],
    find: Callable[[Sequence[NDArray[Any]]], Target | None],
    cache: Path | None,
    prints: Mapping[str, str],
    crew: Crew,
    at_once: bool = False,
) -> tuple[Target | None, str]:
    """Find the target in the overviews of some frames, or recall where it was found in the same ones.

    Args:
        at_once: Of large frames one is enough that shows it clearly; what it says is to be checked in the others.

    Returns: The target, and the one frame that it was found in; that is blank where all were looked at.
    """
    mark = _target_mark(names, prints)
    content = _load_json(cache, mark)
    with suppress(KeyError, TypeError, ValueError, AttributeError):
        if content is not None and content["fingerprint"] == mark and (at_once or not content["seen"]):
            kept = from_json(content, _Kept)
            return kept.target, kept.seen
    for name in (names[0], names[len(names) // 2]) if at_once else ():
        (found,) = crew.each(clear_target_of, [(folder / name,)])
        if isinstance(found, FrameError):
            continue
        clear, large = found
        if clear is not None:
            _keep_json(cache, mark, _Kept(clear, seen=name))
            return clear, name
        if not large:
            break
    pictures = crew.each(overview_of, [(folder / name,) for name in names])
    target = find([picture for picture in pictures if not isinstance(picture, FrameError)])
    _keep_json(cache, mark, _Kept(target))
    return target, ""


def measure_again(
    folder: Path, moved: Mapping[str, Target], cache: Path | None, prints: Mapping[str, str], crew: Crew
) -> dict[str, Reading]:
    """Measure frames, whose target has moved, where it stands now; those in which it is not found are left out.

    Args:
        folder: Of the frames.
        moved: By file name: the target as it stands in the other frames.
        cache, prints, crew: As for `measure`; each frame has a second entry.
    """
    found: dict[str, Target] = {}
    for name, target in moved.items():

        def find(pictures: Sequence[NDArray[Any]], target: Target = target) -> Target | None:
            return find_again(pictures[0], target) if pictures else None

        again, _ = find_once(folder, [name], find, cache, {name: f"{prints[name]}{target.box}"}, crew)
        if again is not None:
            found[name] = again
    marks = {name: _second(prints[name]) for name in found}
    return measure(folder, found, recall(cache, marks), cache, marks, crew)


def _second(mark: str) -> str:
    """Return the fingerprint of a frame's second entry."""
    return hashlib.sha256(f"{mark} again".encode()).hexdigest()[:32] if mark else ""


def forget_target(
    names: Sequence[str], readings: Mapping[str, Reading], cache: Path | None, prints: Mapping[str, str]
) -> None:
    """Remove what `find_once` kept where one of its frames is to be copied again: the copy may look like the file."""
    if any(is_to_copy(readings[name]) for name in names):
        _delete(cache, lambda entry: entry == f"{_target_mark(names, prints)}.json")


def is_to_copy(reading: Reading) -> bool:
    """Say whether the remedy for a frame is to copy its file again, so that nothing of it is kept."""
    return not _NOT_KEPT.isdisjoint(reading.flags)


def _target_mark(names: Sequence[str], prints: Mapping[str, str]) -> str:
    return "target-" + hashlib.sha256("\0".join(prints[name] for name in names).encode()).hexdigest()[:32]


def thumbnails(
    folder: Path,
    draw: Mapping[str, Callable[[NDArray[Any]], Thumbnail]],
    cache: Path | None,
    look: Mapping[str, str],
    crew: Crew,
) -> Mapping[str, Thumbnail]:
    """Return small pictures of frames, kept between runs; a frame that cannot be decoded has none.

    The camera's own picture serves where the file holds one: it takes a hundredth of the time. What is kept is read
    when it is asked for: the pictures of a long session are more than a laptop should hold at once.

    Args:
        folder: Of the frames.
        draw: By file name: turns a linear overview (h, w, 3), 1 at the white level, into the picture (h, w, 3).
        cache: Where pictures are kept.
        look: By file name: text that changes when the picture is to be drawn otherwise.
        crew: Those who decode.
    """
    marks = {}
    for name in draw:
        looks = hashlib.sha256(look[name].encode()).hexdigest()[:16]
        marks[name] = f"{fingerprint(folder, name)}.{looks}.rgb"
    held: dict[str, Thumbnail] = {}
    there = _names_in(cache)
    todo = [name for name, mark in marks.items() if mark not in there]
    results = crew.each(look_of, [(folder / name,) for name in todo])
    for name, linear in zip(todo, results, strict=True):
        if isinstance(linear, FrameError):
            del marks[name]
        elif not _keep_picture(cache, marks[name], picture := draw[name](linear)):
            held[name] = picture
    wanted = set(marks.values())
    _delete(cache, lambda name: bool(_PICTURE.fullmatch(name)) and name not in wanted)
    return _Pictures(cache, marks, held)


class _Pictures(Mapping[str, Thumbnail]):
    """Small pictures by frame: those that are kept, read when they are asked for, and those that could not be kept."""

    def __init__(self, cache: Path | None, marks: Mapping[str, str], held: Mapping[str, Thumbnail]) -> None:
        self._cache, self._marks, self._held = cache, marks, held

    def __getitem__(self, name: str) -> Thumbnail:
        picture = self._held[name] if name in self._held else _load_picture(self._cache, self._marks[name])
        if picture is None:  # it has gone since, or was changed; the next run draws it anew
            _delete(self._cache, lambda kept: kept == self._marks[name])
            raise KeyError(name)
        return picture

    def __iter__(self) -> Iterator[str]:
        return iter(self._marks)

    def __len__(self) -> int:
        return len(self._marks)


def forget_others(cache: Path | None, prints: Iterable[str]) -> None:
    """Remove entries of files that are gone or changed, and what a killed run left unfinished."""
    wanted = {mark for first in prints for mark in (first, _second(first))}

    def useless(name: str) -> bool:
        if _READING.fullmatch(name) or _PICTURE.fullmatch(name):
            return name.split(".")[0] not in wanted
        return False

    _delete(cache, useless)
    _delete(cache, lambda name: bool(_UNFINISHED.fullmatch(name)), _UNFINISHED_S)


def _delete(cache: Path | None, useless: Callable[[str], bool], older_s: float = 0.0) -> None:
    """Delete plain files of a cache by their names, of those that were not touched for `older_s` seconds."""
    if cache is None or not _is_ours(cache):
        return
    with suppress(OSError):
        for entry in os.scandir(cache):
            if not useless(entry.name) or not entry.is_file(follow_symlinks=False):
                continue
            if not older_s or time.time() - entry.stat(follow_symlinks=False).st_mtime > older_s:
                os.unlink(entry.path)


def _named(reading: Reading, name: str) -> Reading:
    """Let the message call the file by its path below the frames folder, as the log does."""
    own = f"{PurePosixPath(name).name}: "
    return replace(reading, message=f"{name}: {reading.message.removeprefix(own)}" if reading.message else "")


def _same(a: Target | None, b: Target | None) -> bool:
    return a is b if a is None or b is None else (a.box, a.patch, a.found) == (b.box, b.patch, b.found)


def _load_json(cache: Path | None, mark: str) -> dict[str, Any] | None:
    if cache is None or not mark:
        return None
    with suppress(GreystepError, ValueError, RecursionError):
        found = _ENTRY.fullmatch(read_file(cache / f"{mark}.json", timed=False))
        if found and hashlib.sha256(found[2]).hexdigest().encode() == found[1]:
            content = json.loads(found[2])
            return content if isinstance(content, dict) else None
    return None


def _keep_json(cache: Path | None, mark: str, content: _Kept) -> None:
    """Keep an entry behind the checksum of its text; nothing waits for the disk, as what is cut off is seen by that."""
    if cache is not None and mark:
        entry = json.dumps({"fingerprint": mark, **as_json(content)}).encode()
        text = b'{"sha256": "%b", "entry": %b}' % (hashlib.sha256(entry).hexdigest().encode(), entry)
        with suppress(GreystepError):
            write_bytes(cache / f"{mark}.json", text, durable=False)


def _names_in(cache: Path | None) -> set[str]:
    with suppress(OSError):
        return set(os.listdir(cache)) if cache is not None else set()
    return set()


def _load_picture(cache: Path | None, mark: str) -> Thumbnail | None:
    if cache is None:
        return None
    try:
        data = read_file(cache / mark, timed=False)
        if hashlib.sha256(data[:-_CHECKSUM_BYTES]).digest() != data[-_CHECKSUM_BYTES:]:
            return None
        sides = np.frombuffer(data, "<u4", 3)
        return np.frombuffer(data[:-_CHECKSUM_BYTES], np.uint8, offset=sides.nbytes).reshape(sides)
    except (GreystepError, ValueError):
        return None


def _keep_picture(cache: Path | None, mark: str, picture: Thumbnail) -> bool:
    """Keep a picture beside the reading of its file: where that is not kept, the file is to be copied again.

    Its three sides, its bytes and their checksum: the header of numpy's own form takes longer to read than all of it.
    """
    if cache is not None and (cache / f"{mark.split('.')[0]}.json").is_file():
        content = np.array(picture.shape, "<u4").tobytes() + picture.tobytes()
        with suppress(GreystepError):
            write_bytes(cache / mark, content + hashlib.sha256(content).digest(), durable=False)
            return True
    return False
