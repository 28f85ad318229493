"""What is to be rendered: a frame with its correction, its file, and the mark of both."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from greystep.arrays import Floats, Triple
from greystep.columns import CorrectionRow, rows_of
from greystep.correct.exchange import frame_ids
from greystep.correct.gains import Corrections
from greystep.correct.record import Finished, below, is_ours
from greystep.raw.dng import ColourTags
from greystep.session.cache_folder import fingerprint
from greystep.session.ingest import Ingested
from greystep.session.raw_files import start_of

#: Kinds of files, and how their names end. A DNG copy must not be taken for its original.
SUFFIXES: Final = {"dng": "_c.dng", "tiff": ".tif", "exr": ".exr"}
#: To be raised whenever the same frame and correction would give another file: files of another version are made again.
RENDER_VERSION: Final = 1


@dataclass(frozen=True, eq=False)
class Job:
    """One frame to be rendered.

    Attributes:
        source, target: The raw file, and what is to be written.
        mark: Changes with the raw file, the correction and the way of rendering.
        gains, neutral: Array (3,). In camera RGB, green = 1: the correction, and the reference that it leads to.
        stops: Brightness [stops].
        developed: Array (3, 3). A: camera RGB to `space`.
        known: Colour of the body, for a DNG of a frame that carries none.
    """

    frame: str
    body: str
    source: Path
    target: Path
    mark: str
    gains: Floats
    neutral: Floats
    stops: float
    developed: Floats
    space: str
    known: ColourTags | None = None


def jobs_of(ingested: Ingested, corrections: Corrections, folder: Path, form: str) -> list[Job]:
    """Return what is to be rendered, one a frame with a correction, in the order of the log."""
    bodies = dict(zip(ingested.readings["frame"], ingested.readings["body"], strict=True))
    ids = frame_ids(corrections.table["frame"])
    jobs = []
    for row in rows_of(corrections.table, CorrectionRow):
        if row.frame not in corrections.matrices:
            continue
        body = bodies[row.frame]
        job = Job(
            frame=row.frame,
            body=body,
            source=ingested.settings.frames_dir / row.frame,
            target=folder / form / f"{ids[row.frame]}{SUFFIXES[form]}",
            mark="",
            gains=np.array([row.gain_r, row.gain_g, row.gain_b]),
            neutral=np.array(corrections.references[body].neutral),
            stops=row.exposure_stops,
            developed=corrections.developed[body],
            space=corrections.space,
            known=ingested.bodies[body].tags if body in ingested.bodies else None,
        )
        jobs.append(replace(job, mark=_mark(job, ingested.settings.frames_dir, form)))
    return jobs


def carried_neutral(job: Job) -> Triple:
    """Return the AsShotNeutral of a copy: the reference's over the gains, green = 1."""
    red, green, blue = (job.neutral / job.gains).tolist()
    return red / green, 1.0, blue / green


def is_finished(job: Job, folder: Path, record: Mapping[str, Finished]) -> bool:
    """Say whether a frame was rendered with these settings and the file is as it was left."""
    entry = record.get(below(job.target, folder))
    return (
        entry is not None
        and (entry.frame, entry.mark) == (job.frame, job.mark)
        and job.target.exists()
        and is_ours(job.target, folder, record)
    )


def _mark(job: Job, frames: Path, form: str) -> str:
    numbers = [*job.gains, job.stops, *job.neutral, *([] if form == "dng" else job.developed.ravel())]
    if form == "dng" and job.known is not None:
        numbers += job.known.matrix_1.ravel().tolist()
    frame = fingerprint(job.frame, start_of(frames / job.frame))
    said = [form, str(RENDER_VERSION), frame, *(float(value).hex() for value in numbers)]
    return hashlib.sha256("\0".join([*said, job.space * (form != "dng")]).encode()).hexdigest()[:32]
