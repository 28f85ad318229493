"""Whether the grey target stands in its place in each frame, and which frames must be read further to tell it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Booleans
from greystep.flags import Flag
from greystep.measure.reading import Reading
from greystep.measure.target_corners import in_place
from greystep.measure.target_moved import reference_surround
from greystep.measure.target_moved import target_states as states_of
from greystep.session.readings import BOX, Frames
from greystep.session.shots import aside_rows
from greystep.terms import DECLARED, TESTED, Kind

#: So many frames whose target stands in place are read whole where another is to be held against them.
_HELD_AGAINST: Final = 5


def to_read_whole(frames: Frames) -> list[str]:
    """Return the frames of which all that lies about the target must be read, as their corners do not tell enough.

    Those whose corners are not those of most frames, with some to hold them against; every frame of a body that has
    job frames, which must prove that they show the card; what was set aside in a shoot need not.
    """
    declared, flash = frames.of_kind(*DECLARED), frames.of_kind(*TESTED)
    job = frames.of_kind(Kind.JOB) & ~aside_rows(frames.log)
    sparse = np.array([reading is not None and reading.sparse for reading in frames.read], dtype=bool)
    standing = standing_by_corners(frames)
    chosen = np.zeros(len(frames.read), dtype=bool)
    for rows in _by_body(frames):
        asked = sparse & (declared | job) & rows
        if (job & rows).any():
            chosen |= asked
        elif (asked & ~standing).any():
            others = np.flatnonzero(standing & flash & rows)
            chosen |= asked & ~standing
            if len(others):
                chosen[others[np.unique(np.linspace(0, len(others) - 1, _HELD_AGAINST).astype(int))]] = True
    return [name for name, whole in zip(frames.log["frame"].tolist(), chosen & sparse, strict=True) if whole]


def found_in_others(name: str, looked_at: Sequence[str], readings: Mapping[str, Reading]) -> bool:
    """Say whether the target that was found in one frame stands in the others: its corners are those of most of them.

    Args:
        looked_at: Frames of its body that are likely to show the target, with itself.
    """
    corners = {other: maps for other in looked_at if (maps := readings[other].corners) is not None}
    return name in corners and bool(in_place([corners[name]], np.median(list(corners.values()), axis=0))[0])


def target_states(frames: Frames) -> NDArray[np.object_]:
    """Return of each row what is told of its target, see `target_moved.target_states`; blank where it stands in place.

    What the corners prove to stand in place does so; any other surround is held against those, or against all where
    there are none.
    """
    read, standing = frames.read, standing_by_corners(frames)
    states = np.full(len(read), "", dtype=object)
    for rows in _by_body(frames):
        maps = {
            row: surround
            for row in np.flatnonzero(rows).tolist()
            if (reading := read[row]) and (surround := reading.surround) is not None
        }
        witnesses = [row for row in maps if standing[row]] or list(maps)
        reference = reference_surround([maps[row] for row in _first_kind(frames, witnesses)])
        if reference is not None:
            asked = [row for row in maps if not standing[row]]
            states[asked] = states_of([maps[row] for row in asked], reference)
    return states


def check_targets(frames: Frames, states: NDArray[np.object_] | None = None) -> Frames:
    """Flag flash frames whose target has moved; a job frame without the target in its place loses what was measured.

    A frame that was measured where its target stands now says so itself, by its flag; any other cannot be used.

    Args:
        states: Of `target_states` of these frames, where it is known: it takes milliseconds a frame.
    """
    read = frames.read
    if states is None:
        states = target_states(frames)
    declared, job = frames.of_kind(*DECLARED), frames.of_kind(Kind.JOB)
    opened = np.array([reading is not None for reading in read], dtype=bool)
    lost = job & opened & ((states != "") | frames.doubts[Flag.NO_TARGET])
    kept = (Flag.UNREADABLE, Flag.OPCODES_IGNORED)
    return Frames(
        frames.log.assign(**{name: frames.log[name].mask(lost) for name in BOX}),
        tuple(replace(one, signal=None) if one and gone else one for one, gone in zip(read, lost, strict=True)),
        {
            flag: (rows if flag in kept else rows & ~lost)
            | (declared & ((states == flag) | ((states != "") & (flag == Flag.NO_TARGET))))
            for flag, rows in frames.doubts.items()
        },
    )


def standing_by_corners(frames: Frames) -> Booleans:
    """Return the rows whose corners are those of most frames of their body."""
    found = np.zeros(len(frames.read), dtype=bool)
    for rows in _by_body(frames):
        corners = {
            row: maps
            for row in np.flatnonzero(rows).tolist()
            if (reading := frames.read[row]) and (maps := reading.corners) is not None
        }
        if usual := _first_kind(frames, list(corners)):
            reference = np.median([corners[row] for row in usual], axis=0)
            found[list(corners)] = in_place(list(corners.values()), reference)
    return found


def _by_body(frames: Frames) -> Iterator[Booleans]:
    for label in frames.log["body"].unique():
        yield (frames.log["body"] == label).to_numpy(dtype=bool)


def _first_kind(frames: Frames, rows: list[int]) -> list[int]:
    """Return those of the rows that say where the target stands: tested flashes, else cards, else job frames."""
    for kinds in (TESTED, DECLARED, (Kind.JOB,)):
        wanted = frames.of_kind(*kinds)
        if of_kind := [row for row in rows if wanted[row]]:
            return of_kind
    return []
