"""A set-up shot light by light and once with all: its lights and shares as measured, and whether they add up."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.arrays import Floats
from greystep.compare.drift import Drift, NothingRepeated
from greystep.compare.firing_times import text_column
from greystep.compare.fit import Estimates
from greystep.errors import GreystepError
from greystep.measure import chromaticity
from greystep.mix.gels import NO_GEL
from greystep.mix.setup import Setup, SetupRow
from greystep.raw.exposure import relative_exposure_stops
from greystep.session.ingest import Ingested
from greystep.session.power import same_power
from greystep.session.settings import power_of
from greystep.terms import TESTED, Kind

#: All together may differ so much from the sum of the singles [stops, steps]: two flashes of one head differ as much.
_STOPS: Final = 0.1
_STEPS: Final = 1.0
_SIGNALS: Final = ["signal_r", "signal_g", "signal_b"]


@dataclass(frozen=True)
class WholeFrame:
    """A frame with several lights, against the sum of its lights shot one by one.

    Attributes:
        frame, lights: The lights as ``A@1/4 & B@1/16``.
        stops_off, steps_off: The frame minus the sum.
        not_additive: They differ by more than two flashes of one head do.
    """

    frame: str
    lights: str
    stops_off: float
    steps_off: float
    not_additive: bool


@dataclass(frozen=True)
class Measured:
    """A set-up from its own frames: a row for every head and power that was shot alone, and the frames of several.

    Its shares are those of the measured luminance.
    """

    setup: Setup
    wholes: tuple[WholeFrame, ...]


def measured_setup(found: Ingested, drift: Drift) -> Measured:
    """Read a set-up from a session: kind ``flash`` a light alone, ``card`` or ``job`` several, in ``lights`` or all.

    Args:
        found: The session; a column ``role`` of its log names the lights, else their heads do.

    Raises:
        GreystepError: If there are fewer than two single lights, or no frame of all that can be used.
    """
    readings = found.readings.reset_index(drop=True)
    light = _light(readings)
    usable = (readings["status"] != flags.Status.REJECTED).to_numpy() & np.isfinite(light).all(axis=1)
    clean = np.array([flags.serves(cell) for cell in readings["flags"]])
    flash = usable & clean & readings["kind"].isin(TESTED).to_numpy()
    roles = text_column(readings, "role").to_numpy(object)
    table = drift.cells.table
    body = next((str(name) for name in table["body"][table["n"] > 0]), "")
    sees = found.bodies[body].sees if body in found.bodies else None
    if sees is None:
        raise GreystepError(f"{found.settings.path}: no camera with a colour matrix has measured a light alone")
    to_xyz = np.linalg.inv(sees)
    rows: list[SetupRow] = []
    sums: list[Floats] = []
    for cell in np.flatnonzero(table["body"] == body):
        head, stops = str(table["head"].iloc[cell]), float(table["stops"].iloc[cell])
        mine = flash & (readings["head"] == head).to_numpy() & (readings["body"] == body).to_numpy()
        mine &= readings["stops"].map(lambda value, at=stops: same_power(value, at)).to_numpy(bool)
        if not mine.any():
            continue
        named = next((role for role in roles[mine] if role), head)
        sums.append(light[mine].mean(axis=0))
        power, luminance = str(table["power"].iloc[cell]), float((to_xyz @ sums[-1])[1])
        if any(row.role == named for row in rows):
            named = f"{named}, {head} at {power}"
        where = ((int(cell), 1.0),)
        rows.append(SetupRow(len(rows) + 1, named, head, power, stops, luminance, NO_GEL, "", where))
    if len(rows) < 2:
        raise GreystepError(f"{found.settings.path}: {len(rows)} light was shot alone; shoot one frame of each light")
    several = (readings["kind"] == Kind.JOB) | ((readings["kind"] == Kind.CARD) & (readings["head"] == ""))
    job = usable & several.to_numpy() & (readings["body"] == body).to_numpy()
    if not job.any():
        raise GreystepError(
            f"{found.settings.path}: no frame of all lights together; log it as kind card, its lights as A@1/4 & B@1/16"
        )
    names = text_column(readings, "lights").to_numpy(object)
    wholes = []
    for place in np.flatnonzero(job):
        chosen = _named(str(names[place]), rows, found)
        total = np.sum([sums[at] for at in chosen], axis=0)
        stops = float(np.log2(light[place][1] / total[1]))
        upvp = chromaticity.xyz_to_upvp(np.array([light[place], total]) @ to_xyz.T)
        steps = float(chromaticity.steps(upvp[0], upvp[1]))
        named = " & ".join(f"{rows[at].head}@{rows[at].power}" for at in chosen)
        off = abs(stops) > _STOPS or steps > _STEPS
        wholes.append(WholeFrame(str(readings["frame"].iloc[place]), named, stops, steps, off))
    whole = sum(row.share for row in rows)
    return Measured(Setup(tuple(replace(row, share=row.share / whole) for row in rows), "measured"), tuple(wholes))


def lend_scatter(drift: Drift, tested: Drift) -> Drift:
    """Return the facts of a session in which nothing was shot twice, with the scatter of a test of its heads.

    A head takes its own scatter of the test, else that of all its heads together; divided by its frames here. A session
    that knows its scatter is returned as it is.
    """
    if any((one.dof > 0).any() for one in drift.fitted.values()):
        return drift
    names, there = drift.cells.heads["head"].to_numpy(object), tested.cells.heads["head"].to_numpy(object)
    n = np.maximum(drift.cells.table["n"].to_numpy(np.float64), 1.0)
    fitted = {}
    for quantity, one in drift.fitted.items():
        scatter = tested.fitted[quantity]
        parts, dof = np.zeros((len(names), len(n), len(n))), np.zeros(len(names))
        for head, name in enumerate(names):
            own = (there == name) & (scatter.dof > 0)
            chosen = own if own.any() else scatter.dof > 0
            if not chosen.any():
                return drift
            dof[head] = scatter.dof[chosen].sum()
            mine = np.flatnonzero(drift.cells.head == head)
            parts[head, mine, mine] = scatter.sums[chosen].sum() / dof[head] / n[mine]
        fitted[quantity] = replace(one, cells=Estimates(one.cells.values, parts, dof))
    notes = tuple(note for note in drift.notes if not isinstance(note, NothingRepeated))
    return replace(drift, fitted=fitted, notes=notes)


def _light(readings: pd.DataFrame) -> Floats:
    """Return camera RGB of the light on the target (n, 3), aperture and ISO taken out."""
    settings = [
        relative_exposure_stops(f_number, iso) if f_number > 0 and iso > 0 else np.nan
        for f_number, iso in zip(readings["f_number"], readings["iso"], strict=True)
    ]
    return readings[_SIGNALS].to_numpy(np.float64) * np.exp2(settings)[:, None]


def _named(text: str, rows: Sequence[SetupRow], found: Ingested) -> list[int]:
    """Return the places of the lights that a frame names: ``A@1/4 & B@1/16``; all where it names none."""
    if not text.strip():
        return list(range(len(rows)))
    chosen = []
    for part in text.split("&"):
        head, _, power = part.strip().rpartition("@")
        stops = power_of(found.settings, head, power).stops
        at = [place for place, row in enumerate(rows) if row.head == head and same_power(row.stops, stops)]
        if not at:
            known = ", ".join(f"{row.head}@{row.power}" for row in rows)
            raise GreystepError(f'lights "{text}": {part.strip()} was not shot alone; there are {known}')
        chosen += at
    return chosen
