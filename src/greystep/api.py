"""The one door for programs and notebooks: open a session and ask it.

The commands use the same door: each parses its options, calls one of these, and prints what it returns. A result gives
its tables and numbers as attributes, ``document`` as the object that ``--json`` prints, ``text`` as what the screen
shows, and ``write(folder)`` as the files of its command.
"""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from greystep.doors import check_file
from greystep.planning.wishes import Wishes
from greystep.results.session import Session
from greystep.session.ingest import ingest
from greystep.session.part import Part
from greystep.session.settings import Box, load_settings
from greystep.session.workers import Progress

if TYPE_CHECKING:
    from greystep.arrays import Floats
    from greystep.results.camera import CameraResult
    from greystep.results.history import HistoryResult
    from greystep.results.plan import PlanResult


def open_session(
    path: Path | str,
    *,
    patch: Box | None = None,
    store: Path | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
    first: str = "",
    last: str = "",
    stack: bool = False,
) -> Session:
    """Open a session: read its settings, its log, and those frames that are new or have changed.

    Args:
        path: The session's folder; its raw files are only read.
        patch: The grey target (x0, y0, x1, y1) as fractions of the visible frame; by default it is found.
        store: Where readings and cache go if the session's folder cannot be written.
        progress: Called with (done, total) frames.
        jobs: Frames that are worked on at once; the cores that this process may use by default.
        first, last: Names of frames: only these and what was shot between them is read; all by default.
        stack: Without a log all frames are those of a job; the raw files may lie in `path` itself.

    Raises:
        GreystepError: If the folder, its settings or its log have faults, or no frame can be read.

    Examples:
        >>> kit = open_session("sample_data/hire_kit")
        >>> len(kit.readings), list(kit.heads["head"])
        (66, ['A', 'B', 'C', 'D'])
    """
    part, settings = Part(first, last), load_settings(Path(path))
    found = ingest(settings, patch=patch, progress=progress, store=store, jobs=jobs, part=part, stack=stack)
    return Session(found, store)


def history(sessions: Sequence[Session | Path | str]) -> "HistoryResult":
    """Say of each head whether it has moved since the session before.

    Args:
        sessions: Two or more, open or as folders.

    Raises:
        GreystepError: If nothing in them can be compared.

    Examples:
        >>> history(["sample_data/hire_kit", "sample_data/hire_kit"]).table["verdict"].unique().tolist()
        ['', 'not moved', 'cannot tell']
    """
    from greystep.compare.anchors import visit_of
    from greystep.compare.history import compare_sessions
    from greystep.results.history import HistoryResult

    opened = [one if isinstance(one, Session) else open_session(one) for one in sessions]
    titles = [one.title for one in opened]
    names = [one.title if titles.count(one.title) == 1 else str(one.path) for one in opened]
    visits = [visit_of(name, one.ingested, one.drift) for name, one in zip(names, opened, strict=True)]
    newest = max(range(len(visits)), key=lambda place: (visits[place].date, place))
    return HistoryResult(compare_sessions(visits), opened[newest].path)


def plan(
    title: str,
    heads: Sequence[str],
    wishes: Wishes | None = None,
    *,
    packs: Mapping[str, str] | None = None,
    serials: Mapping[str, str] | None = None,
    reference: str | None = None,
) -> "PlanResult":
    """Plan a test of every head at every power; nothing is written before ``write(folder)``.

    Args:
        title: Of the session.
        heads: Labels of the heads.
        wishes: Powers, rounds, order and the rest.
        packs, serials: By head, as far as they are known.
        reference: The head on a stand of its own, with check frames; the first where it is None, none where blank.

    Raises:
        GreystepError: If anything that is asked for cannot be read or met.

    Examples:
        >>> test = plan("Hire test", ["A", "B"], Wishes(powers=("full", "1/4")))
        >>> len(test.shots)
        16
    """
    from greystep.planning.plans import plan_test
    from greystep.results.plan import PlanResult

    stands = heads[0] if reference is None else reference
    return PlanResult(plan_test(title, heads, wishes or Wishes(), packs or {}, serials or {}, stands))


def plan_swap(
    title: str,
    heads: Sequence[str],
    packs: Sequence[str],
    wishes: Wishes | None = None,
    *,
    serials: Mapping[str, str] | None = None,
    reference: str = "",
) -> "PlanResult":
    """Plan two heads on both of two packs: is it the head or the pack? Arguments as those of `plan`.

    Examples:
        >>> sorted(set(plan_swap("Swap", ["C", "D"], ["P1", "P2"]).shots["pack"]))
        ['', 'P1', 'P2']
    """
    from greystep.planning import plans
    from greystep.results.plan import PlanResult

    return PlanResult(plans.plan_swap(title, heads, packs, wishes or Wishes(), serials or {}, reference))


def calibrate_camera(
    frame: Path | str, corners: "Floats | None" = None, light: tuple[float, float] | None = None
) -> "CameraResult":
    """Make a camera's own colour matrix from a raw frame of a 24-patch colour chart under one light.

    Args:
        frame: The raw file.
        corners: Array (4, 2). Outer corners of the four corner patches, clockwise from dark skin, as fractions of the
            visible frame; by default the chart is found.
        light: CCT [K] and Duv of the light; by default what the frame's own matrix reads off the greys.

    Raises:
        GreystepError: If no chart is found, too many patches are clipped, or the fit leaves too much.

    Examples:
        >>> calibrate_camera("sample_data/hire_kit/frames/f0004.dng")
        Traceback (most recent call last):
        ...
        greystep.errors.GreystepError: f0004.dng: no 24-patch colour chart found; ...
    """
    from greystep.measure.calibration import calibrate
    from greystep.results.camera import CameraResult

    if os.path.exists(frame):
        check_file(Path(frame))
    return CameraResult(calibrate(Path(frame), corners, light))
