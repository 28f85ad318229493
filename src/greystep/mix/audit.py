"""A set-up judged before it is shot: its casts, what would bring its lights together, the shutter."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

import numpy as np

from greystep.arrays import Floats
from greystep.compare.actions import Action, FireFirst, settle
from greystep.compare.drift import Drift, DriftNote, Timing, analyse, check_colour
from greystep.errors import GreystepError
from greystep.mix.casts import Casts, LightPair, find_casts
from greystep.mix.changes import RemedyKind
from greystep.mix.gels import Gel, nominal_gels, read_gels
from greystep.mix.lights import SetupLight, build_lights, warming, withheld_of
from greystep.mix.measured import WholeFrame, lend_scatter, measured_setup
from greystep.mix.remedies import EFFORT, Remedy, cheapest, find_remedies, fits
from greystep.mix.setup import Setup, SetupRow, read_setup
from greystep.mix.shutter import ShutterCheck, check_shutter
from greystep.session.ingest import Ingested
from greystep.session.messages import SessionNote
from greystep.session.settings import Tolerance
from greystep.terms import Verdict, Withheld


@dataclass(frozen=True)
class BetweenPowers:
    """Lights, as (head, power), that are taken from the tested powers on both sides."""

    lights: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class HeadTwice:
    """Heads that stand in two places of the set-up."""

    heads: tuple[str, ...]


class Doubt(StrEnum):
    """What limits answers: heads between which nothing was watched, gels as listed in the trade, unknown spectra."""

    UNWATCHED = "unwatched"
    LISTED_GELS = "listed gels"
    SPECTRA = "spectra"


@dataclass(frozen=True)
class JudgedSetup:
    """A set-up as it stands.

    Attributes:
        name: Of the set-up.
        wholes: Frames of several lights against the sum of their singles; empty for a set-up that was not shot.
        settle: What to shoot, so that lights can be called of which the test cannot tell.
        output: (c,) array. Of the tested cells [stops].
    """

    name: str
    tolerance: Tolerance
    setup: Setup
    lights: tuple[SetupLight, ...]
    now: Casts
    wholes: tuple[WholeFrame, ...]
    settle: tuple[Action, ...]
    output: Floats

    @property
    def holds(self) -> bool:
        """Whether all its lights go together, and add up where it was shot."""
        return self.now.verdict == Verdict.WITHIN and not any(whole.not_additive for whole in self.wholes)


@dataclass(frozen=True)
class Audit(JudgedSetup):
    """A set-up as it stands, and as it could be.

    Attributes:
        session: Title of the test session.
        remedies: Best first.
        cheapest: The least work of those that bring it into tolerance for sure.
        maybe: Less work than that, but too close to call.
        after: The set-up after `cheapest`, else `maybe`; None where that is plates, or nothing needs to change.
        timing, looks: Of the test; how often it may have been judged while it was shot.
        session_notes, design_notes: Tuple of notes. What the frames of the test session, and its design, leave open.
    """

    session: str
    gels: tuple[Gel, ...]
    remedies: tuple[Remedy, ...]
    cheapest: Remedy | None
    maybe: Remedy | None
    after: Casts | None
    shutter: ShutterCheck
    timing: Timing
    looks: int
    doubts: tuple[BetweenPowers | HeadTwice | Doubt, ...]
    session_notes: tuple[SessionNote, ...]
    design_notes: tuple[DriftNote, ...]


def audit_path(
    path: Path,
    found: Ingested,
    gels: Sequence[Gel],
    shutter_s: float | None = None,
    tested: Ingested | None = None,
) -> Audit:
    """Judge a set-up that is described in a file or was shot, and find what would bring its lights together.

    Args:
        path: SETUP.csv; or the folder of the session, where each light was shot alone and all together.
        tested: A test session of the heads, which lends its scatter where no light of the session was shot twice.

    Raises:
        GreystepError: If the set-up cannot be read or is not in the test, or no camera of the test has a colour matrix.
    """
    drift = analyse(found.readings, found.settings)
    if tested is not None:
        drift = lend_scatter(drift, analyse(tested.readings, tested.settings))
    if path.is_dir():
        drift = replace(drift, watched=np.ones_like(drift.watched))  # no head is moved between its lights
    judged, matrix = judge_setup(path, found, drift, gels)
    rows, tolerance, now = judged.setup.rows, judged.tolerance, judged.now
    remedies = find_remedies(rows, drift, tolerance, gels, matrix)
    sure = maybe = after = None
    if now.verdict != Verdict.WITHIN:
        sure = cheapest(remedies)
        maybe = cheapest([one for one in remedies if fits(one, tolerance)], Verdict.UNDECIDED)
    if sure is not None and maybe is not None and EFFORT.index(sure.kind) <= EFFORT.index(maybe.kind):
        maybe = None
    best = sure or maybe
    if best is not None and best.kind != RemedyKind.PLATES:
        after = find_casts(build_lights(best.rows, drift.fitted), drift, tolerance, matrix)
    doubts = _doubts(rows, gels, remedies)
    if not withheld_of(judged.lights, drift)[1].all():
        doubts.insert(0, Doubt.UNWATCHED)
    return Audit(
        **vars(judged),
        session=found.settings.title,
        gels=tuple(gels),
        remedies=tuple(remedies),
        cheapest=sure,
        maybe=maybe,
        after=after,
        shutter=check_shutter(rows, found.readings, found.settings.heads, judged.output, shutter_s),
        timing=drift.timing,
        looks=drift.looks,
        doubts=tuple(doubts),
        session_notes=found.notes,
        design_notes=drift.notes,
    )


def judge_setup(
    path: Path,
    found: Ingested,
    drift: Drift,
    gels: Sequence[Gel],
    powers: Mapping[str, str] = MappingProxyType({}),
) -> tuple[JudgedSetup, Floats]:
    """Judge a set-up by the tolerance of its test session.

    Args:
        path: As of `audit_path`; errors too.
        drift: Of the test.
        powers: By role, in place of those in SETUP.csv.

    Returns: The set-up, and the matrix (3, 3) from XYZ to camera RGB of its camera.
    """
    check_colour(drift, found.settings)
    mired, output = (drift.fitted[name].cells.values for name in ("mired", "output_stops"))
    wholes: tuple[WholeFrame, ...] = ()
    if path.is_dir():
        name, measured = found.settings.title, measured_setup(found, drift)
        setup, wholes = measured.setup, measured.wholes
    else:
        name, setup = path.stem, read_setup(path, found.settings, drift.cells, mired, output, gels, powers)
    tolerance = found.settings.tolerance
    label = str(drift.cells.table["body"].iloc[setup.rows[0].cells[0][0]])
    matrix = found.bodies[label].matrix
    if matrix is None:
        raise GreystepError(f"{label}: no colour matrix is known for this camera; make one with greystep camera")
    lights = build_lights(setup.rows, drift.fitted)
    now = find_casts(lights, drift, tolerance, matrix)
    settle = tuple(_to_settle(lights, now.pairs, drift, tolerance))
    return JudgedSetup(name, tolerance, setup, lights, now, wholes, settle, output), matrix


def gels_at_hand(setup: Path, session: Path, given: Path | None = None) -> tuple[Gel, ...]:
    """Return the user's gels: of the file that is given, else of gels.csv beside SETUP.csv or in the test session.

    Without any file, those that the trade lists; errors as of `read_gels`.
    """
    there = (path for path in (setup.parent / "gels.csv", session / "gels.csv") if os.path.lexists(path))
    own = given or next(there, None)
    return nominal_gels() if own is None else read_gels(own)


def _to_settle(
    lights: Sequence[SetupLight], pairs: Sequence[LightPair], drift: Drift, tolerance: Tolerance
) -> list[Action]:
    """Return what to do, so that the pairs can be called of which nothing is."""
    held: dict[Withheld, list[str]] = {reason: [] for reason in Withheld}
    blind = {role for pair in pairs if pair.withheld == Withheld.UNWATCHED for role in (pair.role_a, pair.role_b)}
    for light in lights:
        for row in light.rows:
            reasons = {drift.withheld[cell] for cell, _ in row.cells} - {""}
            for reason in reasons | ({Withheld.UNWATCHED} if light.role in blind else set()):
                held[Withheld(reason)].append(row.head)
    cold = {head: warm_up for heads in warming(lights, drift, tolerance) for head, warm_up in heads.items()}
    return [*settle(drift, held), *(FireFirst(head, warm_up) for head, warm_up in cold.items())]


def _doubts(
    rows: Sequence[SetupRow], gels: Sequence[Gel], remedies: Sequence[Remedy]
) -> list[BetweenPowers | HeadTwice | Doubt]:
    """Return what limits the answer."""
    found: list[BetweenPowers | HeadTwice | Doubt] = []
    if between := [(row.head, row.power) for row in rows if len(row.cells) > 1]:
        found.append(BetweenPowers(tuple(between)))
    heads = [row.head for row in rows]
    if twice := [head for head in dict.fromkeys(heads) if heads.count(head) > 1]:
        found.append(HeadTwice(tuple(twice)))
    nominal = any(not row.gel.own for row in rows) or any(one.kind == RemedyKind.GEL for one in remedies)
    if nominal and not all(gel.own for gel in gels):
        found.append(Doubt.LISTED_GELS)
    return [*found, Doubt.SPECTRA]
