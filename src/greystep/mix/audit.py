"""A set-up judged before it is shot: its casts, what would mend it, the shutter; and audit.json of it."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from greystep import __version__
from greystep.compare.drift import Drift
from greystep.errors import GreystepError
from greystep.files import plain, records
from greystep.log.ingest import Ingested
from greystep.mix.additive import additive_notes
from greystep.mix.casts import Casts, find_casts
from greystep.mix.gels import Gel
from greystep.mix.mixing import build_lights
from greystep.mix.planned import Planned, check_planned
from greystep.mix.remedies import EFFORT, Remedy, cheapest, find_remedies, fits
from greystep.mix.setup import Setup, SetupRow


@dataclass(frozen=True)
class Audit:
    """A set-up as it stands, and as it could be.

    Attributes
    ----------
    name : str
    setup : Setup
    gels : tuple of Gel
        Those that were at hand.
    now : Casts
    remedies : tuple of Remedy
        Best first.
    cheapest : Remedy or None
        The least work of those that bring it into tolerance for sure.
    maybe : Remedy or None
        Less work than that, but too close to call.
    after : Casts or None
        The set-up after `cheapest`, else `maybe`; None where that is plates, or nothing needs mending.
    planned : Planned
    wholes : DataFrame
        Frames of several lights against the sum of their singles, see `greystep.mix.additive.Measured`; empty for a
        set-up that was not shot.
    notes : tuple of str
    """

    name: str
    setup: Setup
    gels: tuple[Gel, ...]
    now: Casts
    remedies: tuple[Remedy, ...]
    cheapest: Remedy | None
    maybe: Remedy | None
    after: Casts | None
    planned: Planned
    wholes: pd.DataFrame
    notes: tuple[str, ...]


def audit_setup(
    name: str,
    setup: Setup,
    found: Ingested,
    drift: Drift,
    gels: Sequence[Gel],
    shutter_s: float | None = None,
    wholes: pd.DataFrame | None = None,
) -> Audit:
    """Judge a set-up by the tolerance of its test session.

    Parameters
    ----------
    name : str
        Of the set-up, for its page.
    setup : Setup
        Found among the cells of the test.
    found : Ingested
        The test session.
    drift : Drift
        What it says.
    gels : sequence of Gel
        Those at hand.
    shutter_s : float, optional
        As planned [s].
    wholes : DataFrame, optional
        Of a set-up that was shot.

    Raises
    ------
    GreystepError
        If the camera of the test has no colour matrix.
    """
    tolerance = found.session.tolerance
    label = str(drift.cells.table["body"].iloc[setup.rows[0].cells[0][0]])
    matrix = found.bodies[label].matrix
    if matrix is None:
        raise GreystepError(f"{label}: no colour matrix is known for this camera; make one with greystep camera")
    now = find_casts(build_lights(setup.rows, drift.fitted), drift, tolerance, matrix)
    remedies = find_remedies(setup.rows, drift, tolerance, gels, matrix)
    sure = None if now.verdict == "within" else cheapest(remedies)
    hopeful = [one for one in remedies if fits(one, tolerance)]
    maybe = None if now.verdict == "within" else cheapest(hopeful, "undecided")
    if sure is not None and maybe is not None and EFFORT.index(sure.kind) <= EFFORT.index(maybe.kind):
        maybe = None
    mend = sure or maybe
    after = None
    if mend is not None and mend.kind != "plates":
        after = find_casts(build_lights(mend.rows, drift.fitted), drift, tolerance, matrix)
    output = drift.fitted["output_stops"].cells.values
    apart = pd.DataFrame() if wholes is None else wholes
    return Audit(
        name=name,
        setup=setup,
        gels=tuple(gels),
        now=now,
        remedies=tuple(remedies),
        cheapest=sure,
        maybe=maybe,
        after=after,
        planned=check_planned(setup.rows, found.readings, found.session.heads, output, shutter_s),
        wholes=apart,
        notes=(*_notes(setup.rows, gels, remedies), *found.notes),
    )


def audit_document(audit: Audit, found: Ingested) -> dict[str, Any]:
    """Return the object of audit.json, with None for every number that is not known."""
    tolerance = found.session.tolerance
    source = "this tool's default, no standard" if tolerance.is_default else "session.toml"
    planned = audit.planned
    content = {
        "schema": 1,
        "greystep": __version__,
        "setup": audit.name,
        "session": found.session.title,
        "tolerance": {**asdict(tolerance), "source": source},
        "amounts": audit.setup.amounts,
        "lights": records(audit.now.table),
        "mixture": audit.now.mixture,
        "balance": audit.now.balance,
        "worst_pair": audit.now.worst,
        "pairs": records(audit.now.pairs),
        "path": records(audit.now.path.iloc[::5]),
        "chart": records(audit.now.chart),
        "verdict": audit.now.verdict,
        "remedies": [_remedy(one) for one in audit.remedies],
        "cheapest": _remedy(audit.cheapest) if audit.cheapest else None,
        "maybe": _remedy(audit.maybe) if audit.maybe else None,
        "after": _after(audit.after) if audit.after else None,
        "shutter": {
            "shutter_s": planned.shutter_s,
            "given": planned.given,
            "flashes": records(planned.flashes),
            "slowest": planned.slowest,
            "least_shutter": planned.least_shutter or None,
        },
        "ambient": {
            "ambient_pct": planned.ambient_pct,
            "high": planned.ambient_high,
            "lights": records(planned.ambient),
        },
        "wholes": records(audit.wholes),
        "not_additive": additive_notes(records(audit.wholes)),
        "gels": [_gel(gel) for gel in audit.gels],
        "notes": audit.notes,
    }
    made: dict[str, Any] = plain(content)
    return made


def find_gels_file(setup: Path, session: Path) -> Path | None:
    """Return the user's gels.csv: beside SETUP.csv, else in the test session; None where there is none."""
    return next((path for path in (setup.parent / "gels.csv", session / "gels.csv") if path.is_file()), None)


def _remedy(one: Remedy) -> Mapping[str, Any]:
    kept = asdict(one)
    del kept["rows"]
    if not one.corrections:
        del kept["corrections"]
    return kept


def _gel(gel: Gel) -> dict[str, Any]:
    (_, mired, duv), *_ = gel.doubts
    return {
        "name": gel.name,
        "mired_shift": gel.mired_shift,
        "duv_shift": gel.duv_shift,
        "stops": gel.stops,
        "spread_mired": 2.0 * mired,
        "spread_duv": 2.0 * duv,
        "own": gel.own,
    }


def _after(casts: Casts) -> dict[str, Any]:
    return {
        "lights": records(casts.table),
        "balance": casts.balance,
        "worst_pair": casts.worst,
        "verdict": casts.verdict,
    }


def _notes(rows: Sequence[SetupRow], gels: Sequence[Gel], remedies: Sequence[Remedy]) -> list[str]:
    """Say what limits the answer."""
    notes = []
    between = [f"{row.head} at {row.power}" for row in rows if len(row.cells) > 1]
    if between:
        notes.append(
            f"{', '.join(between)}: not tested, taken straight between the tested powers on both sides; shoot it to be "
            "sure."
        )
    heads = [row.head for row in rows]
    if twice := [head for head in dict.fromkeys(heads) if heads.count(head) > 1]:
        names = ", ".join(twice)
        notes.append(f"{names}: in two places of this set-up; one head cannot stand in both, and two of a type differ.")
    nominal = any(not row.gel.own for row in rows) or any(one.kind == "gel" for one in remedies)
    if nominal and not all(gel.own for gel in gels):
        notes.append(
            "Gels are listed as is common practice and vary by maker, far more than this tolerance: measure yours, one "
            "frame with and one without, and put them in gels.csv."
        )
    notes.append(
        "A camera's matrix knows the colour of each light and not its spectrum: what is said of coloured patches holds "
        "for lights of one kind. Lamps of another kind (LED, tungsten, other tubes) can differ more on strong colours."
    )
    return notes
