"""Where the light of each frame is known from: its patch, its head's profile, what it shares, or a frame nearby."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.correct.lit_by import one_light, what_changed
from greystep.correct.messages import CardAssumed, CardUnproven, Message
from greystep.correct.profile import Profile, ProfileLight, light_at
from greystep.correct.references import seen_neutral
from greystep.correct.shared import Shared, block_reader, join_series, of_anchors
from greystep.errors import GreystepError
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.session.ambient import settings_of
from greystep.session.cards import card_rows, lights_of
from greystep.session.ingest import Body, Ingested
from greystep.session.power import same_power
from greystep.session.settings import Settings
from greystep.session.workers import Crew, Progress
from greystep.terms import DECLARED, LIT, PARTS, Kind

Row = dict[str, Any]

#: What a frame cannot be corrected with, whatever its light is known from.
UNFIT: Final = frozenset({"missing", "unreadable", "damaged", "no_flash", "partial_flash", "extra_frame"})
#: What says something of the target in the frame, and nothing where its light is known from elsewhere.
OF_TARGET: Final = frozenset(
    {
        "no_target", "target_moved", "clipped", "near_white", "too_dark", "uneven", "ambient_high", "no_ambient",
        "ambient_changed", "black_doubtful", "far_from_locus", "far_from_reference", "outlier",
    }
)  # fmt: skip
#: What must be equal, besides the lights, for the light of one frame to stand for another's.
_SAME: Final = ("body", "lens", *PARTS)


@dataclass(frozen=True, eq=False)
class Sources:
    """The frames with the light that is known of each.

    Attributes:
        rows: Lit frames in log order, neutral and colour filled where any source gives them; further columns:
            source (blank without one), via, agreed_pct, age_s, u_stops (half-width of the brightness), error_stops
            (brighter than set, of a profile), observer (the other camera that a profile was made with, or blank),
            trouble (why there is no source).
        bodies: By label, with the matrix that frames without a target are seen through.
        seen_by: By label, through which the lights of a profile are seen.
        relative: Frozenset of str. Bodies whose frames are known only against each other: no frame of the series holds
            a target.
    """

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
    table = table[table["kind"].isin(LIT)]
    if table.empty:
        raise GreystepError("the log has no flash and no job frame, so there is nothing to correct; give rows a kind")
    table = table.assign(shows_card=card_rows(table))
    sure = set(table.loc[table["kind"].isin(DECLARED) & table["shows_card"], "body"])
    rows = [_start(row, row["body"] in sure) for row in table.to_dict(orient="records")]
    jobs = [row for row in rows if row["kind"] == Kind.JOB]
    pictures = [row for row in jobs if not (row["shows_card"] or _marks(row) & UNFIT)]
    mistakable = any(np.isfinite(row["signal_g"]) for row in pictures)  # else the target was not found in them at all
    waiting = [row for row in rows if not _marks(row) & UNFIT]
    seen_by: dict[str, Body] = {}
    if profile is not None:
        for row in waiting:
            if not row["sure"]:
                _from_profile(row, profile, ingested, seen_by)
    bodies, relative, messages = dict(ingested.bodies), set[str](), list[Message]()
    waiting = [row for row in waiting if not row["source"] and row["kind"] == Kind.JOB]
    with Crew(ingested.jobs) as crew:
        for label in dict.fromkeys(row["body"] for row in waiting if row["shot"] >= 0 and row["body"] in bodies):
            here = [row for row in waiting if row["body"] == label and row["shot"] >= 0]
            every = ingested.readings
            every = every[(every["body"] == label) & (every["shot"] >= 0)]
            read = block_reader(ingested.settings.frames_dir, every, [row["frame"] for row in here], crew, progress)
            anchors = [row for row in rows if row["body"] == label and row["source"] == "patch" and row["mired"] > 0]
            found = of_anchors(here, anchors, bodies[label], read)
            if not anchors and len(here) > 1:
                if of_itself:
                    bodies[label], found, message = join_series(here, to, bodies[label], read)
                    relative.add(label)
                    messages.append(message)
                else:
                    for row in here:
                        row["trouble"] += ", nor in any frame like it; give frame:NAME, median or --smooth as reference"
            fit = [row for row in rows if row["body"] == label and row["shot"] >= 0 and not _marks(row) & UNFIT]
            for row in here:
                if row["frame"] not in found:
                    continue
                _from_shared(row, found[row["frame"]])
                if "light_changed" in _marks(row):
                    said = what_changed(row, fit, ingested.settings, bodies[label], read)
                    row["trouble"] += f": {said}" if said else ""
    if not of_itself and any(row["source"] == "patch" and row["body"] not in sure for row in rows):
        messages.append(CardAssumed())
    if mistakable:
        messages.append(CardUnproven(len(pictures), len(jobs)))
    _from_nearby(rows, [row for row in waiting if not row["source"]], ingested.settings)
    for row in rows:
        if row["source"] != "patch":
            row["flags"] = flags.join(_marks(row) - (OF_TARGET if row["source"] else OF_TARGET - flags.REJECTING))
        row["status"] = flags.status(_marks(row)) if row["source"] else "rejected"
    return Sources(pd.DataFrame(rows), bodies, seen_by, frozenset(relative), tuple(messages))


def _start(reading: Mapping[Any, Any], sure: bool) -> Row:
    """Return a row with what its own patch says, if that is the card; it is `sure` where card frames prove it."""
    row: Row = {str(name): value for name, value in reading.items()}
    row |= {"via": "", "observer": "", "trouble": "", "source": "", "sure": False}
    row |= dict.fromkeys(("agreed_pct", "age_s", "u_stops", "error_stops"), float("nan"))
    marks = _marks(row)
    if _has_patch(row):
        row["u_stops"] = row["u_signal_g"] / row["signal_g"] / np.log(2.0)
        if row["shows_card"]:
            return row | {"source": "patch", "sure": sure}
        return row | {"trouble": "what stands at the place of the target may be no grey card"}
    reasons = marks & UNFIT or marks & flags.REJECTING
    said = "; ".join(flags.MEANING[name] for name in flags.ordered(reasons))
    return row | {"trouble": said or "no grey target was measured in it"}


def _has_patch(row: Row) -> bool:
    return bool(row["status"] != "rejected" and np.isfinite(row["r_g"]))


def _marks(row: Row) -> frozenset[str]:
    return frozenset(flags.split(row["flags"]))


# --- profile -------------------------------------------------------------------------------------------------------


def _from_profile(row: Row, profile: Profile, ingested: Ingested, seen_by: dict[str, Body]) -> None:
    """Fill a row from the profile of the head that lit it."""
    same = row["body"] in profile.ingested.bodies
    label = row["body"] if same else next(iter(profile.ingested.bodies))
    try:
        lit = one_light(row, ingested.settings)
        if lit is None:
            raise GreystepError("the log does not name the one head and power that lit it")
        light = light_at(profile, label, *lit, {name: str(row.get(name) or "") for name in PARTS})
        body = seen_by.get(row["body"]) or _profile_body(profile, row["body"], label, ingested, light)
        neutral = seen_neutral(body, 1e6 / light.mired, light.duv)
        if neutral is None:
            raise GreystepError("no colour matrix is known for its camera; make one with greystep camera")
    except GreystepError as error:
        if not row["source"]:
            row["trouble"] += f", and no profile: {error}"
        return
    seen_by[row["body"]] = body
    row |= {
        "r_g": neutral[0],
        "b_g": neutral[2],
        "signal_g": float("nan"),
        "mired": light.mired,
        "duv": light.duv,
        "u_mired": float(np.hypot(light.u_mired, light.scatter_mired)),
        "u_stops": float(np.hypot(light.u_output_stops, light.scatter_stops)),
        "error_stops": light.output_error_stops,
        "source": "profile",
        "via": light.how,
        "observer": "" if same else label,
        "trouble": "",
    }


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


def _from_shared(row: Row, one: Shared) -> None:
    """Fill a row from what its frame shares with its hub."""
    row["via"] = one.hub
    if one.overlap is not None:
        row["agreed_pct"] = one.overlap.agreed_pct
    if one.trouble:
        flag = one.overlap.flag if one.overlap is not None else "no_overlap"
        doubts = OF_TARGET - flags.REJECTING
        row |= {"trouble": one.trouble, "flags": flags.join((_marks(row) - doubts) | {flag})}
        return
    red, green, blue = (float(value) for value in one.light)
    row |= {
        "r_g": red / green,
        "b_g": blue / green,
        "signal_g": green,
        "mired": one.mired,
        "duv": one.duv,
        "u_mired": one.u_mired,
        "u_stops": one.u_stops,
        "source": "overlap",
        "trouble": "",
    }


# --- nearby --------------------------------------------------------------------------------------------------------


def _from_nearby(rows: Sequence[Row], waiting: Sequence[Row], settings: Settings) -> None:
    """Fill rows from the last frame before them that holds a target under the same lights, lens and modifier."""
    targets = [row for row in rows if row["source"] == "patch"]
    for row in waiting:
        if "light_changed" in _marks(row):
            continue
        group = [other for other in targets if _alike(row, other, settings)]
        before = [other for other in group if other["shot"] < row["shot"]]
        if not before:
            continue
        bright = [other for other in before if "too_dark" not in _marks(other)]
        last = max(bright or before, key=lambda other: int(other["shot"]))
        mired = [float(other["mired"]) for other in group]
        # What repeats of these lights differ by, this frame may differ by too.
        spread = float(np.std(mired, ddof=1)) * student_factor(len(mired) - 1) if len(mired) > 1 else 0.0
        moments = pd.to_datetime(pd.Series([row["captured"], last["captured"]]), format="ISO8601", errors="coerce")
        one, other = settings_of(pd.DataFrame([row, last]))
        marks = (_marks(row) - {"no_overlap"}) | ({"settings_changed"} if one != other else set())
        row |= {name: last[name] for name in ("r_g", "b_g", "mired", "duv")}
        row |= {
            "signal_g": last["signal_g"] if one == other else float("nan"),
            "u_mired": float(np.hypot(last["u_mired"], spread)),
            "age_s": float((moments[0] - moments[1]).total_seconds()),
            "flags": flags.join(marks),
            "source": "nearby",
            "via": last["frame"],
            "trouble": "",
        }


def _alike(row: Row, other: Row, settings: Settings) -> bool:
    if any(str(row.get(name) or "") != str(other.get(name) or "") for name in _SAME):
        return False
    try:
        own, others = lights_of(row, settings), lights_of(other, settings)
    except GreystepError:
        return False
    pairs = [(own[head], others[head]) for head in own if head in others]
    return len(pairs) == len(own) == len(others) and all(
        bool(np.isnan(pair).all()) or same_power(*pair) for pair in pairs
    )
