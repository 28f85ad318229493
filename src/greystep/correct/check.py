"""Rendered frames measured again: what is left of the differences that the corrections should remove.

A frame that was corrected from its patch is measured at the same place of the file; one that was corrected from overlap
is compared with the file of the same hub frame. What was corrected without seeing its own light cannot be measured.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Triple
from greystep.columns import CheckRow, CorrectionRow, FrameRow, rows_of
from greystep.correct.developed import to_rec709, white_of_240
from greystep.correct.dng_copy import baseline_exposure
from greystep.correct.gains import Corrections
from greystep.correct.images import read_image
from greystep.correct.jobs import SUFFIXES, Job, is_finished, jobs_of
from greystep.correct.overlap import compare
from greystep.correct.record import RECORD, below, read_record
from greystep.errors import FrameError, GreystepError
from greystep.measure import chromaticity
from greystep.measure.patch import measure_patch
from greystep.measure.target import pixel_box
from greystep.raw.blocks import BAND, Blocks, block_side, read_blocks, thin
from greystep.raw.exposure import read_exposure
from greystep.raw.frame import Mosaic, open_frame, read_region, usable_range
from greystep.session.ingest import Ingested
from greystep.terms import Source

_PATTERN: Final = np.array([[-1]], np.int8)


@dataclass(frozen=True)
class Checked:
    """What is left after the corrections.

    Attributes:
        table: One row a rendered file, with the columns of `greystep.columns.CheckRow`; stops positive = brighter.
        brightness_matched: Whether brightness was to be brought to the reference too.
    """

    table: pd.DataFrame
    brightness_matched: bool
    messages: tuple[str, ...]


def check(ingested: Ingested, corrections: Corrections, folder: Path) -> Checked:
    """Measure again what `greystep.correct.render.render_frames` wrote below a folder with these corrections.

    Raises:
        GreystepError: If nothing was rendered with these corrections.
    """
    record = read_record(folder)
    rows: list[CheckRow] = []
    messages: list[str] = []
    matched = bool((corrections.table["exposure_stops"].fillna(0.0) != 0.0).any())
    other = 0
    for form in SUFFIXES:
        jobs = jobs_of(ingested, corrections, folder, form)
        finished = {job.frame: job for job in jobs if is_finished(job, folder, record)}
        there = [job for job in jobs if below(job.target, folder) in record]
        other += len(there) - len(finished)
        if finished:
            rows += _checked(ingested, corrections, finished, form, matched, messages)
    if not rows:
        done = (
            f"{other} files in {folder / RECORD} are of other corrections" if other else f"{folder}: nothing rendered"
        )
        raise GreystepError(f"{done}; run greystep render first, with the same options as here")
    if other:
        messages.append(f"{other} files were rendered with other corrections or have changed; they are not measured")
    table = pd.DataFrame([asdict(row) for row in rows])
    unseen = int((table["measured"] == "").sum())
    if unseen:
        messages.append(f"{unseen} files show no light that could be measured again; they were corrected without it")
    return Checked(table, matched, tuple(messages))


def _checked(
    ingested: Ingested,
    corrections: Corrections,
    jobs: Mapping[str, Job],
    form: str,
    matched: bool,
    messages: list[str],
) -> list[CheckRow]:
    """Measure the finished files of one kind."""
    readings = {row.frame: row for row in rows_of(ingested.readings.drop_duplicates("frame"), FrameRow)}
    share = _share(corrections.space)
    rows = []
    for row in rows_of(corrections.table, CorrectionRow):
        job = jobs.get(row.frame)
        if job is None:
            continue
        pair = None
        try:
            if row.source == Source.PATCH:
                green = None if matched else _level(jobs, job.body, corrections, readings)
                pair = _patch(job, readings[row.frame], green, form)
            elif row.source == Source.OVERLAP and row.via in jobs:
                pair = _overlap(job, jobs[row.via], form)
        except FrameError as error:
            messages.append(str(error))
        measured, left = "", [np.nan] * 13
        if pair is not None:
            *seen, wanted = pair
            away, shown = zip(*(share(job.developed @ one / (job.developed @ wanted)) for one in seen), strict=True)
            # Brightness is green's, as everywhere in this tool.
            stops = [float(np.log2(one[1] / wanted[1])) for one in seen]
            white = white_of_240(np.array(shown[1]) / (1.0 if matched else 2.0 ** stops[1])).tolist()
            measured, left = row.source, [away[0], stops[0], away[1], stops[1], *shown[0], *shown[1], *white]
        rows.append(CheckRow(row.frame, row.head, row.power, row.source, f"{form}/{job.target.name}", measured, *left))
    return rows


def _level(jobs: Mapping[str, Job], body: str, corrections: Corrections, readings: Mapping[str, FrameRow]) -> float:
    """Return the brightness that frames of a body are compared with where it was not to be matched [raw counts].

    That of the reference; the median of the frames where that is a white in kelvin, which has none.
    """
    green = corrections.references[body].green
    if np.isfinite(green):
        return green
    return float(pd.Series([readings[name].signal_g for name, job in jobs.items() if job.body == body]).median())


def _share(space: str) -> Callable[[Floats], tuple[float, list[float]]]:
    """Return what turns a neutral in a working space, (1, 1, 1) if it matches, into steps and linear Rec.709."""
    from_xyz, white = chromaticity.working_space(space)
    to_xyz, show = np.linalg.inv(from_xyz), to_rec709(space)

    def share(rgb: Floats) -> tuple[float, list[float]]:
        away = chromaticity.steps(chromaticity.xyz_to_upvp(to_xyz @ rgb), chromaticity.xyz_to_upvp(white))
        return float(away), (show @ rgb).tolist()

    return share


def _patch(job: Job, reading: FrameRow, green: float | None, form: str) -> tuple[Floats, Floats, Floats]:
    """Return a frame's neutral in camera RGB before, after, and as it was to become.

    `green` is the brightness that it is compared with, None where brightness was to be matched [raw counts].
    """
    frame = open_frame(job.source)
    box = (reading.patch_x0, reading.patch_y0, reading.patch_x1, reading.patch_y1)
    y0, y1, x0, x1 = pixel_box(box, frame.height, frame.width, frame.pattern.shape)
    scale = usable_range(frame)
    seen = np.array([reading.signal_r, reading.signal_g, reading.signal_b]) / scale
    # The reference, but where a trend is kept: its gains say what a frame was to become in either case.
    wanted = job.gains * seen * (2.0**job.stops if green is None else green / scale / seen[1])
    if form == "dng":
        copy = open_frame(job.target)
        signal = measure_patch(read_region(copy, y0, y1, x0, x1), copy.white)
        # A converter divides by the neutral that the copy carries; times the reference's it is camera RGB again.
        camera = np.array(signal.mean) / scale * job.neutral / np.array(_neutral(job)) * 2.0 ** _added_exposure(job)
    else:
        image, one = read_image(job.target, read_exposure(job.source).orientation)
        signal = measure_patch(_planes(image[y0:y1, x0:x1].astype(np.float64)), (one, one, one, one))
        camera = np.linalg.solve(job.developed, np.array(signal.mean) / one)
    return seen, camera, wanted


def _overlap(job: Job, hub: Job, form: str) -> tuple[Floats, Floats, Floats] | None:
    """Return a frame's neutral in camera RGB before and after, against the hub's; None where they share too little."""
    raw = compare(read_blocks(hub.source), read_blocks(job.source)).ratio
    if form == "dng":
        gains = [one.neutral / np.array(_neutral(one)) * 2.0 ** _added_exposure(one) for one in (job, hub)]
        after = job.neutral * raw * gains[0] / gains[1]
    else:
        ratio = compare(_image_blocks(hub), _image_blocks(job)).ratio
        after = np.linalg.solve(job.developed, job.developed @ job.neutral * ratio)
    before = job.neutral * raw
    return (before, after, job.neutral) if np.isfinite([before, after]).all() else None


def _neutral(job: Job) -> Triple:
    frame = open_frame(job.target)
    if frame.colour is None or frame.colour.as_shot_neutral is None:
        raise FrameError(f"{job.target}: has lost its neutral; render it again")
    return frame.colour.as_shot_neutral


def _added_exposure(job: Job) -> float:
    old, new = (baseline_exposure(path.name, path.read_bytes()) for path in (job.source, job.target))
    return new - old


def _image_blocks(job: Job) -> Blocks:
    """Thin a rendered image to the blocks of its raw frame."""
    image, one = read_image(job.target, read_exposure(job.source).orientation)
    side = block_side(image.shape[0], image.shape[1], open_frame(job.source).pattern.shape)

    def bands() -> Iterator[Mosaic]:
        rows, columns = image.shape[0] // side, image.shape[1] // side * side
        for top in range(0, rows, BAND):
            yield _planes(image[top * side : min(top + BAND, rows) * side, :columns].astype(np.float64) / one)

    return thin(bands(), (1.0, 1.0, 1.0, 1.0), side, _PATTERN)


def _planes(image: Floats) -> Mosaic:
    """Return a linear image (h, w, 3) as a mosaic of three planes without black."""
    return Mosaic(image, np.full(image.shape[:2], -1, np.int8), np.zeros_like(image))
