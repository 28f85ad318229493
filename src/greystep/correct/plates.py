"""Plates of one scene, one for each light, each corrected with its own gains and added as light adds."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from greystep.arrays import Image
from greystep.correct.gains import Corrections
from greystep.correct.jobs import SUFFIXES, jobs_of
from greystep.correct.record import announced, is_ours, read_record, settle
from greystep.correct.render import (
    Developed,
    check_room,
    developed_frame,
    origin_of,
    said_of_loss,
    write_image,
)
from greystep.doors import read_number
from greystep.errors import FaultsError, GreystepError
from greystep.files import check_target
from greystep.generation import alone, run_of
from greystep.session.csvfile import nearest, read_sheet
from greystep.session.ingest import Ingested
from greystep.session.settings import check_place

#: Bytes a pixel takes in the file, twice for the part that is written first.
_PIXEL_BYTES: Final = 12
#: Plates that are open at once at most; there is one a light.
_MOST_PLATES: Final = 100


@dataclass(frozen=True)
class Plate:
    """One plate: its frame, and what it is multiplied with before it is added."""

    frame: str
    factor: float


def read_plates(path: Path, frames: Sequence[str]) -> list[Plate]:
    """Read PLATES.csv: ``plate`` (or ``frame``), and ``gain`` (a factor) and ``stops`` where they are wanted.

    Args:
        frames: Frames of the session; a plate may be named without its folder or ending where that is plain.

    Raises:
        FaultsError: With every fault and its row.
        GreystepError: If the file cannot be read or has no column of plates.
    """
    sheet = read_sheet(path, "plate", ("plate",), ("gain", "stops"), synonyms={"frame": "plate"})
    if len(sheet.rows) > _MOST_PLATES:
        raise GreystepError(f"{path}: {len(sheet.rows)} plates; add {_MOST_PLATES} at most, and the sums again")
    faults = sheet.faults
    plates: list[Plate] = []
    for number, cell in sheet.rows:
        found = [frame for frame in frames if cell["plate"] in (frame, Path(frame).name, Path(frame).stem)]
        if len(found) != 1:
            near = nearest(cell["plate"], list(frames))
            hint = f"did you mean {near}?" if near else "name a frame that has a correction"
            why = f"names {len(found)} frames; give its folder too" if found else f"is no frame to add; {hint}"
            faults.append(f"row {number}: plate '{cell['plate']}' {why}")
            continue
        factor = 1.0
        try:
            factor = read_number(cell["gain"] or "1", "gain", (0.0, 1e6), "a factor of light up to 1e6, such as 0.5")
            factor *= 2.0 ** read_number(
                cell["stops"] or "0", "stops", (-20.0, 20.0), "stops from -20 to 20, such as -1"
            )
        except GreystepError as error:
            faults.append(f"row {number}: {error}")
        plates.append(Plate(found[0], factor))
    if faults:
        raise FaultsError(str(path), faults)
    return plates


def add_plates(
    ingested: Ingested, corrections: Corrections, plates: Sequence[Plate], folder: Path, form: str, force: bool = False
) -> tuple[Path, tuple[str, ...]]:
    """Add plates scene-linear into ``sum.tif`` or ``sum.exr``.

    Args:
        corrections: Of it; each plate is corrected with its own.
        plates: One a light; a frame named twice is added twice.
        form: ``tiff`` or ``exr``.
        force: Replace a file of that name that is not as an earlier run left it.

    Returns:
        path: What was written.
        messages: What was lost, one line each.

    Raises:
        GreystepError: If a plate has no correction or cannot be read, cameras, sizes or orientation differ, or the file
            cannot be written.
    """
    check_place(ingested.settings, folder)
    if form not in ("tiff", "exr"):
        raise GreystepError(f"--as {form}: plates are added as developed images; use --as tiff or --as exr")
    jobs = {job.frame: job for job in jobs_of(ingested, corrections, folder, form)}
    missing = [plate.frame for plate in plates if plate.frame not in jobs]
    if missing:
        raise GreystepError(f"{missing[0]}: has no correction, so it cannot be added; run greystep correct to see why")
    chosen = [jobs[plate.frame] for plate in plates]
    if len({job.body for job in chosen}) > 1:
        raise GreystepError(f"plates of {len({job.body for job in chosen})} cameras cannot be added; take one camera's")
    opened = [developed_frame(job) for job in chosen]
    origins = [origin_of(job) for job in chosen]
    first = (opened[0].height, opened[0].width, origins[0].exposure.orientation)
    for job, frame, origin in zip(chosen, opened, origins, strict=True):
        if (frame.height, frame.width, origin.exposure.orientation) != first:
            raise GreystepError(
                f"{job.frame}: {frame.width} x {frame.height} px, orientation {origin.exposure.orientation}, and "
                f"{chosen[0].frame} {first[1]} x {first[0]} px, orientation {first[2]}; plates must lie on each other"
            )
    target = folder / f"sum{SUFFIXES[form]}"
    check_target(target)
    if not force and not is_ours(target, folder, read_record(folder)):
        raise GreystepError(
            f"{target}: is not as greystep render left it, so it was kept; move it away, or replace it with --force"
        )
    check_room(folder, first[0] * first[1] * _PIXEL_BYTES)
    total = Developed(first[0], first[1], _added(opened, [plate.factor for plate in plates]))
    named = " + ".join(job.frame for job in chosen)
    listed = [f"{job.mark} {plate.factor!r}" for job, plate in zip(chosen, plates, strict=True)]
    run = run_of({target.name: "\n".join(listed).encode()})
    with alone(folder, "rendered"):
        enter = announced(target, folder, named, "", run, force)
        lost = write_image(target, total, replace(origins[0], frame=named), enter)
        settle(folder)
    return target, tuple(said_of_loss([lost]))


def _added(plates: Sequence[Developed], factors: Sequence[float]) -> Iterator[tuple[int, Image]]:
    """Add the bands of plates of one size as they come."""
    for bands in zip(*(plate.bands for plate in plates), strict=True):
        light = sum(np.float32(factor) * band for factor, (_, band) in zip(factors, bands, strict=True))
        yield bands[0][0], np.asarray(light, np.float32)
