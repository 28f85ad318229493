"""The light of job frames without a target, from what they share with one frame of the series that serves as hub."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats
from greystep.correct.alignment import DARK
from greystep.correct.lit_frames import LitFrame
from greystep.correct.messages import MatchedToItself
from greystep.correct.overlap import AGREE_FIELDS, FIELD, Overlap, compare, half_width_stops, well_exposed
from greystep.errors import FrameError, GreystepError
from greystep.flags import Flag
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.raw.blocks import Blocks, read_blocks
from greystep.session.ambient import settings_of
from greystep.session.colour import colours
from greystep.session.ingest import Body
from greystep.session.workers import Crew, Progress
from greystep.terms import DECLARED, Kind

#: Focal lengths within this share are one lens setting: some lenses record their breathing.
_SAME_FOCAL: Final = 0.05


@dataclass(frozen=True)
class Shared:
    """What the hub says of one frame.

    Attributes:
        overlap: None where the two cannot be compared at all.
        light: Array (3,). Camera RGB of the target, had it stood there: raw counts, or relative where the hub has no
            target.
        mired, duv, u_mired, u_stops: Colour of that light with the half-widths of colour and brightness; NaN where no
            gain is given.
        trouble: Why there is no correction; blank where there is one.
    """

    frame: str
    hub: str
    overlap: Overlap | None
    light: Floats
    mired: float
    duv: float
    u_mired: float
    u_stops: float
    trouble: str


#: Reads the blocks of a frame by name, room light taken off; raises FrameError.
Reader = Callable[[str], Blocks]


def block_reader(
    folder: Path,
    rows: pd.DataFrame,
    names: Sequence[str],
    crew: Crew,
    progress: Progress | None = None,
) -> Reader:
    """Return a reader that keeps what it has read.

    Args:
        rows: Readings of one body, ambient frames among them: one at a frame's own settings is taken off block by
            block.
        names: Frames that are all read when the first is asked for.
        crew: Those who read.
        progress: Called with (done, total) of these.
    """
    known: dict[str, Blocks | FrameError] = {}
    settings = dict(zip(rows["frame"], settings_of(rows), strict=True))
    unlit = rows.loc[(rows["kind"] == Kind.AMBIENT) & (rows["flags"] == ""), "frame"]
    ambient = {settings[name]: str(name) for name in unlit}

    def stored(name: str) -> Blocks:
        wanted = [name] if known else list(dict.fromkeys([*names, name]))
        new = [one for one in wanted if one not in known]
        for one, result in zip(new, crew.each(read_blocks, [(folder / one,) for one in new]), strict=True):
            known[one] = result
            if progress is not None:
                progress(min(len(known), len(names)), len(names))
        blocks = known[name]
        if isinstance(blocks, FrameError):
            raise blocks
        return blocks

    def read(name: str) -> Blocks:
        blocks, room = stored(name), ambient.get(settings[name])
        if room is None or room == name:
            return blocks
        try:
            there = stored(room)
        except FrameError:
            return blocks
        if there.signal.shape != blocks.signal.shape:
            return blocks
        return replace(blocks, signal=blocks.signal - there.signal)

    return read


def of_anchors(waiting: Sequence[LitFrame], anchors: Sequence[LitFrame], body: Body, read: Reader) -> dict[str, Shared]:
    """Compare frames without a target with those of their body that have one.

    Args:
        anchors: Each frame is compared with the job frame nearest in the order of capture, and where that gives no
            result with the nearest card or flash frame.

    Returns: By frame; empty where there is no anchor.
    """
    found: dict[str, Shared] = {}
    for kinds in ((Kind.JOB,), DECLARED):
        hubs = [frame for frame in anchors if frame.reading.kind in kinds]
        for frame in waiting if hubs else ():
            name, shot = frame.reading.frame, frame.reading.shot
            if name in found and settled(found[name]):
                continue
            away = [(abs(other.reading.shot - shot), other.reading.shot) for other in hubs]
            hub = hubs[away.index(min(away))]
            light = hub.signal_g * np.array([hub.r_g, 1.0, hub.b_g])
            found[name] = _shared(name, hub.reading.frame, light, body, read)
    return found


def join_series(
    waiting: Sequence[LitFrame], to: str | None, body: Body, read: Reader
) -> tuple[Body, dict[str, Shared], MatchedToItself]:
    """Compare the frames of a series in which no frame holds a target with one of them.

    Args:
        to: ``frame:NAME`` chooses the hub; else it is a sound frame near the middle.
        body: Without a matrix where no frame of the session holds a target.

    Returns: The body with its matrix fixed at the white that stands in; by frame; and a message that says so.

    Raises:
        GreystepError: If the frame asked for, or every frame, is dark or clipped throughout.
    """
    names = [frame.reading.frame for frame in sorted(waiting, key=lambda frame: frame.reading.shot)]
    hub = _hub(names, to, read)
    neutral = assumed_light(body, read(hub))
    body = with_matrix(body, neutral)
    return body, {name: _shared(name, hub, neutral, body, read) for name in names}, MatchedToItself(hub)


def settled(one: Shared) -> bool:
    """Say whether a comparison gives a result: a light, or that the light has changed."""
    return not one.trouble or (one.overlap is not None and one.overlap.flag == Flag.LIGHT_CHANGED)


def check_hub(name: str, blocks: Blocks) -> None:
    """Refuse a hub of which too little is neither dark nor clipped."""
    fine = well_exposed(blocks.signal) & ~blocks.clipped
    if np.count_nonzero(fine) < AGREE_FIELDS * FIELD**2:
        clipped, dark = 100 * float(blocks.clipped.mean()), 100 * float((blocks.signal <= DARK).any(axis=-1).mean())
        raise GreystepError(
            f"{name}: {clipped:.0f} % of it is clipped and {dark:.0f} % too dark to compare other frames with it; "
            "choose another reference frame"
        )


def assumed_light(body: Body, blocks: Blocks) -> Floats:
    """Return the neutral (3,), green = 1, that the camera was set to; daylight where it does not say."""
    if blocks.neutral is not None:
        return np.asarray(blocks.neutral) / blocks.neutral[1]
    if body.tags is None:
        return np.ones(3)
    xy = chromaticity.cct_duv_to_xy(*camera.USUAL_FLASH)
    seen = camera.xyz_to_camera(body.tags, xy) @ chromaticity.xy_to_xyz(xy)
    return np.asarray(seen / seen[1])


def with_matrix(body: Body, neutral: Floats) -> Body:
    """Return the body with its matrix fixed at a neutral that is not that of a target."""
    if body.tags is None:
        return body
    red, green, blue = (float(value) for value in neutral)
    matrix = camera.fixed_matrix(body.tags, neutral)
    return replace(
        body, matrix=matrix, target_factor=np.ones(3), target_matrix=None, reference_neutral=(red, green, blue)
    )


def _hub(names: Sequence[str], to: str | None, read: Reader) -> str:
    """Return the frame that a series without a target is compared with: the one asked for, or a sound middle one."""
    asked = (to or "").removeprefix("frame:")
    if asked in names:
        check_hub(asked, read(asked))
        return asked
    middle, reason = len(names) // 2, ""
    for name in sorted(names, key=lambda one: abs(names.index(one) - middle)):
        try:
            check_hub(name, read(name))
        except GreystepError as error:
            reason = reason or str(error)
            continue
        return name
    raise GreystepError(f"no frame of the series can be compared with the others; {reason}")


def _shared(frame: str, hub: str, base: Floats, body: Body, read: Reader) -> Shared:
    nothing = Shared(frame, hub, None, np.full(3, np.nan), np.nan, np.nan, np.nan, np.nan, "")
    try:
        reference, blocks = read(hub), read(frame)
        check_hub(hub, reference)
    except GreystepError as error:
        return replace(nothing, trouble=str(error).removeprefix(f"{Path(frame).name}: "))
    if unlike := _unlike(reference, blocks, hub):
        return replace(nothing, trouble=unlike)
    found = compare(reference, blocks)
    if found.flag:
        return replace(nothing, overlap=found, trouble=f"{found.why} ({hub})")
    light = base * found.ratio
    covariance = found.covariance * np.outer(light, light)
    colour = colours(body, light[None, :], covariance[None])
    factor = student_factor(found.dof)
    mired, duv, u_mired = (
        (float(colour.mired[0]), float(colour.duv[0]), factor * float(np.sqrt(colour.covariance[0, 0, 0])))
        if colour is not None
        else (np.nan, np.nan, np.nan)
    )
    return Shared(frame, hub, found, light, mired, duv, u_mired, half_width_stops(found), "")


def _unlike(reference: Blocks, blocks: Blocks, hub: str) -> str:
    """Say why two frames of one camera cannot be laid over each other, or nothing."""
    if (blocks.height, blocks.width) != (reference.height, reference.width):
        sizes = [f"{one.width} x {one.height} px" for one in (blocks, reference)]
        return f"it has {sizes[0]}, the reference frame {hub} {sizes[1]}; shoot a series at one size"
    if blocks.orientation != reference.orientation:
        return (
            f"it was taken with the camera turned (orientation {blocks.orientation}, {hub} has "
            f"{reference.orientation}); nothing lies where it lay there"
        )
    if blocks.lens != reference.lens:
        return f"lens {blocks.lens or 'unknown'}, the reference frame {hub} has {reference.lens or 'unknown'}"
    pair = (blocks.focal_mm, reference.focal_mm)
    if pair[0] and pair[1] and abs(np.log(pair[0] / pair[1])) > _SAME_FOCAL:
        return f"it was taken at {pair[0]:g} mm, the reference frame {hub} at {pair[1]:g} mm"
    return ""
