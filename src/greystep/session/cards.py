"""Whether a frame shows the grey card: because the log says so, or because a job frame proves it."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats
from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure.patch import PatchSignal
from greystep.measure.target import Box, Target
from greystep.measure.target_moved import surround_box
from greystep.session.readings import Frames
from greystep.session.settings import Settings, power_of
from greystep.terms import DECLARED, Kind

#: How near a card in a job frame must be to the head's own card frames, this tool's own: blue over red and tint
#: [natural log], brightness [stops]; and so much more for each stop between their powers.
_REACH: Final = np.array([0.03, 0.02, 0.25])
_REACH_PER_STOP: Final = np.array([0.01, 0.003, 0.05])
#: In a session without a card frame: channel ratios this near to the white that the camera is set to [natural log].
NEAR_SETTING: Final = 0.2
#: The map of the target's place against that of the card frames [natural log]: on the card, and beside it.
_EVEN: Final = 0.02
_SAME_GROUND: Final = 0.12
#: An outline is what at least half of the ground shows that differs so much from the card [natural log].
_OUTLINE: Final = 0.1
#: Shares of the map that must be as in the card frames: beside the card, and along its edges, where focus shows.
_OF_GROUND, _OF_EDGES = 0.75, 0.6
#: The ground begins so far from the card, in its own sizes.
_BESIDE: Final = 0.08
#: Pixels may scatter so many times more in variance than the card's do at that level.
_ROUGHER: Final = 2.0


def shows_card(
    settings: Settings,
    frames: Frames,
    compared: pd.DataFrame,
    ratios: Mapping[str, Floats],
    usable: Booleans,
    targets: Mapping[str, Target | None],
) -> Booleans:
    """Return which usable rows show the grey card.

    Those of which the log says it: flash, check and card frames. A job frame must prove it, by a target that was found,
    not given by hand: its outline where it stands in the card frames, on the same ground; its pixels even as theirs;
    its colour and brightness within reach of those of the same lights, else its colour within reach of any. In a
    session without card frames what all job frames share in place and outline is taken for it where its colour is near
    to the white that the camera is set to.

    Args:
        compared: See `greystep.session.readings.comparison`.
        ratios: Of `ratio_columns`.
        usable: Array (n,). Lit rows that are not rejected.
    """
    declared = usable & frames.of_kind(*DECLARED)
    found = declared.copy()
    jobs = usable & frames.of_kind(Kind.JOB) & np.isfinite(ratios["r_g"])
    lights = [_lights(row, settings) for row in compared.to_dict(orient="records")] if jobs.any() else []
    own = np.column_stack([ratios["r_g"], ratios["b_g"]])
    with np.errstate(invalid="ignore", divide="ignore"):
        red, blue = np.log(own.T)
    place = np.column_stack([blue - red, (blue + red) / 2.0, compared["level"].to_numpy(np.float64)])
    for label, target in targets.items():
        if target is None or not target.found:
            continue
        here = (compared["body"] == label).to_numpy()
        cards = np.flatnonzero(here & declared & np.isfinite(own).all(axis=1))
        witnesses = cards[~frames.doubts[Flag.TOO_DARK][cards]].tolist() or cards.tolist()
        for row in np.flatnonzero(here & jobs).tolist():
            if witnesses:
                alike = [at for at in witnesses if set(lights[at]) == set(lights[row]) and lights[row]]
                near = [at for at in alike or witnesses if _within_reach(place, lights, row, at, bool(alike))]
                found[row] = bool(near) and _same_card(frames, target, row, alike or witnesses)
            else:
                found[row] = not frames.doubts[Flag.UNEVEN][row] and _near_setting(frames, row, own[row])
    return found


def card_rows(readings: pd.DataFrame) -> Booleans:
    """Return which rows of readings show the grey card: those of `shows_card`, else those of which the log says it."""
    shown = readings["shows_card"] if "shows_card" in readings else readings["kind"].isin(DECLARED)
    return shown.to_numpy(dtype=bool)


def named_lights(lights: str, head: str, stops: float, settings: Settings) -> dict[str, float]:
    """Return the heads that lit a frame with their powers in stops, NaN where the log leaves a power out.

    Args:
        lights: What the log says, such as ``A@1/4 & B@1/16``; where that is blank, it was `head` at `stops`.

    Raises:
        GreystepError: If a power cannot be read.
    """
    found: dict[str, float] = {}
    for part in lights.split("&"):
        name, _, power = (text.strip() for text in (part if "@" in part else f"{part}@").rpartition("@"))
        if name:
            twice = name in found
            found[name] = power_of(settings, name, power).stops if power and not twice else float("nan")
    return found or ({head: stops} if head else {})


def _lights(row: Mapping[Any, Any], settings: Settings) -> dict[str, float]:
    try:
        return named_lights(str(row.get("lights") or ""), str(row["head"]), float(row["stops"]), settings)
    except GreystepError:
        return {}


def _within_reach(place: Floats, lights: Sequence[Mapping[str, float]], row: int, at: int, alike: bool) -> bool:
    """Say whether colour, and under the same heads brightness, are those of a card frame."""
    apart = np.array([lights[row][head] - lights[at][head] for head in lights[row]]) if alike else np.zeros(1)
    known = bool(alike and np.isfinite(apart).all() and (len(apart) == 1 or not apart.any()))
    away = np.abs(place[row] - place[at] + np.array([0.0, 0.0, apart[0] if known else 0.0]))
    reach = _REACH + _REACH_PER_STOP * float(np.nan_to_num(np.abs(apart)).max())
    return bool((away <= reach)[: 3 if known else 2].all())


def _same_card(frames: Frames, target: Target, row: int, witnesses: Sequence[int]) -> bool:
    """Say whether outline and evenness at the target's place are those of the card frames."""
    reading = frames.read[row]
    others = [other for at in witnesses if (other := frames.read[at]) is not None and other.signal is not None]
    if reading is None or reading.signal is None or reading.surround is None:
        return False
    maps = [other.surround for other in others if other.surround is not None]
    maps = [one for one in maps if one.shape == reading.surround.shape]
    if not maps or not any(_as_even(reading.signal, other.signal) for other in others if other.signal is not None):
        return False
    noise = reading.signal.sd[1] / reading.signal.mean[1] / np.sqrt(2.0)  # of a bin: two green pixels at least
    card, edges, ground = _zones(target, reading.surround.shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        usual = np.log(np.median(maps, axis=0))
        away = np.abs(np.log(reading.surround) - usual)
    if not ground.any() or np.mean(np.abs(usual[ground]) > _OUTLINE) < 0.5:
        return False
    same = away <= _SAME_GROUND + 2.0 * noise
    even = float(np.sqrt(np.mean(away[card] ** 2))) <= max(_EVEN, 2.0 * noise)
    return bool(even and same[ground].mean() >= _OF_GROUND and same[edges].mean() >= _OF_EDGES)


def _zones(target: Target, shape: tuple[int, ...]) -> tuple[Booleans, Booleans, Booleans]:
    """Return which bins of a map lie on the measured patch, which about the card's edges, and which beside the card."""
    x0, y0, x1, y1 = surround_box(target)
    y = y0 + (np.arange(shape[0]) + 0.5) / shape[0] * (y1 - y0)
    x = x0 + (np.arange(shape[1]) + 0.5) / shape[1] * (x1 - x0)

    def inside(box: Box, more: float = 0.0) -> Booleans:
        wide, high = more * (box[2] - box[0]), more * (box[3] - box[1])
        rows, columns = (y > box[1] - high) & (y < box[3] + high), (x > box[0] - wide) & (x < box[2] + wide)
        return np.asarray(rows[:, None] & columns)

    card, about = inside(target.patch), inside(target.box, _BESIDE)
    return card, about & ~card, ~about


def _as_even(one: PatchSignal, card: PatchSignal) -> bool:
    """Say whether the pixels of a patch scatter no more than the card's would: with light, or with its square."""
    for sd, mean, card_sd, card_mean in zip(one.sd, one.mean, card.sd, card.mean, strict=True):
        share = mean / card_mean if card_mean > 0 else 0.0
        if sd**2 > _ROUGHER * card_sd**2 * (max(share, share**2) + 0.01):
            return False
    return True


def _near_setting(frames: Frames, row: int, own: Floats) -> bool:
    """Say whether a neutral is near the white that the camera was set to, where that is known.

    A white set by mistake costs nothing: the frame is then compared with others as if it held no card.
    """
    reading = frames.read[row]
    setting = reading.colour.as_shot_neutral if reading is not None and reading.colour is not None else None
    if setting is None:
        return True
    away = np.log(own * setting[1] / np.array([setting[0], setting[2]]))
    return bool(np.abs(away).max() <= NEAR_SETTING)
