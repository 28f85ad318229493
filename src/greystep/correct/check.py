"""Rendered frames measured again: what is left of the differences that the corrections were to take away.

A frame that was corrected from its patch is measured at the same place of the file; one that was corrected from overlap
is compared with the file of the same hub frame. What was corrected without seeing its own light cannot be measured.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Triple
from greystep.correct.blocks import Blocks, block_side, read_blocks, thin
from greystep.correct.dngcopy import baseline_exposure
from greystep.correct.gains import Corrections
from greystep.correct.images import read_image
from greystep.correct.overlap import compare
from greystep.correct.render import RECORD, SUFFIXES, Job, is_finished, jobs_of, read_record
from greystep.errors import FrameError, GreystepError
from greystep.log.ingest import Ingested
from greystep.measure import chromaticity
from greystep.measure.exposure import read_exposure
from greystep.measure.frame import Mosaic, open_frame, read_region
from greystep.measure.patch import measure_patch
from greystep.measure.target import pixel_box
from greystep.terms import Source

#: Columns of check.csv; ``before_*`` and ``after_*`` are the frame's neutral in linear Rec.709, (1, 1, 1) where it
#: matches.
COLUMNS: Final = (
    "frame", "head", "power", "source", "file", "measured", "steps_before", "stops_before", "steps_after",
    "stops_after", "before_r", "before_g", "before_b", "after_r", "after_g", "after_b",
)  # fmt: skip
_PATTERN: Final = np.array([[-1]], np.int8)
#: Rows of blocks that are thinned at a time.
_BAND: Final = 8


@dataclass(frozen=True)
class Checked:
    """What is left after the corrections.

    Attributes
    ----------
    table : DataFrame
        One row a rendered file, with the columns of `COLUMNS`; steps of 0.0011 in u'v', stops positive = brighter.
    brightness_matched : bool
        Whether brightness was to be brought to the reference too.
    messages : tuple of str
    """

    table: pd.DataFrame
    brightness_matched: bool
    messages: tuple[str, ...]


def check(ingested: Ingested, corrections: Corrections, folder: Path) -> Checked:
    """Measure again what `greystep.correct.render.render` wrote below a folder with these corrections.

    Raises
    ------
    GreystepError
        If nothing was rendered with these corrections.
    """
    record = read_record(folder)
    rows: list[dict[str, Any]] = []
    messages: list[str] = []
    matched = bool((corrections.table["exposure_stops"].fillna(0.0) != 0.0).any())
    other = 0
    for form in SUFFIXES:
        jobs = jobs_of(ingested, corrections, folder, form)
        finished = {job.frame: job for job in jobs if is_finished(job, folder, record)}
        there = [job for job in jobs if job.target.relative_to(folder).as_posix() in record]
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
    table = pd.DataFrame(rows, columns=list(COLUMNS))
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
) -> list[dict[str, Any]]:
    """Measure the finished files of one kind."""
    readings = ingested.readings.drop_duplicates("frame").set_index("frame")
    greens = {body: _level(jobs, body, corrections, readings) for body in {job.body for job in jobs.values()}}
    share = _share(corrections.space)
    rows = []
    for row in corrections.table.to_dict(orient="records"):
        job = jobs.get(row["frame"])
        if job is None:
            continue
        out = {key: row[key] for key in ("frame", "head", "power", "source")}
        out |= {"file": f"{form}/{job.target.name}", "measured": ""}
        pair = None
        try:
            if row["source"] == Source.PATCH:
                pair = _patch(job, readings.loc[row["frame"]].to_dict(), None if matched else greens[job.body], form)
            elif row["source"] == Source.OVERLAP and row["via"] in jobs:
                pair = _overlap(job, jobs[row["via"]], form)
        except FrameError as error:
            messages.append(str(error))
        if pair is not None:
            out["measured"] = row["source"]
            before, after, wanted = pair
            for when, camera in (("before", before), ("after", after)):
                away, shown = share(job.developed @ camera / (job.developed @ wanted))
                # Brightness is green's, as everywhere in this tool.
                out |= {f"steps_{when}": away, f"stops_{when}": float(np.log2(camera[1] / wanted[1]))}
                out |= {f"{when}_{channel}": value for channel, value in zip("rgb", shown, strict=True)}
        rows.append(out)
    return rows


def _level(jobs: Mapping[str, Job], body: str, corrections: Corrections, readings: pd.DataFrame) -> float:
    """Return the brightness that frames of a body are compared with where it was not to be matched [raw counts].

    That of the reference; the median of the frames where that is a white in kelvin, which has none.
    """
    green = corrections.references[body].green
    if np.isfinite(green):
        return green
    return float(readings.loc[[name for name, job in jobs.items() if job.body == body], "signal_g"].median())


def _share(space: str) -> Callable[[Floats], tuple[float, list[float]]]:
    """Return what turns a neutral in a working space, (1, 1, 1) if it matches, into steps and linear Rec.709."""
    from_xyz, white = chromaticity.working_space(space)
    to_xyz = np.linalg.inv(from_xyz)
    to_shown, shown_white = chromaticity.working_space("lin_rec709")
    show = to_shown @ chromaticity.bradford(white, shown_white) @ to_xyz

    def share(rgb: Floats) -> tuple[float, list[float]]:
        away = chromaticity.steps(chromaticity.xyz_to_upvp(to_xyz @ rgb), chromaticity.xyz_to_upvp(white))
        return float(away), (show @ rgb).tolist()

    return share


def _patch(job: Job, reading: Mapping[str, Any], green: float | None, form: str) -> tuple[Floats, Floats, Floats]:
    """Return a frame's neutral in camera RGB before, after, and as it was to become.

    `green` is the brightness that it is compared with, None where brightness was to be matched [raw counts].
    """
    frame = open_frame(job.source)
    box = (reading["patch_x0"], reading["patch_y0"], reading["patch_x1"], reading["patch_y1"])
    y0, y1, x0, x1 = pixel_box(box, frame.height, frame.width, frame.pattern.shape)
    scale = min(frame.white) - float(frame.black_pattern.max())
    seen = np.array([reading["signal_r"], reading["signal_g"], reading["signal_b"]]) / scale
    # The reference, but where a trend is kept: what a frame was to become is told by its gains in either case.
    wanted = job.gains * seen * (2.0**job.stops if green is None else green / scale / seen[1])
    if form == "dng":
        copy = open_frame(job.target)
        signal = measure_patch(read_region(copy, y0, y1, x0, x1), copy.white)
        # A converter divides by the neutral that the copy carries; times the reference's it is camera RGB again.
        camera = np.array(signal.mean) / scale * job.neutral / np.array(_neutral(job)) * 2.0 ** _added_exposure(job)
    else:
        image, one = read_image(job.target, read_exposure(job.source).orientation)
        part = image[y0:y1, x0:x1].astype(np.float64)
        flat = Mosaic(part, np.full(part.shape[:2], -1, np.int8), np.zeros_like(part))
        camera = np.linalg.solve(job.developed, np.array(measure_patch(flat, (one, one, one, one)).mean) / one)
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
        for top in range(0, rows, _BAND):
            part = image[top * side : min(top + _BAND, rows) * side, :columns].astype(np.float64) / one
            yield Mosaic(part, np.full(part.shape[:2], -1, np.int8), np.zeros_like(part))

    return thin(bands(), (1.0, 1.0, 1.0, 1.0), side, _PATTERN)
