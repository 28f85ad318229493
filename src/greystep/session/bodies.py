"""One camera body in one session: its target, the one matrix it is measured with, and the neutral that fixes it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Triple
from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure import camera, camera_json, chromaticity
from greystep.measure.reading import Reading
from greystep.measure.target import Target
from greystep.raw.dng import ColourTags, same_matrices
from greystep.session.power import same_power
from greystep.session.reference import HeadAtPower, choose_lights, session_reference
from greystep.session.settings import Settings
from greystep.terms import DECLARED, TESTED, Kind

#: Rounds in which the matrix, the target's factor and the light's colour settle on each other; each gains two digits.
_ROUNDS: Final = 4


@dataclass(frozen=True, eq=False)
class Body:
    """A camera body as it is used for one session.

    Attributes:
        label: Make, model and serial.
        matrix: Array (3, 3) or None. XYZ to camera RGB, fixed at the reference neutral, the meter's scale in it; None
            where no matrix is known.
        target_factor: Array (3,). XYZ of a light off the target over XYZ of the light itself, Y = 1; ones for a flat
            target. A light XYZ has the neutral ``matrix @ (target_factor * XYZ)``.
        colour_from: ``dng``, ``dng-2``, ``library``, ``camera.json`` or ``none``.
        reference_neutral: Tuple of 3 floats or None. Camera RGB at which the matrix is fixed, green = 1, before target
            and meter; None where nothing was measured.
        anchored: A meter reading fixes the absolute scale.
        target_matrix: Array (3, 3) or None. The same as `target_factor` for lights about the reference too; None where
            the factor alone is known.
        target_doubt: Array (2, 2). Covariance (k = 1) of (mired, Duv) of what the target's reflectance leaves open,
            the light's spectrum being unknown; common to all frames of lights of one kind.
        has_serial: The frames carry a serial number; without one two bodies of a model have one label.
        calibrated_under: Where the light of the chart frame of a camera.json was known from, see
            `greystep.measure.calibration`; blank without one.
    """

    label: str
    matrix: Floats | None
    target_factor: Floats
    tags: ColourTags | None
    colour_from: str
    target: Target | None
    reference_neutral: Triple | None
    anchored: bool
    target_matrix: Floats | None = None
    target_doubt: Floats = field(default_factory=lambda: np.zeros((2, 2)))
    calibrated_under: str = ""
    has_serial: bool = True

    @property
    def sees(self) -> Floats | None:
        """The matrix (3, 3) from the XYZ of a light to camera RGB off the target; None where no matrix is known."""
        target = np.diag(self.target_factor) if self.target_matrix is None else self.target_matrix
        return None if self.matrix is None else self.matrix @ target


def through_matrix(readings: Mapping[str, Reading]) -> dict[str, Reading]:
    """Return readings by frame, as unreadable where no light can be told through the matrix that the frame carries."""
    told: dict[tuple[object, ...], str] = {}  # frames of a body carry one calibration

    def fault(tags: ColourTags) -> str:
        if (found := told.get(tags.calibration)) is None:
            found = ""
            try:
                camera.check_matrices(tags)
            except GreystepError as error:
                found = str(error)
            told[tags.calibration] = found
        return found

    found = {name: fault(one.colour) if one.colour is not None else "" for name, one in readings.items()}
    return {
        name: Reading(one.exposure, flags=(Flag.UNREADABLE,), message=f"{name}: {found[name]}") if found[name] else one
        for name, one in readings.items()
    }


def pinned_tags(tags: Sequence[ColourTags | None]) -> ColourTags | None:
    """Return the calibration that most frames carry, ties to the first; None where no frame carries any."""
    kinds: list[tuple[ColourTags, int]] = []
    for item in tags:
        if item is None:
            continue
        for place, (known, count) in enumerate(kinds):
            if same_matrices(item, known):
                kinds[place] = (known, count + 1)
                break
        else:
            kinds.append((item, 1))
    return max(kinds, key=lambda kind: kind[1])[0] if kinds else None


def reference_neutral(table: pd.DataFrame, serves: Booleans, settings: Settings) -> tuple[Triple | None, str]:
    """Return the neutral at which one body's matrix is fixed, and what stands in for the reference, in words.

    The mean of the reference cell, see `greystep.session.reference`. Where that was not measured: the reference head's
    highest power that was; then the first head of the log that was, at its highest; then a card, or a job frame that
    is proven to show it.

    Args:
        table: Of one body, in log order: head, power, stops, kind, r_g, b_g.
        serves: Array (n,). Rows with ratios that a reference may use.

    Returns:
        neutral: tuple of 3 floats or None. None where nothing was measured.
        stand_in: Blank where the reference itself was measured.
    """
    flash = serves & table["kind"].isin(TESTED).to_numpy()
    wanted = session_reference(settings)
    for light in (wanted, HeadAtPower()):
        rows = choose_lights(light, table["head"].to_list(), table["stops"], flash)
        if rows:
            first = table.iloc[rows[0][0]]
            meant = light is wanted and (wanted.stops is None or same_power(float(first["stops"]), wanted.stops))
            neutral = _neutral(np.mean([_ratios(table.iloc[group]) for group in rows], axis=0))
            return neutral, "" if meant else f"head {first['head']} at {first['power']}"
    card = serves & (table["kind"] == Kind.CARD).to_numpy()
    if serves.any():
        row = table[card if card.any() else serves].iloc[:1]
        return _neutral(_ratios(row)), f"frame {row['frame'].iloc[0]}"
    return None, ""


def make_body(
    label: str,
    tags: ColourTags | None,
    target: Target | None,
    neutral: Triple | None,
    settings: Settings,
    metered: Triple | None,
) -> Body:
    """Fix the one matrix of a body at its reference neutral.

    Args:
        metered: The neutral of the metered frame, if this body took it.

    Returns: Without a matrix where the frames carry none that serves at this neutral.
    """
    colour_from = tags.source if tags else "none"
    if tags is None or neutral is None:
        return Body(label, None, np.ones(3), tags, colour_from, target, neutral, False)
    try:
        fixed = camera.fixed_matrix(tags, neutral)
    except GreystepError:  # between two calibrations, or at a neutral that is none
        return Body(label, None, np.ones(3), None, "none", target, neutral, False)
    matrix, factor, anchored = fixed, np.ones(3), False
    over_lights, doubt = None, np.zeros((2, 2))
    for _ in range(_ROUNDS):
        if settings.reflectance is not None:
            white = camera.neutral_xyz(matrix @ np.diag(factor), np.array([neutral]))
            cct, duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(white[0]))
            factor = camera.target_factor(*settings.reflectance, float(cct), float(duv))
            factor = factor if np.isfinite(factor).all() else np.ones(3)
        if settings.meter is not None and metered is not None:
            meter = settings.meter
            gains = camera.meter_scale(fixed @ np.diag(factor), metered, meter.cct_k, meter.duv)
            if np.isfinite(gains).all() and (gains > 0).all():
                matrix, anchored = np.diag(1.0 / gains) @ fixed, True
    if settings.reflectance is not None:
        white = camera.neutral_xyz(matrix @ np.diag(factor), np.array([neutral]))
        cct, duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(white[0]))
        found = camera.target_matrix(*settings.reflectance, float(cct), float(duv))
        over_lights = found if np.isfinite(found).all() else None
        doubt = camera.target_doubt(*settings.reflectance, float(cct), float(duv))
    under = "" if settings.matrix == "embedded" else camera_json.calibrated_under(Path(settings.matrix))
    return Body(label, matrix, factor, tags, colour_from, target, neutral, anchored, over_lights, doubt, under)


def make_bodies(
    settings: Settings,
    table: pd.DataFrame,
    read: Sequence[Reading | None],
    usable: Booleans,
    serves: Booleans,
    targets: Mapping[str, Target | None],
) -> tuple[dict[str, Body], dict[str, str]]:
    """Return every body of a session by label, in the order of the log, and what stands in for its reference, in words.

    Args:
        usable: Array (n,). Lit rows that are not rejected.
        serves: Array (n,). Those of them that a reference may use: the card, no check frames, no outliers.
    """
    ratios = usable & (table[["r_g", "b_g"]] > 0).all(axis=1).to_numpy()
    own = None if settings.matrix == "embedded" else camera_json.read_camera_json(Path(settings.matrix))
    bodies, stand_ins = {}, {}
    shot_as, frame = table["kind"].tolist(), table["frame"].tolist()
    for label in table["body"].unique():
        rows = np.flatnonzero((table["body"] == label).to_numpy()).tolist()
        opened = [row for row in rows if (reading := read[row]) is not None and reading.height > 0]
        if not opened:
            continue
        kinds = [[row for row in opened if shot_as[row] in kind] for kind in (DECLARED, (Kind.JOB,))]
        carry = next((chosen for chosen in kinds if chosen), opened)
        tags = own or pinned_tags([reading.colour for row in carry if (reading := read[row]) is not None])
        neutral, stand_ins[label] = reference_neutral(table.iloc[rows], (ratios & serves)[rows], settings)
        if neutral is None and ratios[rows].any():  # pictures alone: what was measured in them is no neutral
            setting = tags.as_shot_neutral if tags is not None else None
            neutral = _as_set(setting) if setting is not None else _neutral(_ratios(table.iloc[rows][ratios[rows]][:1]))
            stand_ins[label] = "the camera's own white" if setting is not None else "what its first frame shows"
        metered = [row for row in rows if settings.meter and ratios[row] and frame[row] == settings.meter.frame]
        meter = _neutral(_ratios(table.iloc[metered])) if metered else None
        made = make_body(label, tags, targets.get(label), neutral, settings, meter)
        serials = [reading.exposure.serial for row in opened if (reading := read[row]) is not None]
        bodies[label] = replace(made, has_serial=any(serials))
    return bodies, stand_ins


def _ratios(rows: pd.DataFrame) -> Floats:
    return np.asarray(rows[["r_g", "b_g"]].to_numpy(dtype=np.float64).mean(axis=0))


def _as_set(setting: Sequence[float]) -> Triple:
    return float(setting[0] / setting[1]), 1.0, float(setting[2] / setting[1])


def _neutral(ratios: Floats) -> Triple:
    return float(ratios[0]), 1.0, float(ratios[1])
