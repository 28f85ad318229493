"""What frames are brought to, in the terms of one camera body: how it sees the light that is meant."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from greystep import flags
from greystep.arrays import Floats, Indices
from greystep.compare.reference_light import ReferenceLight, TestedLights, measured_cells, reference_light
from greystep.errors import GreystepError
from greystep.measure import chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.session.colour import colours
from greystep.session.ingest import Body, Ingested
from greystep.session.power import same_power
from greystep.session.reference import HeadAtPower, MedianFrame, OneFrame, Wanted, White, WholeKit, session_reference
from greystep.session.settings import Settings
from greystep.session.shots import noted_checks
from greystep.terms import Kind


@dataclass(frozen=True)
class Reference:
    """What frames of one camera body are brought to.

    Attributes:
        label: The reference in the person's own words, such as ``A@full``.
        neutral: Camera RGB of the grey target under the reference light, green = 1.
        green: Raw counts above black of the green channel; NaN for a white given in kelvin, which has no brightness.
        mired, duv, u_mired: Its colour, and the 95 % half-width of its mired; of a light that was tested, that of
            powers.csv.
        seen: (float, float) or None. Mired and Duv as this body sees it, where the light was brought over from another
            session; else None.
    """

    label: str
    neutral: tuple[float, float, float]
    green: float
    mired: float
    duv: float
    u_mired: float
    seen: tuple[float, float] | None = None


def wanted_here(settings: Settings, lights: TestedLights | None, body: str) -> Wanted:
    """Return the session's own reference; the median where no flash frame of the body was measured."""
    if lights is None or not measured_cells(lights.cells, lights.fitted, body).any():
        return MedianFrame()
    return session_reference(settings)


def find_reference(
    rows: pd.DataFrame, lights: TestedLights | None, body: Body, wanted: Wanted, label: str
) -> Reference | None:
    """Find the reference in the session of the frames of one body.

    Args:
        rows: Flash and job frames of the body with their neutrals.
        lights: Of the session; None where it has no flash frame.
        wanted: From `greystep.session.reference`.
        label: What the person wrote, for a white or a frame.

    Returns: None where this body does not hold it.
    """
    match wanted:
        case White(cct_k, duv):
            return white(label, body, cct_k, duv)
        case MedianFrame():
            found = usable(rows)
            check = noted_checks(found["note"]) if "note" in found else np.zeros(len(found), dtype=bool)
            return median(found if check.all() else found[~check])
        case OneFrame(name):
            found = usable(rows)
            found = found[found["frame"] == name]
            columns = ["r_g", "b_g", "signal_g", "mired", "duv", "u_mired"]
            of_frame = found[columns].to_numpy(np.float64)[:1].tolist()
            return next((Reference(label, (red, 1.0, blue), *rest) for red, blue, *rest in of_frame), None)
        case HeadAtPower() | WholeKit():
            light = reference_light(lights.cells, lights.fitted, body.label, wanted) if lights is not None else None
            return seen_light(light, lights, body) if light is not None and lights is not None else None


def seen_light(light: ReferenceLight, lights: TestedLights, body: Body) -> Reference | None:
    """Return a tested light as a body sees it; None where no matrix is known.

    Of the kit: log ratios and log green are plain means over the heads, as mired and Duv are.
    """
    ratios, greens = [], []
    for cells in light.of_heads:
        neutral = _cell_neutral(lights, cells, body)
        if neutral is None:
            return None
        ratios.append(np.log(neutral))
        greens.append(lights.green_log2[cells].mean())
    neutral = np.exp(np.mean(ratios, axis=0))
    return Reference(
        label="kit" if light.head is None else f"{light.head}@{light.power}",
        neutral=(float(neutral[0]), 1.0, float(neutral[2])),
        green=float(np.exp2(np.mean(greens))),
        mired=light.values["mired"],
        duv=light.values["duv"],
        u_mired=light.u_mired,
    )


def usable(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose neutral may serve as reference."""
    serves = rows["flags"].map(flags.serves).astype(bool)
    return rows[(rows["status"] != "rejected") & rows["r_g"].notna() & serves]


def median(rows: pd.DataFrame, label: str = "median") -> Reference | None:
    """Median of frames, each quantity for itself; None without any."""
    if rows.empty:
        return None
    middle = rows[["r_g", "b_g", "signal_g", "mired", "duv"]].median()
    spread = float(rows["mired"].std()) if len(rows) > 1 else 0.0
    own = float(rows["u_mired"].median())
    # The median of n normal values scatters by sqrt(pi / 2) = 1.2533 times more than their mean.
    half_width = np.sqrt(np.pi / 2) * max(own, spread * student_factor(max(len(rows) - 1, 1))) / np.sqrt(len(rows))
    red, blue, green, mired, duv = middle.tolist()
    return Reference(label, (red, 1.0, blue), green, mired, duv, float(half_width))


def white(label: str, body: Body, cct_k: float, duv: float, u_mired: float = 0.0) -> Reference | None:
    """Return a white, as the camera would see the target under it; None where no matrix is known."""
    neutral = seen_neutral(body, cct_k, duv)
    if neutral is None:
        return None
    return Reference(label, (neutral[0], 1.0, neutral[2]), float("nan"), 1e6 / cct_k, duv, u_mired)


def seen_neutral(body: Body, cct_k: float, duv: float) -> Floats | None:
    """Return the camera RGB (3,), green = 1, of the target under a light; None where no matrix is known."""
    if (sees := body.sees) is None:
        return None
    neutral = sees @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(cct_k, duv))
    return np.asarray(neutral / neutral[1])


def carried(
    reference: Reference,
    other: Ingested,
    other_lights: TestedLights | None,
    other_label: str,
    rows: pd.DataFrame,
    lights: TestedLights | None,
    body: Body,
) -> Reference:
    """Bring the reference of another session over to a body of this one.

    In this order: by the cells (head and power) that both sessions measured, whose mean difference is what lens,
    modifier and camera make of the same light; as it is, where body and lens are the same; through XYZ, where a meter
    fixes the scale of both.

    Args:
        other_lights, lights: Of the other session, and of this one.
        rows: Frames of `body` with their neutrals.

    Raises:
        GreystepError: If nothing ties the two sessions together.
    """
    label = f"{reference.label} of {other.settings.title or other.settings.path.name}"
    there = other.readings[other.readings["body"] == other_label]
    source = other.bodies[other_label]
    lit = there[there["kind"].isin(["flash", "job"])]
    tie = _common_cells(_signals(lit, other_lights, source), _signals(rows, lights, body))
    neutral, u_tie, green = np.array(reference.neutral), 0.0, float("nan")
    if tie is not None:
        offset, u_tie = tie
        neutral = neutral * np.exp(offset - offset[1])
        green = reference.green * float(np.exp(offset[1]))
    elif not (body.label == other_label and _lenses(rows) & _lenses(there)):
        here, from_there = body.sees, source.sees
        if not (body.anchored and source.anchored and here is not None and from_there is not None):
            raise GreystepError(
                f"{label}: no light is common to both sessions; it takes the same head at the same power, the same "
                "camera and lens, or a colour meter's reading in each session.toml ([camera] meter)"
            )
        neutral = here @ np.linalg.solve(from_there, neutral)
    neutral = neutral / neutral[1]
    own = colours(body, neutral[None, :], np.zeros((1, 3, 3)))
    seen = (float(own.mired[0]), float(own.duv[0])) if own is not None else None
    red, _, blue = (float(value) for value in neutral)
    spread = u_tie * abs(_mired_per_ratio(body, neutral))
    u_mired = float(np.hypot(reference.u_mired, spread))
    return replace(reference, label=label, neutral=(red, 1.0, blue), green=green, u_mired=u_mired, seen=seen)


def _mired_per_ratio(body: Body, neutral: Floats) -> float:
    """Return how far the mired moves with the logarithm of blue over red, for a spread of ratios; 0 if unknown."""
    there = colours(body, (neutral * [0.995, 1.0, 1.005])[None, :], np.zeros((1, 3, 3)))
    here = colours(body, neutral[None, :], np.zeros((1, 3, 3)))
    if there is None or here is None:
        return 0.0
    return float(np.nan_to_num((there.mired[0] - here.mired[0]) / 0.01))


def _common_cells(
    there: Mapping[tuple[str, float], Floats], here: Mapping[tuple[str, float], Floats]
) -> tuple[Floats, float] | None:
    """Return the mean log ratio (3,) of this session's signals to the other's over common cells, and its half-width."""
    found = []
    for (head, stops), signal in here.items():
        match = [other for (name, power), other in there.items() if name == head and same_power(power, stops)]
        found += [signal - match[0]] if match else []
    if not found:
        return None
    offsets = np.array(found)
    contrast = (offsets[:, 2] - offsets[:, 0]) if len(offsets) > 1 else np.zeros(1)
    spread = float(np.std(contrast, ddof=1) / np.sqrt(len(contrast)) if len(contrast) > 1 else 0.0)
    factor = student_factor(len(offsets) - 1) if len(offsets) > 1 else 0.0
    return offsets.mean(axis=0), spread * factor


def _signals(rows: pd.DataFrame, lights: TestedLights | None, body: Body) -> dict[tuple[str, float], Floats]:
    """Return the log signals (3,) of the lights of a session by head and stops: fitted, else the mean of job frames."""
    found: dict[tuple[str, float], Floats] = {}
    if lights is not None:
        for cell in np.flatnonzero(measured_cells(lights.cells, lights.fitted, body.label)):
            row, neutral = lights.cells.table.iloc[cell], _cell_neutral(lights, np.array([cell]), body)
            if neutral is not None:
                signal = np.log(neutral) + np.log(2.0) * lights.green_log2[cell]
                found.setdefault((str(row["head"]), float(row["stops"])), signal)
    jobs = usable(rows)
    jobs = jobs[(jobs["kind"] == Kind.JOB) & (jobs["head"] != "") & (jobs["signal_g"] > 0) & jobs["stops"].notna()]
    for head, stops in dict.fromkeys(zip(jobs["head"], jobs["stops"].astype(float), strict=True)):
        if not any(name == head and same_power(power, stops) for name, power in found):
            mine = jobs[(jobs["head"] == head) & (jobs["stops"] == stops)]
            red, green, blue = np.log(mine[["r_g", "signal_g", "b_g"]].to_numpy(np.float64)).mean(axis=0)
            found[str(head), stops] = np.array([red + green, green, blue + green])
    return found


def _cell_neutral(lights: TestedLights, cells: Indices, body: Body) -> Floats | None:
    mired, duv = (float(lights.fitted[name].cells.values[cells].mean()) for name in ("mired", "duv"))
    return seen_neutral(body, 1e6 / mired, duv)


def _lenses(rows: pd.DataFrame) -> set[str]:
    return set(rows["lens"].astype(str)) if "lens" in rows else {""}
