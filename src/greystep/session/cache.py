"""What was measured in raw files, kept between runs in ``.greystep``; an entry that cannot be read is measured again.

One file an entry, written whole and with a checksum: a run that is killed keeps what it has measured. Kept are raw
patch statistics and where the target was found; everything that follows from them is reckoned anew in each run. A
reading whose remedy is to copy the file again is not kept: the copy may have the size and time of the old file.
"""

import hashlib
import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from numpy.typing import NDArray

from greystep.doors import read_file
from greystep.errors import FrameError, GreystepError
from greystep.files import write_bytes
from greystep.flags import Flag, ordered
from greystep.measure.clear_target import clear_target_of
from greystep.measure.reading import Reading, exposure_of, measure_frame
from greystep.measure.target import Target, find_again
from greystep.raw.exposure import Exposure
from greystep.raw.preview import overview_of
from greystep.session.cache_folder import delete, second_mark
from greystep.session.entries import as_json, from_json
from greystep.session.workers import Crew

#: The form of an entry.
_ENTRY: Final = re.compile(rb'\{"sha256": "([0-9a-f]{64})", "entry": (.*)\}', re.DOTALL)
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
    found = dict(zip(new, crew.each(exposure_of, [(folder / name,) for name in new], light=True), strict=True))
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
    marks = {name: second_mark(prints[name]) for name in found}
    return measure(folder, found, recall(cache, marks), cache, marks, crew)


def forget_target(
    names: Sequence[str], readings: Mapping[str, Reading], cache: Path | None, prints: Mapping[str, str]
) -> None:
    """Remove what `find_once` kept where one of its frames is to be copied again: the copy may look like the file."""
    if any(is_to_copy(readings[name]) for name in names):
        delete(cache, lambda entry: entry == f"{_target_mark(names, prints)}.json")


def is_to_copy(reading: Reading) -> bool:
    """Say whether the remedy for a frame is to copy its file again, so that nothing of it is kept."""
    return not _NOT_KEPT.isdisjoint(reading.flags)


def _target_mark(names: Sequence[str], prints: Mapping[str, str]) -> str:
    return "target-" + hashlib.sha256("\0".join(prints[name] for name in names).encode()).hexdigest()[:32]


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
        found = _ENTRY.fullmatch(read_file(os.path.join(cache, f"{mark}.json"), timed=False))
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
