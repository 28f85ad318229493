"""What frames are brought to, in the terms of one camera body: how it sees the light that is meant."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.arrays import Floats, Indices
from greystep.compare.firing_times import text_column
from greystep.compare.reference_light import ReferenceLight, TestedLights, measured_cells, reference_light
from greystep.correct.lit_by import only_light
from greystep.correct.messages import HeadMoved, HeadsApart
from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure import chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.session.cards import card_rows, named_lights
from greystep.session.colour import colours
from greystep.session.ingest import Body, Ingested
from greystep.session.power import same_power
from greystep.session.reference import HeadAtPower, MedianFrame, OneFrame, Wanted, White, WholeKit, session_reference
from greystep.session.settings import Settings
from greystep.session.shots import check_rows
from greystep.terms import LIT

#: A head has moved between two sessions where its colour is so far from the others', and beyond so many standard
#: uncertainties [mired], this tool's own.
_MOVED_MIRED: Final = 2.0
_MOVED_SD: Final = 4.0
#: What the same lens change may do otherwise to like lights, and one flash to another (k = 1) [mired], own assumptions.
_ALIKE_MIRED: Final = 0.3
_SHOT_MIRED: Final = 0.3


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
        moved, apart: Mapping of str to float. Heads that were left out of a tie to another session because their light
            moved against the others, and two that moved apart, so that neither can be believed [mired].
    """

    label: str
    neutral: tuple[float, float, float]
    green: float
    mired: float
    duv: float
    u_mired: float
    seen: tuple[float, float] | None = None
    moved: Mapping[str, float] = field(default_factory=dict)
    apart: Mapping[str, float] = field(default_factory=dict)


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
            check = check_rows(found)
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
    settings: Settings,
) -> Reference:
    """Bring the reference of another session over to a body of this one.

    In this order: by the lights (head and power) that both sessions measured on a card, whose mean difference is what
    lens, modifier and camera make of the same light, see `_tied`; as it is, where body and lens are the same; through
    XYZ, where a meter fixes the scale of both.

    Args:
        other_lights, lights: Of the other session, and of this one.
        rows: Frames of `body` with their neutrals.
        settings: Of this session.

    Raises:
        GreystepError: If nothing ties the two sessions together.
    """
    label = f"{reference.label} of {other.settings.title or other.settings.path.name}"
    there = other.readings[other.readings["body"] == other_label]
    source = other.bodies[other_label]
    lit = there[there["kind"].isin(LIT)]
    neutral, u_tie, green = np.array(reference.neutral), 0.0, float("nan")
    tie = _tied(
        _signals(lit, other_lights, source, other.settings),
        _signals(rows, lights, body, settings),
        _mired_per_ratio(body, neutral),
    )
    moved: dict[str, float] = {}
    apart: dict[str, float] = {}
    if tie is not None:
        offset, u_tie, moved, apart = tie
        neutral = neutral * np.exp(offset)
        green = reference.green * float(np.exp(offset[1]))
    elif not (body.label == other_label and set(rows["lens"]) & set(there["lens"])):
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
    u_mired = float(np.hypot(reference.u_mired, u_tie))
    neutral_here = (red, 1.0, blue)
    return replace(
        reference, label=label, neutral=neutral_here, green=green, u_mired=u_mired, seen=seen, moved=moved, apart=apart
    )


def tie_messages(reference: Reference) -> list[HeadMoved | HeadsApart]:
    """Return which heads no longer agree with the others between the two sessions; nothing where all do."""
    moved = [HeadMoved(head, mired, reference.label) for head, mired in reference.moved.items()]
    if not reference.apart:
        return [*moved]
    return [*moved, HeadsApart(tuple(reference.apart), max(reference.apart.values()), reference.label)]


def _mired_per_ratio(body: Body, neutral: Floats) -> float:
    """Return how far the mired moves with the logarithm of blue over red; 0 if unknown."""
    there = colours(body, (neutral * [0.995, 1.0, 1.005])[None, :], np.zeros((1, 3, 3)))
    here = colours(body, neutral[None, :], np.zeros((1, 3, 3)))
    if there is None or here is None:
        return 0.0
    return float(np.nan_to_num((there.mired[0] - here.mired[0]) / 0.01))


@dataclass(frozen=True)
class _Tie:
    """What one light, head or session shows of another: log ratio (3,), and the variance of its mired (k = 1)."""

    offset: Floats
    variance: float


def _tied(
    there: Mapping[tuple[str, float], _Tie], here: Mapping[tuple[str, float], _Tie], mired_per_ratio: float
) -> tuple[Floats, float, dict[str, float], dict[str, float]] | None:
    """Return the log ratio (3,) of this session's signals to the other's over their common lights.

    Each head is one witness, the mean of its lights, and weighs by its uncertainty. Of three and more, one whose colour
    disagrees with the rest has moved and is left out. Brightness is the middle one: lights are set up anew.

    Returns: The ratio; the 95 % half-width of its mired; which heads moved [mired]; and which two disagree. None
        without a common light.
    """
    lights: dict[str, list[_Tie]] = {}
    for (head, stops), one in here.items():
        match = [other for (name, power), other in there.items() if name == head and same_power(power, stops)]
        if match:
            variance = one.variance + match[0].variance
            lights.setdefault(head, []).append(_Tie(one.offset - match[0].offset, variance))
    if not lights:
        return None
    heads = {head: _joined(ties) for head, ties in lights.items()}

    def colour(tie: _Tie) -> float:
        return mired_per_ratio * float(tie.offset[2] - tie.offset[0])

    def away(head: str) -> tuple[float, float]:
        """How far a head is from the others [mired], and in units of what it may be."""
        rest = _joined([tie for name, tie in heads.items() if name != head])
        size = colour(heads[head]) - colour(rest)
        return size, abs(size) / max(_MOVED_MIRED, _MOVED_SD * np.sqrt(heads[head].variance + rest.variance))

    moved: dict[str, float] = {}
    while len(heads) > 2 and away(odd := max(heads, key=lambda head: away(head)[1]))[1] > 1.0:
        moved[odd] = away(odd)[0]
        del heads[odd]
    whole = _joined(list(heads.values()))
    chi = sum((colour(tie) - colour(whole)) ** 2 / (tie.variance + _ALIKE_MIRED**2) for tie in heads.values())
    size, much = away(next(iter(heads))) if len(heads) == 2 else (0.0, 0.0)
    u_mired = 2.0 * np.sqrt(whole.variance * max(1.0, chi / max(len(heads) - 1, 1)))
    green = float(np.median([tie.offset[1] for tie in heads.values()]))
    apart = dict.fromkeys(heads, abs(size)) if much > 1.0 else {}
    return whole.offset - whole.offset[1] + green, float(u_mired), moved, apart


def _joined(ties: Sequence[_Tie]) -> _Tie:
    """Return the mean of several, each by its own uncertainty and by what like lights may differ."""
    weights = np.array([1.0 / (tie.variance + _ALIKE_MIRED**2) for tie in ties])
    offset = np.average([tie.offset for tie in ties], axis=0, weights=weights)
    return _Tie(offset, float(1.0 / weights.sum()))


def _signals(
    rows: pd.DataFrame, lights: TestedLights | None, body: Body, settings: Settings
) -> dict[tuple[str, float], _Tie]:
    """Return the log signals (3,) of the lights of a session by head and stops: fitted, else the mean of its cards.

    What is too dark, or no proven card, ties nothing.
    """
    found: dict[tuple[str, float], _Tie] = {}
    good = usable(rows)
    bright = ~good["flags"].map(lambda cell: Flag.TOO_DARK in flags.split(cell)).astype(bool)
    good = good[bright & card_rows(good) & (good["signal_g"] > 0)]
    lit = {
        name: only_light(named_lights(said, head, stops, settings))
        for name, said, head, stops in zip(
            good.index, text_column(good, "lights"), good["head"], good["stops"].astype(float), strict=True
        )
    }
    if lights is not None:
        estimates = lights.fitted["mired"].cells
        for cell in np.flatnonzero(measured_cells(lights.cells, lights.fitted, body.label)):
            row, neutral = lights.cells.table.iloc[cell], _cell_neutral(lights, np.array([cell]), body)
            head, stops = str(row["head"]), float(row["stops"])
            seen = any(one is not None and one[0] == head and same_power(one[1], stops) for one in lit.values())
            if neutral is not None and seen:
                signal = np.log(neutral) + np.log(2.0) * lights.green_log2[cell]
                variance = float(estimates.parts[:, cell, cell].sum())
                variance = variance if np.isfinite(variance) else _SHOT_MIRED**2  # no light was shot twice
                found.setdefault((head, stops), _Tie(signal, variance))
    for name, one in lit.items():
        if one is None or any(head == one[0] and same_power(stops, one[1]) for head, stops in found):
            continue
        mine = good.loc[[at for at, other in lit.items() if other == one]]
        red, green, blue = np.log(mine[["r_g", "signal_g", "b_g"]].to_numpy(np.float64)).T
        scatter = max(float(np.nan_to_num(mine["mired"].std())), _SHOT_MIRED, float(good.loc[name, "u_mired"]) / 2.0)
        signal = np.median([red + green, green, blue + green], axis=1)  # of several, a mistaken one counts little
        found[one] = _Tie(signal, scatter**2 / len(mine))
    return found


def _cell_neutral(lights: TestedLights, cells: Indices, body: Body) -> Floats | None:
    mired, duv = (float(lights.fitted[name].cells.values[cells].mean()) for name in ("mired", "duv"))
    return seen_neutral(body, 1e6 / mired, duv)
