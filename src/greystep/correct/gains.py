"""Per-frame correction values: what brings each frame's neutral to one reference, exact in linear camera RGB.

gain = reference neutral / frame neutral, scaled to green = 1; brightness stands beside it in stops. On developed linear
images the same correction is one 3x3 matrix, ``A diag(2**e * gains) inv(A)``; three slopes in a working space only
approximate it, and `residual_steps` says by how much.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.arrays import Floats
from greystep.columns import CorrectionRow, names
from greystep.compare.reference_light import TestedLights, find_lights
from greystep.correct.developed import developed_correction, developed_matrix, to_rec709, white_of_240
from greystep.correct.frame_light import Sources, find_sources
from greystep.correct.lit_by import one_light
from greystep.correct.lit_frames import LitFrame
from greystep.correct.messages import Message, NotCorrected
from greystep.correct.profile import Profile, light_at, observer_mired, profile_reference, profile_wanted
from greystep.correct.references import Reference, carried, find_reference, tie_messages, usable, wanted_here, white
from greystep.correct.trend import trend
from greystep.errors import GreystepError
from greystep.session.ambient import settings_of
from greystep.session.cards import card_rows
from greystep.session.ingest import Ingested
from greystep.session.reference import KNOWN, HeadAtPower, MedianFrame, OneFrame, Wanted, WholeKit, parse_reference
from greystep.session.settings import Settings
from greystep.session.workers import Progress
from greystep.terms import TESTED
from greystep.words import GIVE_MATRIX

#: The columns of corrections.csv, in their order.
COLUMNS: Final = names(CorrectionRow)
#: Sources whose light was seen in frames of this session.
_SEEN: Final = ("patch", "overlap", "nearby")


@dataclass(frozen=True)
class Corrections:
    """The corrections of a session: one row a frame, and the matrices beside them.

    Attributes:
        table: One row a lit frame, with the columns of `COLUMNS`; ``via`` names what the source rests on.
        matrices: Mapping of str to (3, 3) array. Frame name -> matrix for developed linear images in `space`; only
            frames that can be corrected.
        slopes: Mapping of str to (3,) array. Frame name -> per-channel slopes in `space`, exact for neutrals.
        developed: Mapping of str to (3, 3) array. Body label -> A, from camera RGB to `space`, in which the reference
            neutral is (k, k, k).
    """

    table: pd.DataFrame
    matrices: Mapping[str, Floats]
    slopes: Mapping[str, Floats]
    developed: Mapping[str, Floats]
    references: Mapping[str, Reference]
    space: str
    messages: tuple[Message, ...]


def correct_frames(
    ingested: Ingested,
    to: str | None = None,
    match_brightness: bool = False,
    space: str = "lin_rec709",
    profile: Profile | None = None,
    elsewhere: Ingested | None = None,
    smooth_over: int | None = None,
    progress: Progress | None = None,
) -> Corrections:
    """Correct every flash, card and job frame from the best source of its light.

    Args:
        to, match_brightness, space, smooth_over, progress: As of `greystep.results.session.Session.correct`; errors
            too.
        profile: Of a test session, for frames that hold no usable target.
        elsewhere: Another session whose reference is to be matched; then `to` is not given.
    """
    wanted = parse_reference(to, _reading_for(ingested.settings, profile)) if to is not None else None
    of_itself = elsewhere is None and (profile is None if to is None else isinstance(wanted, MedianFrame | OneFrame))
    if wanted is None and profile is not None:
        wanted = profile_wanted(profile)
    sources = find_sources(ingested, profile, to, of_itself, progress)
    rows, label = sources.rows, to or ""
    of_frames = MedianFrame() if smooth_over is not None else wanted if elsewhere is None else None
    references, lost = _references(sources, ingested, of_frames, label, profile, elsewhere)
    of_profile = _profile_references(sources, ingested.settings, wanted, label, profile)
    if not references and not of_profile:
        raise GreystepError(_no_reference(to, rows, sources, lost))
    primary = of_profile | references
    bodies = dict(sources.seen_by) | {label: sources.bodies[label] for label in references}
    developed = {
        label: developed_matrix(bodies[label], np.array(reference.neutral), space)
        for label, reference in primary.items()
    }
    show = to_rec709(space)
    trends = _trends(sources, smooth_over) if smooth_over is not None else {}

    records: list[dict[str, object]] = []
    matrices: dict[str, Floats] = {}
    slopes: dict[str, Floats] = {}
    messages: list[Message] = [*sources.messages, *(said for one in primary.values() for said in tie_messages(one))]
    for place, frame in enumerate(sources.frames):
        name, body = frame.reading.frame, frame.reading.body
        record = dict.fromkeys(COLUMNS, np.nan) | {
            "frame": name, "head": frame.reading.head, "power": frame.reading.power, "flags": flags.join(frame.marks),
            "source": frame.source, "via": frame.via, "agreed_pct": frame.agreed_pct, "age_s": frame.age_s,
        }  # fmt: skip
        reference = (references if frame.source in _SEEN else of_profile).get(body)
        reference = trends.get(place, reference)
        if frame.why or reference is None:
            foreign = f"it is from another camera ({body or 'unknown'}) than the reference"
            unknown = "the reference is not known in the terms of its source"
            trouble = frame.why or lost.get(body, unknown if body in primary else foreign)
            record |= {"status": "rejected", "source": ""}
            messages.append(NotCorrected(name, trouble, bool(frame.faults) and not (frame.source or frame.trouble)))
        else:
            stops, u_stops = _stops(frame, reference) if match_brightness else (0.0, 0.0)
            neutral = np.array(reference.neutral)
            mired, duv = reference.seen or (reference.mired, reference.duv)
            gains = neutral / np.array([frame.r_g, 1.0, frame.b_g])
            matrices[name], slopes[name], residual = developed_correction(developed[body], gains, stops, neutral, space)
            marks = frame.marks | ({"other_camera"} if frame.observer else set())
            multipliers = gains / np.array(primary[body].neutral)  # green is 1
            white = white_of_240(show @ (1.0 / slopes[name]))
            record |= {
                **dict(zip(("gain_r", "gain_g", "gain_b"), gains, strict=True)),
                "multiplier_r": multipliers[0],
                "multiplier_b": multipliers[2],
                **dict(zip(("white240_r", "white240_g", "white240_b"), white, strict=True)),
                "exposure_stops": stops,
                "mired_shift": mired - frame.mired,
                "duv_shift": duv - frame.duv,
                "u_mired_shift": float(np.hypot(reference.u_mired, frame.u_mired)),
                "residual_steps": residual,
                "status": flags.status(marks),
                "flags": flags.join(marks),
                "u_exposure_stops": u_stops,
                "u_observer_mired": _observer(frame, reference, profile, ingested.settings),
            }
        records.append(record)
    table = pd.DataFrame(records, columns=list(COLUMNS))
    return Corrections(table, matrices, slopes, developed, primary, space, tuple(messages))


def _stops(frame: LitFrame, reference: Reference) -> tuple[float, float]:
    """Return the stops that bring a frame's brightness to the reference, and their half-width."""
    if frame.source == "profile":
        return -frame.error_stops, frame.u_stops
    stops = float(np.log2(reference.green / frame.signal_g))
    return (0.0, float("nan")) if np.isnan(stops) else (stops, frame.u_stops)


def _reading_for(settings: Settings, profile: Profile | None) -> Settings:
    """Return the session with which a reference is read: what it does not say of heads and power, the test says."""
    if profile is None:
        return settings
    tested = profile.ingested.settings
    power = settings.reference_power if settings.reference_power is not None else tested.reference_power
    return replace(settings, heads=tested.heads | settings.heads, reference_power=power)


def _references(
    sources: Sources,
    ingested: Ingested,
    wanted: Wanted | None,
    label: str,
    profile: Profile | None,
    elsewhere: Ingested | None,
) -> tuple[dict[str, Reference], dict[str, str]]:
    """Return the reference of each body in the terms of its own frames, and why a body has none.

    Where nothing is wanted by name, it is the reference of its own session, or of `elsewhere`.
    """
    found: dict[str, Reference] = {}
    lost: dict[str, str] = {}
    other = elsewhere or (profile.ingested if profile is not None else None)
    lights = find_lights(ingested.readings)
    others = find_lights(elsewhere.readings) if elsewhere is not None else profile.lights if profile else None
    rows = sources.rows[sources.rows["source"].isin(_SEEN)]
    for body_label in dict.fromkeys(rows["body"]):
        body, mine = sources.bodies[body_label], rows[rows["body"] == body_label]
        if elsewhere is None:
            own = find_reference(
                mine, lights, body, wanted or wanted_here(ingested.settings, lights, body.label), label
            )
            if own is not None:
                found[body_label] = own
                continue
        if other is None:
            continue
        try:
            theirs, there = _of_other(other, others, body_label, wanted, label, None if elsewhere else profile)
            if theirs is None:
                continue
            if body_label in sources.relative:
                raise GreystepError(
                    "no frame of its series holds a grey target, so it cannot be matched to another session"
                )
            found[body_label] = carried(theirs, other, others, there, mine, lights, body, ingested.settings)
        except GreystepError as error:
            lost[body_label] = str(error)
    return found, lost


def _of_other(
    other: Ingested,
    lights: TestedLights | None,
    body: str,
    wanted: Wanted | None,
    label: str,
    profile: Profile | None,
) -> tuple[Reference | None, str]:
    """Return the reference in the terms of another session, and the body there: the same one, or its first."""
    there = body if body in other.bodies else next(iter(other.bodies))
    seen_by = other.bodies[there]
    if profile is not None and isinstance(wanted, HeadAtPower | WholeKit):
        return profile_reference(profile, there, seen_by, wanted, label), there
    lit = other.readings[card_rows(other.readings) & (other.readings["body"] == there)]
    return find_reference(lit, lights, seen_by, wanted or wanted_here(other.settings, lights, there), label), there


def _profile_references(
    sources: Sources, settings: Settings, wanted: Wanted | None, label: str, profile: Profile | None
) -> dict[str, Reference]:
    """Return the reference of each body in the terms of the profile."""
    found: dict[str, Reference] = {}
    if profile is None or wanted is None:
        return found
    for body_label, body in sources.seen_by.items():
        rows = sources.rows[(sources.rows["body"] == body_label) & (sources.rows["source"] == "profile")]
        there = str(rows["observer"].iloc[0]) or body_label if len(rows) else body_label
        reference: Reference | None
        match wanted:
            case OneFrame(name):
                frame = next((one for one in sources.frames if one.reading.frame == name), None)
                lit = one_light(frame, settings) if frame is not None else None
                if lit is None:
                    continue
                light = light_at(profile, there, *lit)
                reference = white(label, body, 1e6 / light.mired, light.duv, light.u_mired)
            case HeadAtPower() | WholeKit():
                reference = profile_reference(profile, there, body, wanted, label)
            case _:
                reference = find_reference(rows, None, body, wanted, label)
        if reference is not None:
            found[body_label] = reference
    return found


def _trends(sources: Sources, over: int) -> dict[int, Reference]:
    """Return the reference of each frame on the trend of its series: one body, one light, one exposure."""
    rows, seen = sources.rows, [(frame.reading, frame.lights) for frame in sources.frames]
    keys = [
        (one.body, one.head, one.stops if np.isfinite(one.stops) else None, lights, setting)
        for (one, lights), setting in zip(seen, settings_of(rows), strict=True)
    ]
    series: dict[Hashable, list[int]] = {}
    for place in np.argsort(rows["shot"].to_numpy(), kind="stable"):
        if rows["source"].iloc[place] in _SEEN:
            series.setdefault(keys[place], []).append(int(place))
    found: dict[int, Reference] = {}
    for places in series.values():
        part = rows.iloc[places]
        red, blue = (np.exp(trend(np.log(part[name]), over)) for name in ("r_g", "b_g"))
        green = np.exp2(trend(np.log2(part["signal_g"]), over))
        mired, duv = (trend(part[name], over) for name in ("mired", "duv"))
        columns = np.column_stack([red, blue, green, mired, duv]).tolist()
        for place, (r_g, b_g, *values) in zip(places, columns, strict=True):
            found[place] = Reference("trend", (r_g, 1.0, b_g), values[0], values[1], values[2], 0.0)
    return found


def _observer(frame: LitFrame, reference: Reference, profile: Profile | None, settings: Settings) -> float:
    """Return what the other camera may see otherwise in a correction from a profile made with one; NaN otherwise."""
    lit = one_light(frame, settings)
    if profile is None or not frame.observer or lit is None:
        return float("nan")
    return observer_mired(profile, light_at(profile, frame.observer, *lit), reference)


def _no_reference(to: str | None, rows: pd.DataFrame, sources: Sources, lost: Mapping[str, str]) -> str:
    """Say why nothing can serve as reference, and what could."""
    if lost:
        return next(iter(lost.values()))
    if to is not None and to.startswith("frame:"):
        named = rows[rows["frame"] == to.removeprefix("frame:")]
        if len(named) and named["trouble"].iloc[0]:
            return f"--to {to}: it cannot be the reference: {named['trouble'].iloc[0]}"
    measured = usable(rows)
    blind = rows["flags"].map(lambda cell: "no_matrix" in flags.split(cell))
    if measured.empty and blind.any():
        return f"no colour matrix is known for the camera of the frames; {GIVE_MATRIX}"
    first = next((text for text in rows["trouble"] if text), "")
    if measured.empty and first:
        return f"no frame can serve as reference: 0 of {len(rows)} frames could be measured; the first: {first}"
    lights = dict.fromkeys(f"{row.head}@{row.power}" for row in measured.itertuples() if row.kind in TESTED)
    known = ", ".join(lights) or "none"
    if to is None:
        found = f"{len(measured)} of {len(rows)} frames could be measured"
        return f"no frame can serve as reference: {found}; measured: {known}; give one with --to"
    return f"--to {to}: no usable frame of that kind; measured: {known}; or name {KNOWN}"
