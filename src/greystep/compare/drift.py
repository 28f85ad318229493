"""Facts of a session: how far each head moves with power, how far any two lights stand apart, and how sure that is.

Nothing here knows a tolerance: another limit must not change a number.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep.arrays import Booleans, Indices
from greystep.compare.cells import Cells, Frames, find_cells, same_powers
from greystep.compare.differences import components, difference
from greystep.compare.heads import head_table
from greystep.compare.joint_fit import Fitted, fit_cells
from greystep.compare.powers import power_table
from greystep.compare.reference_light import reference_light
from greystep.constants import OBSERVER_OTHER_TYPE_MIRED, OBSERVER_SAME_HEAD, OBSERVER_SAME_TYPE
from greystep.errors import GreystepError
from greystep.session.power import same_power
from greystep.session.reference import HeadAtPower, WholeKit, choose_lights, session_reference
from greystep.session.settings import Settings
from greystep.terms import COLUMN, Withheld
from greystep.words import GIVE_MATRIX


@dataclass(frozen=True)
class HeatNotSeparable:
    """The frames of these heads go straight through the powers, so that heat and power cannot be separated."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class NothingRepeated:
    """No head was shot twice at one power."""


@dataclass(frozen=True)
class NotRepeated:
    """These heads were not shot twice at one power; the scatter of the others is used for them."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class HeatByShots:
    """The capture times are not known, so that heat is counted in shots."""


@dataclass(frozen=True)
class KitPowerNotMeasured:
    """No head was measured at the power of the kit's mean, so that there is no reference."""

    power: str


@dataclass(frozen=True)
class ReferencePowerNotMeasured:
    """The head was not measured at the reference power; its highest power, `used`, is the reference."""

    power: str
    head: str
    used: str


DriftNote = (
    HeatNotSeparable | NothingRepeated | NotRepeated | HeatByShots | KitPowerNotMeasured | ReferencePowerNotMeasured
)


@dataclass(frozen=True)
class Timing:
    """How fast a test was shot.

    Attributes:
        frame_s: Usual time from one flash of a head to its next [s]; NaN where it is not known.
        head_change_s: Usual time from one head to another [s]; 0 where there was none.
    """

    frame_s: float
    head_change_s: float


@dataclass(frozen=True)
class Drift:
    """What a session says before anything is judged.

    Attributes:
        powers, heads, pairs: The contract's tables without verdicts, with further columns at their ends.
        pair_first, pair_second: (r,) int arrays. The cells of each row of `pairs`.
        own_reference: (c,) int array. The cell of the same head that each cell's drift is measured from; -1 where there
            is none.
        reference: The light that all are compared with: head, power, kit, mired, cct_k, duv, u_prime, v_prime,
            output_stops.
        withheld: (c,) array of str. Why nothing can be called of a cell, see `Withheld`; blank where it can.
        watched: (c, c) bool array. Whether anything watched camera and mains between two cells.
        looks: How often the test may have been judged while it was shot.
    """

    powers: pd.DataFrame
    heads: pd.DataFrame
    pairs: pd.DataFrame
    cells: Cells
    frames: Frames
    fitted: Mapping[str, Fitted]
    pair_first: Indices
    pair_second: Indices
    own_reference: Indices
    reference: Mapping[str, Any]
    timing: Timing
    notes: tuple[DriftNote, ...]
    seed: int
    withheld: npt.NDArray[np.object_]
    watched: Booleans
    looks: int = 1


def analyse(readings: pd.DataFrame, settings: Settings, seed: int = 0) -> Drift:
    """Analyse the readings of a session.

    Args:
        readings: One row a frame, the contract's columns.
        settings: For its reference and the types of its heads.
        seed: Of the draws behind the uncertainty of spans; the same seed gives the same numbers.

    Raises:
        GreystepError: If no flash frame is in the log, or the reference head is not.
    """
    cells, frames = find_cells(readings)
    if not len(cells.table):
        raise GreystepError(
            f"{settings.path}: the log has no flash frame, so nothing can be compared; give rows of kind flash a head"
        )
    fitted = fit_cells(cells, frames)
    notes = _notes(cells, frames, fitted)
    reference, of_body, own = _references(cells, fitted, settings, notes)
    powers = power_table(cells, frames, fitted, own, of_body)
    heads = head_table(cells, frames, fitted, own, np.random.default_rng(seed))
    first, second = _cross(cells)
    return Drift(
        powers=powers,
        heads=heads,
        pairs=_pairs(cells, fitted, settings, first, second),
        cells=cells,
        frames=frames,
        fitted=fitted,
        pair_first=first,
        pair_second=second,
        own_reference=own,
        reference=reference,
        timing=_timing(frames),
        notes=tuple(notes),
        seed=seed,
        withheld=_withheld(cells, frames),
        watched=_watched(cells, frames, fitted),
        looks=settings.looks,
    )


def _mixed(cells: Cells, frames: Frames) -> Booleans:
    """Return the heads (h,) of several powers in which heat and power cannot be separated."""
    measured = np.bincount(cells.head[cells.table["n"] > 0], minlength=len(cells.heads))
    return np.asarray((measured > 1) & ~frames.heat.separable)


def _withheld(cells: Cells, frames: Frames) -> npt.NDArray[np.object_]:
    """Return why nothing can be called of a cell (c,), whatever its numbers say; blank where it can."""
    mixed = _mixed(cells, frames)
    open_room = np.bincount(frames.cell[~frames.proven], minlength=len(cells.table)) > 0
    heat = np.where(mixed[cells.head], str(Withheld.HEAT), "")
    return np.where(open_room, str(Withheld.ROOM), heat).astype(object)


def _watched(cells: Cells, frames: Frames, fitted: Mapping[str, Fitted]) -> Booleans:
    """Return (c, c) whether two cells were shot in the same blocks, or what moves between blocks was watched."""
    count = len(cells.table)
    if frames.rounds > 1 or fitted["mired"].watch.dof:
        return np.ones((count, count), dtype=bool)
    blocks = np.unique(frames.block)
    inside = np.zeros((count, len(blocks)), dtype=bool)
    inside[frames.cell, np.searchsorted(blocks, frames.block)] = True
    return np.asarray((inside[:, None] == inside).all(axis=2))


def check_colour(drift: Drift, settings: Settings) -> None:
    """Refuse a test without any colour because no matrix is known for its camera; what to do is said."""
    if drift.cells.colourless.all():
        raise GreystepError(f"{settings.path}: no colour matrix is known for its camera; {GIVE_MATRIX}")


def _timing(frames: Frames) -> Timing:
    """Return how fast a test was shot."""
    gaps, same = np.diff(frames.seconds), np.diff(frames.turns) == 0
    if len(gaps) != len(same) or not same.any():
        return Timing(float("nan"), 0.0)
    return Timing(float(np.median(gaps[same])), float(np.median(gaps[~same])) if not same.all() else 0.0)


def _cross(cells: Cells) -> tuple[Indices, Indices]:
    """Return every two cells of different heads of one body, the head first in the log first."""
    first, second = np.triu_indices(len(cells.table), 1)
    body = pd.factorize(cells.table["body"])[0]
    apart = (cells.head[first] != cells.head[second]) & (body[first] == body[second])
    return first[apart], second[apart]


def _references(
    cells: Cells, fitted: Mapping[str, Fitted], settings: Settings, notes: list[DriftNote]
) -> tuple[dict[str, Any], dict[str, dict[str, Any]], Indices]:
    """Return the session's reference, that of each body, and each cell's own reference cell."""
    names, stops = cells.table["head"].to_numpy(object), cells.table["stops"].to_numpy()
    if settings.reference_head is not None and settings.reference_head not in set(names):
        known = ", ".join(dict.fromkeys(names))
        raise GreystepError(
            f'reference head "{settings.reference_head}" is not in the log, which has {known}; repair [reference] in '
            "session.toml"
        )
    wanted = session_reference(settings)
    kit, power = isinstance(wanted, WholeKit), wanted.stops
    bodies: dict[str, dict[str, Any]] = {}
    for body in dict.fromkeys(cells.table["body"]):
        light = reference_light(cells, fitted, body, wanted)
        if light is not None:
            bodies[body] = dict(light.values) | {"head": light.head, "power": light.power, "kit": kit}
            power = light.stops if power is None else power  # that of the first body stands for all
            if not kit and wanted.stops is not None and not same_power(light.stops, wanted.stops):
                notes.append(
                    ReferencePowerNotMeasured(str(settings.reference_power), str(light.head), str(light.power))
                )
        elif kit:
            notes.append(KitPowerNotMeasured(settings.reference_power or "full"))
    empty = dict.fromkeys(("mired", "cct_k", "duv", "u_prime", "v_prime", "output_stops"))
    reference = next(iter(bodies.values()), empty | {"head": None, "power": None, "kit": kit})
    own = np.full(len(names), -1, dtype=np.intp)
    measured = np.isfinite(fitted["mired"].cells.values)
    for series in np.unique(cells.series):
        mine = cells.series == series
        if found := choose_lights(HeadAtPower(None, power, or_highest=True), names.tolist(), stops, measured & mine):
            own[mine] = found[0][0]
    return reference, bodies, own


def _pairs(
    cells: Cells, fitted: Mapping[str, Fitted], settings: Settings, first: Indices, second: Indices
) -> pd.DataFrame:
    table = cells.table
    columns: dict[str, Any] = {}
    for side, at in (("a", first), ("b", second)):
        columns |= {f"{name}_{side}": table[name].to_numpy(object)[at] for name in ("head", "power")}
    delta = {name: difference(components(fitted, quantity), first, second) for quantity, name in COLUMN.items()}
    columns |= {"delta_mired": delta["mired"][0], "u_delta_mired": delta["mired"][1]}
    columns |= {f"delta_{name}": delta[name][0] for name in ("k", "duv", "steps")}
    columns |= {f"u_delta_{name}": delta[name][1] for name in ("k", "duv", "steps")}
    types = np.array([info.type if (info := settings.heads.get(head)) else "" for head in table["head"]], dtype=object)
    alike = (types[first] == types[second]) & (types[first] != "")
    stops = table["stops"].to_numpy()
    size = np.abs(delta["mired"][0])
    between = np.where(alike, OBSERVER_SAME_TYPE * size, OBSERVER_OTHER_TYPE_MIRED)
    along = np.where(same_powers(stops[first], stops[second]), 0.0, OBSERVER_SAME_HEAD * size)
    columns["u_observer_mired"] = 2.0 * np.hypot(between, along)
    for name in cells.varying:
        values = table[name].to_numpy(object)
        columns |= (
            {name: values[first]} if name == "body" else {f"{name}_a": values[first], f"{name}_b": values[second]}
        )
    return pd.DataFrame(columns)


def _notes(cells: Cells, frames: Frames, fitted: Mapping[str, Fitted]) -> list[DriftNote]:
    """Return what limits the answer of this test."""
    notes: list[DriftNote] = []
    names = cells.heads["label"].to_list()
    measured = np.bincount(cells.head[cells.table["n"] > 0], minlength=len(names))
    if mixed := tuple(cells.heads["label"][_mixed(cells, frames)]):
        notes.append(HeatNotSeparable(mixed))
    if measured.any() and not (fitted["mired"].dof > 0).any():
        notes.append(NothingRepeated())
    elif alone := tuple(
        name for name, n, free in zip(names, measured, fitted["mired"].dof, strict=True) if n and free <= 0
    ):
        notes.append(NotRepeated(alone))
    if not len(frames.seconds) and len(frames.cell):
        notes.append(HeatByShots())
    return notes
