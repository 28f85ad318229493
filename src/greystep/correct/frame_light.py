"""Where the light of each frame is known from: its patch, its head's profile, what it shares, or a frame nearby."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.columns import UNKNOWN
from greystep.correct.lit_by import lights_of, one_light, what_changed
from greystep.correct.lit_frames import LitFrame, lit_frames, lit_table
from greystep.correct.messages import CardAssumed, CardUnproven, Message
from greystep.correct.profile import Profile, ProfileLight, light_at
from greystep.correct.references import seen_neutral
from greystep.correct.shared import Shared, block_reader, join_series, of_anchors
from greystep.errors import GreystepError
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.session.ambient import settings_of
from greystep.session.cards import card_rows
from greystep.session.ingest import Body, Ingested
from greystep.session.power import same_power
from greystep.session.settings import Settings
from greystep.session.workers import Crew, Progress
from greystep.terms import DECLARED, LIT, Kind

#: What a frame cannot be corrected with, whatever its light is known from.
UNFIT: Final = frozenset({"missing", "unreadable", "damaged", "no_flash", "partial_flash", "extra_frame"})
#: What says something of the target in the frame, and nothing where its light is known from elsewhere.
OF_TARGET: Final = frozenset(
    {
        "no_target", "target_moved", "clipped", "near_white", "too_dark", "uneven", "ambient_high", "no_ambient",
        "ambient_changed", "black_doubtful", "far_from_locus", "far_from_reference", "outlier",
    }
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Sources:
    """The frames with the light that is known of each.

    Attributes:
        frames: In log order, neutral and colour filled where any source gives them.
        rows: The table of these, see `greystep.correct.lit_frames.lit_table`.
        bodies: By label, with the matrix that frames without a target are seen through.
        seen_by: By label, through which the lights of a profile are seen.
        relative: Frozenset of str. Bodies whose frames are known only against each other: no frame of the series holds
            a target.
    """

    frames: tuple[LitFrame, ...]
    rows: pd.DataFrame
    bodies: Mapping[str, Body]
    seen_by: Mapping[str, Body]
    relative: frozenset[str]
    messages: tuple[Message, ...]


def find_sources(
    ingested: Ingested,
    profile: Profile | None = None,
    to: str | None = None,
    of_itself: bool = True,
    progress: Progress | None = None,
) -> Sources:
    """Find the best source of light for every flash, card and job frame.

    Best first: the patch of the frame itself, where it is the grey card's; the profile of the head that lit it; what it
    shares with a frame whose light is known, which is measured in the frame too; the last frame of the same lights,
    which is not.

    Args:
        profile: For frames without a usable patch whose head and power are in the log.
        to: The reference that is asked for; ``frame:NAME`` makes that frame the hub of a series without a target.
        of_itself: Whether the reference can be one of the series itself, so that it needs no target.
        progress: Called with (done, total) frames that are compared whole.

    Raises:
        GreystepError: If the frame that others are to be compared with cannot serve.
    """
    table = ingested.readings
    table = table[table["kind"].isin(LIT)].reset_index(drop=True)
    if table.empty:
        raise GreystepError("the log has no flash and no job frame, so there is nothing to correct; give rows a kind")
    table = table.assign(shows_card=card_rows(table))
    sure = set(table.loc[table["kind"].isin(DECLARED) & table["shows_card"], "body"])
    frames = [_start(frame) for frame in lit_frames(table)]
    jobs = [frame for frame in frames if frame.reading.kind == Kind.JOB]
    pictures = [frame for frame in jobs if not (frame.reading.shows_card or frame.marks & UNFIT)]
    seen_by: dict[str, Body] = {}
    if profile is not None:
        frames = [
            frame
            if frame.marks & UNFIT or (frame.source and frame.reading.body in sure)
            else _from_profile(frame, profile, ingested, seen_by)
            for frame in frames
        ]
    frames, bodies, relative, messages = _from_overlap(frames, ingested, to, of_itself, progress)
    if not of_itself and any(frame.source == "patch" and frame.reading.body not in sure for frame in frames):
        messages.append(CardAssumed())
    if any(np.isfinite(frame.signal_g) for frame in pictures):  # else the target was not found in them at all
        messages.append(CardUnproven(len(pictures), len(jobs)))
    targets = [frame for frame in frames if frame.source == "patch"]
    frames = [
        _from_nearby(frame, targets, ingested.settings) if not frame.source and _may_wait(frame) else frame
        for frame in frames
    ]
    frames = [_cleared(frame) for frame in frames]
    return Sources(tuple(frames), lit_table(table, frames), bodies, seen_by, relative, tuple(messages))


def _start(frame: LitFrame) -> LitFrame:
    """Return a frame with what its own patch says, if that is the card."""
    if frame.reading.status != "rejected" and np.isfinite(frame.r_g):
        frame = replace(frame, u_stops=frame.reading.u_signal_g / frame.signal_g / np.log(2.0))
        if frame.reading.shows_card:
            return replace(frame, source="patch")
        return replace(frame, trouble="what stands at the place of the target may be no grey card")
    if faults := flags.ordered(frame.marks & UNFIT or frame.marks & flags.REJECTING):
        return replace(frame, faults=faults)
    return replace(frame, trouble="no grey target was measured in it")


def _may_wait(frame: LitFrame) -> bool:
    """Say whether a frame may be corrected by what it shares with another."""
    return frame.reading.kind == Kind.JOB and not frame.marks & UNFIT


def _cleared(frame: LitFrame) -> LitFrame:
    """Take off what a frame says of its target where its light is known from elsewhere, or not at all."""
    if frame.source == "patch":
        return frame
    return replace(frame, marks=frame.marks - (OF_TARGET if frame.source else OF_TARGET - flags.REJECTING))


# --- profile -------------------------------------------------------------------------------------------------------


def _from_profile(frame: LitFrame, profile: Profile, ingested: Ingested, seen_by: dict[str, Body]) -> LitFrame:
    """Return a frame with the light of the head that lit it in its test."""
    mine = frame.reading.body
    same = mine in profile.ingested.bodies
    label = mine if same else next(iter(profile.ingested.bodies))
    try:
        lit = one_light(frame, ingested.settings)
        if lit is None:
            raise GreystepError("the log does not name the one head and power that lit it")
        light = light_at(profile, label, *lit, frame.parts)
        body = seen_by.get(mine) or _profile_body(profile, mine, label, ingested, light)
        neutral = seen_neutral(body, 1e6 / light.mired, light.duv)
        if neutral is None:
            raise GreystepError("no colour matrix is known for its camera; make one with greystep camera")
    except GreystepError as error:
        return frame if frame.source else replace(frame, trouble=f"{frame.trouble}, and no profile: {error}")
    seen_by[mine] = body
    return replace(
        frame,
        r_g=float(neutral[0]),
        b_g=float(neutral[2]),
        signal_g=UNKNOWN,
        mired=light.mired,
        duv=light.duv,
        u_mired=float(np.hypot(light.u_mired, light.scatter_mired)),
        u_stops=float(np.hypot(light.u_output_stops, light.scatter_stops)),
        error_stops=light.output_error_stops,
        source="profile",
        via=light.how,
        observer="" if same else label,
    )


def _profile_body(profile: Profile, label: str, there: str, ingested: Ingested, light: ProfileLight) -> Body:
    """Return the body through which the lights of a profile are seen: its own, or this session's other camera."""
    if label == there:
        return profile.ingested.bodies[there]
    if label not in ingested.bodies:
        raise GreystepError("its camera is not known")
    body = ingested.bodies[label]
    if body.matrix is not None or body.tags is None:
        return body
    return replace(
        body, matrix=camera.xyz_to_camera(body.tags, chromaticity.cct_duv_to_xy(1e6 / light.mired, light.duv))
    )


# --- overlap -------------------------------------------------------------------------------------------------------


def _from_overlap(
    frames: Sequence[LitFrame], ingested: Ingested, to: str | None, of_itself: bool, progress: Progress | None
) -> tuple[list[LitFrame], dict[str, Body], frozenset[str], list[Message]]:
    """Compare the frames without a source with others of their body.

    Returns: The frames; the bodies by label; those whose frames are known only against each other; and messages.
    """
    every, bodies = ingested.readings, dict(ingested.bodies)
    found, relative, messages = list(frames), set[str](), list[Message]()
    waiting = [
        place for place, frame in enumerate(frames)
        if not frame.source and _may_wait(frame) and frame.reading.shot >= 0 and frame.reading.body in bodies
    ]  # fmt: skip
    with Crew(ingested.jobs) as crew:
        for label in dict.fromkeys(frames[place].reading.body for place in waiting):
            places = [place for place in waiting if frames[place].reading.body == label]
            here, mine = [frames[place] for place in places], [one for one in frames if one.reading.body == label]
            rows = every[(every["body"] == label) & (every["shot"] >= 0)]
            names = [frame.reading.frame for frame in here]
            read = block_reader(ingested.settings.frames_dir, rows, names, crew, progress)
            anchors = [frame for frame in mine if frame.source == "patch" and frame.mired > 0]
            shared, trouble = of_anchors(here, anchors, bodies[label], read), ""
            if not anchors and len(here) > 1:
                if of_itself:
                    bodies[label], shared, message = join_series(here, to, bodies[label], read)
                    relative.add(label)
                    messages.append(message)
                else:
                    trouble = ", nor in any frame like it; give frame:NAME, median or --smooth as reference"
            fit = [frame for frame in mine if frame.reading.shot >= 0 and not frame.marks & UNFIT]
            for place, frame in zip(places, here, strict=True):
                found[place] = replace(frame, trouble=frame.trouble + trouble)
                if frame.reading.frame not in shared:
                    continue
                found[place] = one = _from_shared(found[place], shared[frame.reading.frame])
                if "light_changed" in one.marks:
                    said = what_changed(one, fit, ingested.settings, bodies[label], read)
                    found[place] = replace(one, trouble=f"{one.trouble}: {said}" if said else one.trouble)
    return found, bodies, frozenset(relative), messages


def _from_shared(frame: LitFrame, one: Shared) -> LitFrame:
    """Return a frame with what it shares with its hub."""
    frame = replace(frame, via=one.hub, agreed_pct=UNKNOWN if one.overlap is None else one.overlap.agreed_pct)
    if one.trouble:
        flag = one.overlap.flag if one.overlap is not None else "no_overlap"
        marks = (frame.marks - (OF_TARGET - flags.REJECTING)) | {flag}
        return replace(frame, faults=(), trouble=one.trouble, marks=marks)
    red, green, blue = (float(value) for value in one.light)
    return replace(
        frame,
        r_g=red / green,
        b_g=blue / green,
        signal_g=green,
        mired=one.mired,
        duv=one.duv,
        u_mired=one.u_mired,
        u_stops=one.u_stops,
        source="overlap",
    )


# --- nearby --------------------------------------------------------------------------------------------------------


def _from_nearby(frame: LitFrame, targets: Sequence[LitFrame], settings: Settings) -> LitFrame:
    """Return a frame with the light of the last one before it that holds a target: same lights, lens and modifier."""
    group = [other for other in targets if _alike(frame, other, settings)]
    before = [other for other in group if other.reading.shot < frame.reading.shot]
    if "light_changed" in frame.marks or not before:
        return frame
    bright = [other for other in before if "too_dark" not in other.marks]
    last = max(bright or before, key=lambda other: other.reading.shot)
    mired = [other.mired for other in group]
    # What repeats of these lights differ by, this frame may differ by too.
    spread = float(np.std(mired, ddof=1)) * student_factor(len(mired) - 1) if len(mired) > 1 else 0.0
    rows = pd.DataFrame([asdict(frame.reading), asdict(last.reading)])
    moments = pd.to_datetime(rows["captured"], format="ISO8601", errors="coerce")
    own, others = settings_of(rows)
    return replace(
        frame,
        r_g=last.r_g,
        b_g=last.b_g,
        signal_g=last.signal_g if own == others else UNKNOWN,
        mired=last.mired,
        duv=last.duv,
        u_mired=float(np.hypot(last.u_mired, spread)),
        age_s=float((moments[0] - moments[1]).total_seconds()),
        marks=(frame.marks - {"no_overlap"}) | ({"settings_changed"} if own != others else set()),
        source="nearby",
        via=last.reading.frame,
    )


def _alike(frame: LitFrame, other: LitFrame, settings: Settings) -> bool:
    one, two = frame.reading, other.reading
    if (one.body, one.lens, frame.parts) != (two.body, two.lens, other.parts):
        return False
    try:
        own, others = lights_of(frame, settings), lights_of(other, settings)
    except GreystepError:
        return False
    pairs = [(own[head], others[head]) for head in own if head in others]
    return len(pairs) == len(own) == len(others) and all(
        bool(np.isnan(pair).all()) or same_power(*pair) for pair in pairs
    )
