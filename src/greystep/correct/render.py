"""Corrected frames as files: DNG, 16-bit TIFF or half-float OpenEXR, each written whole, none written twice."""

import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Image
from greystep.correct.demosaic import developed_bands
from greystep.correct.dng_copy import corrected_copy
from greystep.correct.dng_from_raw import dng_from_raw
from greystep.correct.exchange import SPACE_NAMES
from greystep.correct.gains import Corrections
from greystep.correct.images import Origin, exr_library, owner_texts, write_exr, write_tiff
from greystep.correct.jobs import SUFFIXES, Job, carried_neutral, is_finished, jobs_of
from greystep.correct.record import NotOursError, announced, below, carry_over, is_ours, read_record, settle
from greystep.errors import FrameError, GreystepError
from greystep.files import BeforeLanding, check_target, write_bytes
from greystep.generation import alone, run_of
from greystep.raw.dng import read_dng
from greystep.raw.exposure import read_exposure
from greystep.raw.frame import open_frame
from greystep.session.ingest import Ingested
from greystep.session.settings import check_place
from greystep.session.workers import Progress

_WORKERS: Final = 2
#: Bytes that a pixel of three 16-bit samples takes, and at most one of a lossless mosaic; what a file needs beside.
_PIXEL_BYTES: Final = 6
_MOSAIC_BYTES: Final = 2.1
_OVERHEAD: Final = 64 * 1024
#: A value beyond what 16 bits hold by more than noise (1 is white), and the share of such pixels that is worth a line.
_CUT: Final = 0.005
_CUT_SHARE: Final = 1e-3


@dataclass(frozen=True, eq=False)
class Developed:
    """A linear image that comes in bands (first row, rows) from the top; it can be gone through once."""

    height: int
    width: int
    bands: Iterator[tuple[int, Image]]


class State(StrEnum):
    """What a run did with a file: it keeps one that is there with the same settings, and one that is not its own."""

    WRITTEN = "written"
    KEPT = "kept"
    NOT_OURS = "not ours"
    FAILED = "failed"


@dataclass(frozen=True)
class RenderedFile:
    """One frame that has a correction: its file, as a path below the folder, and what the run did with it."""

    frame: str
    file: str
    state: State


@dataclass(frozen=True)
class Rendered:
    """What a run of `render_frames` did.

    Attributes:
        messages: One line for each frame that failed or lost something.
    """

    files: tuple[RenderedFile, ...]
    messages: tuple[str, ...]


def render_frames(
    ingested: Ingested,
    corrections: Corrections,
    folder: Path,
    form: str,
    progress: Progress | None = None,
    force: bool = False,
) -> Rendered:
    """Render every frame that has a correction.

    Args:
        ingested: A session that has been read; its frames are only read.
        corrections: Of it.
        folder: The files go to ``dng/``, ``tiff/`` or ``exr/`` below it.
        form: ``dng``: AsShotNeutral and BaselineExposure carry the correction, of a DNG in a copy with all that it
            holds, of another format in a DNG with the same counts; ``tiff``; ``exr``.
        progress: Called with (done, total) frames.
        force: Replace a file that is not as an earlier run left it; else it is kept.

    Returns: A frame that cannot be read is named, and the others go on.

    Raises:
        GreystepError: If no frame has a correction, a target lies among raw frames, the disk has no room for all, or a
            file cannot be written; what has been written by then is whole, and a second run goes on from there.
    """
    check_place(ingested.settings, folder)
    check_place(ingested.settings, folder / form)
    with alone(folder, "rendered"):
        return _rendered(ingested, corrections, folder, form, progress, force)


def _rendered(
    ingested: Ingested, corrections: Corrections, folder: Path, form: str, progress: Progress | None, force: bool
) -> Rendered:
    """Do the work of `render_frames` in a folder that no other process renders into."""
    if form == "exr":
        exr_library()
    jobs = jobs_of(ingested, corrections, folder, form)
    if not jobs:
        raise GreystepError(
            f"{ingested.settings.path}: no frame has a correction, so there is nothing to render; "
            "run greystep correct to see why"
        )
    for job in jobs:
        check_target(job.target)
    record = read_record(folder)
    state = {job.frame: State.KEPT for job in jobs}
    todo = []
    for job in jobs:
        if is_finished(job, folder, record):
            continue
        if force or is_ours(job.target, folder, record):
            todo.append(job)
        else:
            state[job.frame] = State.NOT_OURS
    check_room(folder, _needed(todo, form))
    run = run_of({job.frame: job.mark.encode() for job in jobs})
    carry_over(folder, [job.target for job in jobs if job not in todo], run)
    messages: list[str] = []
    lost: list[float] = []
    done = len(jobs) - len(todo)
    if progress is not None:
        progress(done, len(jobs))
    for job, outcome in _worked(todo, form, folder, run, force):
        done += 1
        if isinstance(outcome, NotOursError):
            state[job.frame] = State.NOT_OURS
        elif isinstance(outcome, FrameError):
            state[job.frame] = State.FAILED
            messages.append(str(outcome))
        else:
            state[job.frame] = State.WRITTEN
            lost.append(outcome)
        if progress is not None:
            progress(done, len(jobs))
    settle(folder)
    files = tuple(RenderedFile(job.frame, below(job.target, folder), state[job.frame]) for job in jobs)
    if all(file.state == State.FAILED for file in files):
        raise GreystepError(f"none of {len(files)} frames can be rendered; the first: {messages[0]}")
    return Rendered(files, (*messages, *said_of_loss(lost)))


def check_room(folder: Path, needed: int) -> None:
    """Compare the free disk space with what is to be written [bytes].

    Raises:
        GreystepError: If it does not fit; nothing has been written.
    """
    there = folder.resolve()
    while not there.exists():
        there = there.parent
    free = shutil.disk_usage(there).free
    if needed > free:
        raise GreystepError(
            f"{folder}: {needed / 1e6:.0f} MB are needed and {free / 1e6:.0f} MB are free; free the disk or give "
            "another folder with --out"
        )


def developed_frame(job: Job) -> Developed:
    """Open the frame of a job, to be developed and corrected band by band.

    Raises:
        FrameError: If the frame cannot be read.
    """
    frame = open_frame(job.source)
    bands = developed_bands(frame, 2.0**job.stops * job.gains, job.neutral, job.developed)
    return Developed(frame.height, frame.width, bands)


def origin_of(job: Job) -> Origin:
    """Return what the raw file of a job recorded, to be kept with the image."""
    exposure = read_exposure(job.source)
    return Origin(job.frame, exposure, job.space, SPACE_NAMES[job.space], owner_texts(job.source))


def write_image(path: Path, picture: Developed, origin: Origin, before: BeforeLanding | None = None) -> float:
    """Write a linear image as the kind of file that its name says; `before` is that of `greystep.files.write_bytes`.

    Returns: Share of the pixels of which 16 bits could not hold some value: above white, or out of the space's gamut.

    Raises:
        FrameError: If the frame cannot be read.
        GreystepError: If the file cannot be written.
    """
    half = path.suffix == SUFFIXES["exr"]
    image: NDArray[Any] = np.empty((picture.height, picture.width, 3), np.float16 if half else np.uint16)
    most = float(np.finfo(np.float16).max)
    lost = 0
    for top, band in picture.bands:  # coded band by band: the image is never held as floats
        if half:
            image[top : top + len(band)] = np.clip(band, -most, most)
        else:
            held = np.clip(band, 0.0, 1.0)
            lost += int(np.count_nonzero((np.abs(band - held) > _CUT).any(axis=-1)))
            image[top : top + len(band)] = np.round(held * np.float32(65535.0))
    if half:
        write_exr(path, image, origin, before)
    else:
        write_tiff(path, image, origin, before)
    return lost / (picture.height * picture.width)


def said_of_loss(lost: Sequence[float]) -> list[str]:
    """Return a line on what 16 bits could not hold of some files, from the share of pixels in each; or nothing."""
    found = [share for share in lost if share > _CUT_SHARE]
    if not found:
        return []
    return [
        f"{len(found)} of {len(lost)} files: up to {100 * max(found):.1f} % of the pixels lie above white or out of "
        "the working space's colours and were cut off; --as exr keeps them, a wider --space holds more"
    ]


def _one(job: Job, form: str, folder: Path, run: str, force: bool) -> float:
    """Render one frame; return the share of its pixels that lost something."""
    before = announced(job.target, folder, job.frame, job.mark, run, force)
    if form != "dng":
        return write_image(job.target, developed_frame(job), origin_of(job), before)
    try:
        data = job.source.read_bytes()
    except OSError as error:
        raise FrameError(f"{job.frame}: cannot be read ({error.strerror}); copy it from the card again") from error
    neutral = carried_neutral(job)
    copy = corrected_copy(job.frame, data, neutral, job.stops)
    if copy is None:
        del data
        copy = dng_from_raw(job.source, neutral, job.stops, job.known)
    write_bytes(job.target, copy, before)
    return 0.0


def _worked(
    jobs: Sequence[Job], form: str, folder: Path, run: str, force: bool
) -> Iterator[tuple[Job, float | FrameError]]:
    """Render frames two at a time and yield each as it is done; the first that cannot be written stops the rest."""
    waiting = iter(jobs)
    running: dict[Future[float], Job] = {}
    with ThreadPoolExecutor(_WORKERS) as pool:
        while True:
            while len(running) < _WORKERS and (job := next(waiting, None)) is not None:
                running[pool.submit(_one, job, form, folder, run, force)] = job
            if not running:
                return
            for finished in wait(running, return_when=FIRST_COMPLETED).done:
                job = running.pop(finished)
                try:
                    outcome: float | FrameError = finished.result()
                except FrameError as error:
                    outcome = error
                yield job, outcome


def _needed(jobs: Sequence[Job], form: str) -> int:
    """Return how many bytes the files will take at most, temporary ones included."""
    sizes: dict[str, int] = {}
    total = 0
    for job in jobs:
        try:
            if form == "dng" and read_dng(job.source) is not None:
                sizes[job.frame] = job.source.stat().st_size + _OVERHEAD
            elif job.body not in sizes:  # frames of a body are of one size; opening each may mean to decode each
                frame = open_frame(job.source)
                pixels, each = frame.height * frame.width, float(_PIXEL_BYTES)
                if form == "dng" and frame.whole is not None:
                    pixels, each = frame.whole.size, _MOSAIC_BYTES
                sizes[job.body] = int(pixels * each) + _OVERHEAD
        except (OSError, FrameError):
            continue  # it will be named when its turn comes
        total += sizes.get(job.frame, sizes.get(job.body, 0))
    # An OpenEXR file lies there twice while it is finished.
    return total + (_WORKERS * max(sizes.values(), default=0) if form == "exr" else 0)
