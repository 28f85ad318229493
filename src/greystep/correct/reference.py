"""What frames are brought to: a frame, a head at a power, the kit, a white, the median, or another session's light."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep import flags
from greystep.errors import GreystepError
from greystep.log.colour import colours
from greystep.log.ingest import Body, Ingested
from greystep.log.power import parse_power, same_power
from greystep.log.session import Session
from greystep.measure import chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.published import DUV_LIMIT

Array = npt.NDArray[np.float64]

_KELVIN: Final = re.compile(r"(?P<cct>\d+(?:\.\d+)?)\s*K(?P<duv>[+-]\d*\.?\d+)?", re.IGNORECASE)
#: Whites that someone may ask for [K]: from candlelight to blue sky, common practice, no source.
_WHITE_K: Final = (1500.0, 25000.0)
KNOWN: Final = "HEAD@POWER (A@full), kit, median, frame:NAME or a white such as 5500K"


@dataclass(frozen=True)
class Reference:
    """What frames of one camera body are brought to.

    Attributes
    ----------
    label : str
        The reference in the person's own words, such as ``A@full``.
    neutral : tuple of float
        Camera RGB of the grey target under the reference light, green = 1.
    green : float
        Raw counts above black of the green channel; NaN for a white given in kelvin, which has no brightness.
    mired, duv, u_mired : float
        Its colour, and the 95 % half-width of its mired.
    """

    label: str
    neutral: tuple[float, float, float]
    green: float
    mired: float
    duv: float
    u_mired: float


def find_reference(rows: pd.DataFrame, body: Body, session: Session, to: str | None) -> Reference | None:
    """Find the reference among the frames of one body.

    Parameters
    ----------
    rows : DataFrame
        Flash and job frames of the body with their neutrals.
    body : Body
        Through its matrix a white given in kelvin is seen.
    session : Session
        Its own reference stands where `to` is not given: without one, the first head of the log; where its reference
        power was not tested, its highest; without a flash frame, the median.
    to : str, optional
        ``HEAD@POWER`` (the last @ counts), ``kit``, ``median``, ``frame:NAME``, ``5500K`` or ``5500K+0.003``.

    Returns
    -------
    Reference or None
        None where this body does not hold it.

    Raises
    ------
    GreystepError
        If `to` is not understood.
    """
    used = usable(rows)
    flash = used[used["kind"] == "flash"]
    if to is None:
        head = session.reference_head or (str(flash["head"].iloc[0]) if len(flash) else None)
        if flash.empty or head is None:
            to = "median"
        elif session.reference_kit:
            to = "kit"
        else:
            highest = flash.loc[flash["head"] == head, "stops"].min()
            stops = _reference_stops(flash, head, session)
            return _at(flash, head, stops) or _at(flash, head, float(highest))
    if kelvin := _KELVIN.fullmatch(to.strip()):
        cct_k, duv = float(kelvin["cct"]), float(kelvin["duv"] or 0.0)
        if not (_WHITE_K[0] <= cct_k <= _WHITE_K[1] and abs(duv) <= DUV_LIMIT):
            raise GreystepError(
                f"--to {to}: not a white that a frame can be balanced to; "
                f"give {_WHITE_K[0]:.0f} to {_WHITE_K[1]:.0f} K and no more than {DUV_LIMIT} of Duv"
            )
        return white(to, body, cct_k, duv)
    if to == "kit":
        return _kit(flash, parse_power(session.reference_power).stops if session.reference_power else 0.0)
    if to == "median":
        return median(used)
    if to.startswith("frame:"):
        found = used[used["frame"] == to.removeprefix("frame:")]
        return mean(to, found) if len(found) else None
    if "@" in to:
        head, stops = head_and_stops(to, session)
        return _at(flash, head, stops)
    raise GreystepError(f"--to {to}: not a reference; write {KNOWN}")


def head_and_stops(to: str, session: Session) -> tuple[str, float]:
    """Read ``HEAD@POWER``: the head, and its power in stops below full."""
    head, _, power = to.rpartition("@")
    energy = session.heads[head].max_energy_j if head in session.heads else None
    return head, parse_power(power, energy, head).stops


def usable(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose neutral may serve as reference."""
    serves = rows["flags"].map(flags.serves).astype(bool)
    return rows[(rows["status"] != "rejected") & rows["r_g"].notna() & serves]


def mean(label: str, rows: pd.DataFrame) -> Reference:
    """Mean of frames: log ratios, mired and duv; its half-width from their scatter, never below their own noise."""
    count = len(rows)
    ratios = np.exp(np.log(rows[["r_g", "b_g"]].to_numpy()).mean(axis=0))
    own = float(np.sqrt((rows["u_mired"] ** 2).sum())) / count
    scatter = float(rows["mired"].std() / np.sqrt(count)) * student_factor(count - 1) if count > 1 else 0.0
    return Reference(
        label,
        (float(ratios[0]), 1.0, float(ratios[1])),
        float(np.exp2(np.log2(rows["signal_g"]).mean())),
        float(rows["mired"].mean()),
        float(rows["duv"].mean()),
        max(own, scatter),
    )


def median(rows: pd.DataFrame, label: str = "median") -> Reference | None:
    """Median of frames, each quantity for itself; None without any."""
    if rows.empty:
        return None
    middle = rows[["r_g", "b_g", "signal_g", "mired", "duv"]].median()
    spread = float(rows["mired"].std()) if len(rows) > 1 else 0.0
    own = float(rows["u_mired"].median())
    # The median of n normal values scatters by sqrt(pi / 2) = 1.2533 times more than their mean.
    half_width = np.sqrt(np.pi / 2) * max(own, spread * student_factor(max(len(rows) - 1, 1))) / np.sqrt(len(rows))
    return Reference(
        label,
        (float(middle["r_g"]), 1.0, float(middle["b_g"])),
        float(middle["signal_g"]),
        float(middle["mired"]),
        float(middle["duv"]),
        float(half_width),
    )


def white(label: str, body: Body, cct_k: float, duv: float, u_mired: float = 0.0) -> Reference | None:
    """Return a white, as the camera would see the target under it; None where no matrix is known."""
    neutral = seen_neutral(body, cct_k, duv)
    if neutral is None:
        return None
    return Reference(label, (neutral[0], 1.0, neutral[2]), float("nan"), 1e6 / cct_k, duv, u_mired)


def seen_neutral(body: Body, cct_k: float, duv: float) -> Array | None:
    """Return the camera RGB (3,), green = 1, of the target under a light; None where no matrix is known."""
    if body.matrix is None:
        return None
    light = chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(cct_k, duv))
    neutral = body.matrix @ (np.asarray(body.target_factor) * light)
    return np.asarray(neutral / neutral[1])


def carried(reference: Reference, other: Ingested, other_label: str, rows: pd.DataFrame, body: Body) -> Reference:
    """Bring the reference of another session over to a body of this one.

    In this order: by the cells (head and power) that both sessions measured, whose mean difference is what lens,
    modifier and camera make of the same light; as it is, where body and lens are the same; through XYZ, where a meter
    fixes the scale of both.

    Parameters
    ----------
    reference : Reference
        Of the other session.
    other : Ingested
        The other session.
    other_label : str
        Its body.
    rows : DataFrame
        Frames of `body` with their neutrals.
    body : Body
        Of this session.

    Raises
    ------
    GreystepError
        If nothing ties the two sessions together.
    """
    label = f"{reference.label} of {other.session.title or other.session.path.name}"
    there = other.readings[other.readings["body"] == other_label]
    tie = _common_cells(usable(there[there["kind"].isin(["flash", "job"])]), usable(rows))
    neutral, u_tie, green = np.array(reference.neutral), 0.0, float("nan")
    if tie is not None:
        offset, u_tie = tie
        neutral = neutral * np.exp(offset - offset[1])
        green = reference.green * float(np.exp(offset[1]))
    elif not (body.label == other_label and _lenses(rows) & _lenses(there)):
        source = other.bodies[other_label]
        if not (body.anchored and source.anchored and body.matrix is not None and source.matrix is not None):
            raise GreystepError(
                f"{label}: no light is common to both sessions; it takes the same head at the same power, the same "
                "camera and lens, or a colour meter's reading in each session.toml ([camera] meter)"
            )
        light = np.linalg.solve(source.matrix @ np.diag(source.target_factor), neutral)
        neutral = body.matrix @ np.diag(body.target_factor) @ light
    neutral = neutral / neutral[1]
    own = colours(body, neutral[None, :], np.zeros((1, 3, 3)))
    mired, duv = (float(own.mired[0]), float(own.duv[0])) if own is not None else (reference.mired, reference.duv)
    red, _, blue = (float(value) for value in neutral)
    spread = u_tie * abs(_mired_per_ratio(body, neutral))
    return Reference(label, (red, 1.0, blue), green, mired, duv, float(np.hypot(reference.u_mired, spread)))


def _mired_per_ratio(body: Body, neutral: Array) -> float:
    """Return how far the mired moves with the logarithm of blue over red, for a spread of ratios; 0 if unknown."""
    there = colours(body, (neutral * [0.995, 1.0, 1.005])[None, :], np.zeros((1, 3, 3)))
    here = colours(body, neutral[None, :], np.zeros((1, 3, 3)))
    if there is None or here is None:
        return 0.0
    return float(np.nan_to_num((there.mired[0] - here.mired[0]) / 0.01))


def _common_cells(there: pd.DataFrame, here: pd.DataFrame) -> tuple[Array, float] | None:
    """Return the mean log ratio (3,) of this session's signals to the other's over common cells, and its half-width."""
    found = []
    for (head, stops), cell in here[here["head"] != ""].groupby(["head", "stops"], sort=False):
        match = _cell(there, str(head), float(stops))  # type: ignore[arg-type]
        if len(match):
            logs = [np.log(side[["r_g", "b_g"]].to_numpy(dtype=np.float64)).mean(axis=0) for side in (cell, match)]
            greens = [float(np.log(side["signal_g"].to_numpy(dtype=np.float64)).mean()) for side in (cell, match)]
            red, blue = logs[0] - logs[1]
            green = greens[0] - greens[1]
            found.append([red + green, green, blue + green])
    if not found:
        return None
    offsets = np.array(found)
    contrast = (offsets[:, 2] - offsets[:, 0]) if len(offsets) > 1 else np.zeros(1)
    spread = float(np.std(contrast, ddof=1) / np.sqrt(len(contrast)) if len(contrast) > 1 else 0.0)
    factor = student_factor(len(offsets) - 1) if len(offsets) > 1 else 0.0
    return offsets.mean(axis=0), spread * factor


def _lenses(rows: pd.DataFrame) -> set[str]:
    return set(rows["lens"].astype(str)) if "lens" in rows else {""}


def _cell(rows: pd.DataFrame, head: str, stops: float) -> pd.DataFrame:
    return rows[(rows["head"] == head) & rows["stops"].map(lambda value: same_power(value, stops)).astype(bool)]


def _at(flash: pd.DataFrame, head: str, stops: float) -> Reference | None:
    cell = _cell(flash, head, stops)
    return mean(f"{head}@{cell['power'].iloc[0]}", cell) if len(cell) else None


def _reference_stops(flash: pd.DataFrame, head: str, session: Session) -> float:
    if session.reference_power is not None:
        energy = session.heads[head].max_energy_j if head in session.heads else None
        return parse_power(session.reference_power, energy, head).stops
    tested = flash[flash["head"] == head]["stops"]
    return float(tested.min()) if len(tested) else 0.0


def _kit(rows: pd.DataFrame, stops: float) -> Reference | None:
    """Plain mean over the heads, each at the given power."""
    heads = list(dict.fromkeys(rows["head"]))
    means = [mean(head, cell) for head in heads if len(cell := _cell(rows, head, stops))]
    if not means:
        return None
    ratios = np.exp(np.mean([np.log([one.neutral[0], one.neutral[2]]) for one in means], axis=0))
    return Reference(
        "kit",
        (float(ratios[0]), 1.0, float(ratios[1])),
        float(np.exp2(np.mean([np.log2(one.green) for one in means]))),
        float(np.mean([one.mired for one in means])),
        float(np.mean([one.duv for one in means])),
        float(np.sqrt(np.sum([one.u_mired**2 for one in means])) / len(means)),
    )
