"""The log joined with what was measured: one row a frame, with its light, its colour, and what is doubtful about it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep import flags
from greystep.arrays import Floats
from greystep.errors import GreystepError
from greystep.files import write_table
from greystep.flags import Flag, Status
from greystep.measure.chromaticity import srgb_code
from greystep.measure.reading import TOO_DARK, Reading
from greystep.measure.target import Target, find_target, fixed_target
from greystep.raw.exposure import body_label
from greystep.session import cache as kept
from greystep.session import faults, places, switched
from greystep.session import messages as remarks
from greystep.session import readings as rows
from greystep.session.ambient import take_off
from greystep.session.bodies import Body, make_bodies, through_matrix
from greystep.session.cards import shows_card
from greystep.session.colour import colour_columns, light_doubts, other_matrices, unproven_room
from greystep.session.flash_light import light_by_count
from greystep.session.matching import PlacingNote, place_frames
from greystep.session.part import WHOLE, Part, cut, rows_of_part
from greystep.session.raw_files import capture_order, frame_files, stack_folder
from greystep.session.reference import may_serve
from greystep.session.runs import run_rows, settling
from greystep.session.settings import DEFAULT_TOLERANCE, Box, Settings, check_place
from greystep.session.shots import check_rows, read_log
from greystep.session.warm_ups import set_aside
from greystep.session.workers import Crew
from greystep.terms import LIT, TESTED, UNLIT, Kind

__all__ = ["Body", "Ingested", "as_written", "ingest", "join_readings", "overviews", "write_readings"]


class Placing(Protocol):
    """What names the frames of a log while they come, in place of `place_frames`.

    Attributes:
        targets: By body: where the target was found, once it was seen in so many frames that it stays.
        so_far: The log as it was placed last; None before the first time.
    """

    targets: dict[str, Target]
    so_far: pd.DataFrame | None

    def place(
        self, shots: pd.DataFrame, names: Sequence[str], readings: Sequence[Reading]
    ) -> tuple[pd.DataFrame, tuple[PlacingNote, ...]]:
        """Return the log with its frames, and what there is to say; `names` and `readings` are in capture order."""

    def see_targets(self, states: Mapping[str, str]) -> bool:
        """Take by frame what is told of its target; say whether places may change by that."""


#: With so many frames of a body that show the target its place is settled while more come.
_SETTLED: Final = 4
#: Flash frames in whose overviews the target is sought, spread over heads and powers.
_LOOKED_AT: Final = 9
#: Room light above this share is too much [%].
AMBIENT_HIGH_PCT: Final = 0.5


@dataclass(frozen=True, eq=False)
class Ingested:
    """A session that has been read.

    Attributes:
        readings: One row a frame: the contract's columns in its order, then note, the log's own columns, lens,
            focal_mm, and the further columns of `greystep.columns.FrameRow`; u_mired is the root sum of squares of
            u_mired_frame, u_mired_ambient, u_mired_black, u_mired_room and u_mired_target. Text is ``str`` as typed;
            numbers are float64, NaN where unknown; shot is int64, -1 for a frame without file.
        bodies: By label, in the order of the log.
        notes: What holds of the whole session, for its summary; `greystep.sentences.session_notes` says it.
        messages: What there is to say of frames to the person at the terminal; `greystep.sentences.frames` says it.
        jobs: Frames that are worked on at once, see `greystep.session.workers.Crew`.
    """

    settings: Settings
    readings: pd.DataFrame
    bodies: dict[str, Body]
    notes: tuple[remarks.SessionNote, ...]
    messages: tuple[remarks.Message, ...]
    jobs: int | None = None


def ingest(
    settings: Settings,
    patch: Box | None = None,
    progress: Callable[[int, int], None] | None = None,
    store: Path | None = None,
    jobs: int | None = None,
    placing: Placing | None = None,
    part: Part = WHOLE,
    stack: bool = False,
) -> Ingested:
    """Read a session: its log, its frames (those that have not changed from the cache), and what follows from both.

    Args:
        settings: From `load_settings`; its frames folder is only read.
        patch: Tuple of 4 floats. The target by hand, as fractions of the visible frame, before what session.toml says.
        progress: Called with (done, total) frames.
        store: Where the cache goes if the session's folder cannot be written.
        jobs: Frames that are worked on at once; the cores that this process may use by default.
        placing: Names the frames of the log in place of `place_frames`.
        part: Of the frames, all by default; a log that names none is placed on it.
        stack: A folder without a log is a stack of job frames, also where the raw files lie in it without ``frames``.

    Raises:
        FaultsError: With the faults of the log; or where it names no frames, and the frames do not fit its rows.
        GreystepError: If there is no frame, or none that can be read.
    """
    settings = stack_folder(settings) if stack else settings
    if store is not None:
        check_place(settings, store)
    with Crew(jobs) as crew:
        return replace(_ingest(settings, patch, progress, store, crew, placing, part, stack), jobs=jobs)


def _ingest(
    settings: Settings,
    patch: Box | None,
    progress: Callable[[int, int], None] | None,
    store: Path | None,
    crew: Crew,
    placing: Placing | None,
    part: Part,
    stack: bool,
) -> Ingested:
    log = read_log(settings, stack)
    shots = log.shots
    folder = settings.frames_dir
    names = frame_files(settings, shots["frame"])
    cache = kept.open_cache(settings.path, store)
    prints = {name: kept.fingerprint(folder, name) for name in names}
    known = kept.recall(cache, prints)
    exposures = kept.exposures(folder, names, known, crew)
    names = [names[place] for place in capture_order(names, [exposures[name].captured for name in names])]
    inside = cut(names, part)
    left_out: tuple[remarks.LogNote, ...]
    shots, left_out = rows_of_part(shots, names, inside)
    names = inside
    unnamed = bool((shots["frame"] == "").all())
    in_order = shots.assign(frame=pd.array(names, dtype="str")) if unnamed and len(shots) == len(names) else shots
    if placing is not None:  # the log does not know yet what has just come
        in_order = shots.assign(frame=pd.array([""] * len(shots), dtype="str"))
        so_far = placing.so_far
        if so_far is not None and (so_far["frame"].isin(names) & so_far["kind"].isin(TESTED)).any():
            in_order = so_far
    labels = {name: body_label(exposures[name]) for name in names}

    given = patch or settings.patch
    targets: dict[str, Target | None] = {}
    looked_at: dict[str, list[str]] = {}
    find: dict[str, Callable[..., tuple[Target | None, str]]] = {}
    seen: dict[str, str] = {}
    for label in dict.fromkeys(labels.values()):
        if given:
            targets[label] = fixed_target(given)
            continue
        if placing is not None and label in placing.targets:
            targets[label] = placing.targets[label]
            continue
        looked_at[label] = _spread(in_order, [name for name in names if labels[name] == label])
        flash = bool((in_order["frame"].isin(looked_at[label]) & in_order["kind"].isin(TESTED)).any())
        finder = partial(find_target, has_card=True) if flash else _find_in_lit
        find[label] = partial(kept.find_once, folder, looked_at[label], finder, cache, prints, crew)
        targets[label], seen[label] = find[label](at_once=flash)
    sought = {name: targets[labels[name]] for name in names}

    def measured(names: Sequence[str], whole: bool, progress: Callable[[int, int], None] | None) -> dict[str, Reading]:
        mine = {name: sought[name] for name in names}
        found = kept.measure(folder, mine, known, cache, prints, crew, exposures, progress, whole)
        if settings.matrix != "embedded":
            return found
        return {name: through_matrix(name, reading) for name, reading in found.items()}

    readings = measured(names, whole=False, progress=progress)
    for label, name in seen.items():
        if name and not places.found_in_others(name, looked_at[label], readings):
            targets[label], _ = find[label]()
            sought |= {name: targets[label] for name in names if labels[name] == label}
            readings |= measured([name for name in names if labels[name] == label], whole=False, progress=progress)
    if placing is not None:
        shown = [labels[name] for name, one in readings.items() if one.signal and Flag.TOO_DARK not in one.flags]
        settled = [label for label in targets if shown.count(label) >= _SETTLED]
        placing.targets.update({label: target for label in settled if (target := targets[label]) is not None})
    kept.forget_others(cache, prints.values())
    for frames in looked_at.values():
        kept.forget_target(frames, readings, cache, prints)
    if all(Flag.UNREADABLE in reading.flags for reading in readings.values()):
        first = next(iter(readings.values())).message
        raise GreystepError(f"{folder}: none of its {len(names)} frames can be read; the first: {first}")
    placed: tuple[PlacingNote, ...] = ()
    if placing is not None:
        shots, placed = placing.place(shots, names, [readings[name] for name in names])
    elif unnamed:
        light = light_by_count([readings[name] for name in names], int(shots["kind"].isin(UNLIT).sum()))
        aside, warmed = set_aside(shots, names, light)
        files = [name for name in names if name not in set(aside["frame"])]
        shots, placed = place_frames(shots, files, [readings[name] for name in files])
        shots = pd.concat([shots, aside], ignore_index=True) if warmed else shots
        left_out = (*left_out, *warmed)
    joined = rows.joined(shots, names, readings)
    if further := places.to_read_whole(joined):
        readings |= measured(further, whole=True, progress=None)
        joined = rows.joined(shots, names, readings)
    seen_states = places.target_states(joined)
    if placing is not None and placing.see_targets(dict(zip(joined.log["frame"], seen_states, strict=True))):
        shots, placed = placing.place(shots, names, [readings[name] for name in names])
        joined = rows.joined(shots, names, readings)
        seen_states = places.target_states(joined)
    states: NDArray[np.object_] | None = seen_states
    moved = joined.log["frame"][joined.of_kind(*TESTED) & (states != "")]
    where = {name: target for name in moved if (target := targets[labels[name]]) is not None and target.found}
    for name, reading in kept.measure_again(folder, where, cache, prints, crew).items():
        readings[name] = replace(reading, flags=flags.ordered([*reading.flags, Flag.TARGET_MOVED]))
        states = None  # told anew
    found = join_readings(settings, shots, names, readings, targets, states)
    told = (*log.notes, *left_out, *placed)
    found = replace(found, notes=(*told, *found.notes), messages=(*told, *found.messages))
    if cache is None:
        return replace(found, messages=(*found.messages, remarks.NotKept(str(settings.path))))
    if cache.parent != settings.path:
        kept_in = remarks.KeptElsewhere(str(settings.path), str(cache.parent))
        return replace(found, messages=(*found.messages, kept_in))
    return found


def join_readings(
    settings: Settings,
    shots: pd.DataFrame,
    names: Sequence[str],
    readings: Mapping[str, Reading],
    targets: Mapping[str, Target | None],
    states: NDArray[np.object_] | None = None,
) -> Ingested:
    """Join log and readings: light, colour, output and flags of every frame; no file is read but a camera.json.

    Args:
        shots: The log, see `read_shots`, every frame named.
        names: The files in capture order.
        states: As for `greystep.session.places.check_targets`.

    Returns: Rows in log order, then files that the log does not name.
    """
    frames = places.check_targets(rows.joined(shots, names, readings), states)
    log, labels = frames.log, frames.log["body"].tolist()
    patches = rows.patches_of(frames.read)
    shares = None
    while True:  # twice where room light changed: when it did is told by the lights that are found first
        signals = take_off(log, patches, frames.sound, shares)
        compared = rows.comparison(frames, signals, patches)
        lit = frames.of_kind(*LIT) & np.isfinite(signals.signal).all(axis=1)
        no_flash = lit & faults.no_flash(compared, lit & frames.sound)
        fired = lit & frames.sound & ~no_flash
        partial_flash = faults.partial_flash(compared, fired)
        usable = fired & ~partial_flash
        overshot = faults.overshot(compared, fired)
        flash = usable & ~overshot & frames.of_kind(*TESTED)
        if shares is not None or not (signals.room >= 0).any():
            break
        shares = switched.shares(compared, signals, fired & frames.of_kind(*TESTED))
    exposed: rows.Doubts = {
        Flag.NO_FLASH: no_flash,
        Flag.PARTIAL_FLASH: partial_flash,
        Flag.SETTINGS_CHANGED: faults.settings_changed(compared, signals.black_known),
        Flag.TAIL_CUT: faults.tail_cut(compared, settings.heads),
        Flag.TOO_SOON: faults.too_soon(log, fired, settings.recycle_s),
        Flag.NO_AMBIENT: signals.no_ambient,
        Flag.AMBIENT_HIGH: np.nan_to_num(signals.ambient_pct) > AMBIENT_HIGH_PCT,
        Flag.BLACK_DOUBTFUL: lit & signals.black_wrong,
    }

    light = rows.light_columns(frames, signals)
    ratios = rows.ratio_columns(light, usable)
    neutrals = log.assign(**ratios)
    cards = shows_card(settings, frames, compared, ratios, usable, targets)
    checks = check_rows(log)  # fired by a cold head all through the session, they are no repeats
    running = run_rows(log)  # that a head settles makes none of its frames an outlier
    aside = overshot
    while True:  # until no doubtful light is among the frames at which a matrix is fixed; each turn sets one aside
        serves = may_serve(cards & ~aside, checks & flash, faults.cells(compared))
        bodies, stand_ins = make_bodies(settings, neutrals, frames.read, usable, serves, targets)
        colour, coloured = colour_columns(labels, usable, bodies, signals)
        noise = {
            f"noise_{name}": np.sqrt(colour[f"u_{name}"] ** 2 - colour[f"u_{name}_target"] ** 2) / 2.0
            for name in ("mired", "duv")
        }  # what the target leaves open moves all frames alike
        compared = compared.assign(mired=colour["mired"], duv=colour["duv"], **noise)
        outlier = faults.outlier(compared, flash & ~checks & ~running)
        odd = serves & (outlier | faults.at_odds(compared, flash & ~checks))
        odd &= log["body"].isin(set(log["body"][serves & ~odd])).to_numpy()  # a body keeps one light at least
        if not odd.any():
            break
        aside = aside | odd
    doubts = rows.settled(
        frames,
        exposed,
        coloured,
        light_doubts(labels, usable, bodies, signals),
        {Flag.MATRIX_DIFFERS: other_matrices(frames, bodies, settings), Flag.OUTLIER: outlier | overshot},
    )
    output = rows.output_stops(compared, flash & ~outlier, usable)
    measured = {**colour, **light, **ratios, **rows.room_columns(frames, signals), "output_stops": output}
    table = rows.assembled(frames, measured, doubts, bodies)
    table["shows_card"] = cards & (table["status"] != Status.REJECTED)

    short, alone = faults.shortfall(compared, usable)
    away = {f"away_{name}": faults.from_median(compared, name, flash) for name in ("mired", "duv")}
    away["away_stops"] = faults.from_median(compared, "level", flash)
    reasons = {name: reading.message for name, reading in readings.items()}
    return Ingested(
        settings,
        table.drop(columns="row"),
        bodies,
        (
            *remarks.session_notes(settings, table, bodies, stand_ins),
            *unproven_room(log, flash, bodies, signals),
            *settling(table, settings.tolerance.mired or DEFAULT_TOLERANCE.mired or math.nan),
        ),
        remarks.frame_faults(table.assign(short_stops=short, alone=alone, **away), reasons),
    )


def as_written(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings as they are written: the shot of a frame without file is empty."""
    return readings.assign(shot=readings["shot"].astype("Int64").mask(readings["shot"] < 0))


def write_readings(ingested: Ingested, store: Path | None = None) -> Path:
    """Write readings.csv into the session's folder, or into `store` where that cannot be written; return its path.

    Raises:
        GreystepError: If neither can be written.
    """
    table = as_written(ingested.readings)
    for folder in filter(None, (ingested.settings.path, store)):
        try:
            write_table(folder / "readings.csv", table)
            return folder / "readings.csv"
        except GreystepError as error:
            failed = error
    raise failed


def overviews(ingested: Ingested, store: Path | None = None) -> Mapping[str, NDArray[np.uint8]]:
    """Return a small picture of each frame, for looking at only: balanced to its body's reference, sRGB's curve.

    Args:
        store: Where pictures are kept if the session's folder cannot be written.

    Returns: mapping of str to array (h, w, 3): By frame; the longer side is at most 256 px; a frame that cannot be
        decoded has none.
    """
    draw: dict[str, Callable[[NDArray[Any]], NDArray[np.uint8]]] = {}
    look: dict[str, str] = {}
    for row in ingested.readings.to_dict(orient="records"):
        body = ingested.bodies.get(row["body"])
        if row["shot"] >= 0 and body is not None and Flag.UNREADABLE not in flags.split(row["flags"]):
            balance = np.round(1.0 / np.array(body.reference_neutral or (1.0, 1.0, 1.0)), 3)
            draw[row["frame"]] = partial(_picture, balance)
            rejected = row["flags"] if row["status"] == Status.REJECTED else ""  # a sound copy is drawn again
            look[row["frame"]] = f"{balance.tolist()}{rejected}"
    session = ingested.settings
    with Crew(ingested.jobs) as crew:
        return kept.thumbnails(session.frames_dir, draw, kept.open_cache(session.path, store), look, crew)


def _spread(shots: pd.DataFrame, names: Sequence[str]) -> list[str]:
    """Choose flash frames (else cards, job frames, any) of one body, spread over heads and powers."""
    for kinds in (TESTED, (Kind.CARD,), (Kind.JOB,), (*UNLIT, "")):
        mine = shots[shots["frame"].isin(list(names)) & shots["kind"].isin(kinds)]
        if len(mine):
            # One frame a cell in turn, so that repeats come only where there are few cells.
            turn = mine.groupby(["head", "power"], sort=False).cumcount()
            chosen = mine.assign(turn=turn).sort_values(["turn", "stops", "head"], kind="stable")["frame"]
            cells = int((turn == 0).sum())
            pool = chosen.iloc[: max(cells, _LOOKED_AT)]
            return [str(pool.iloc[place]) for place in np.unique(np.linspace(0, len(pool) - 1, _LOOKED_AT).astype(int))]
    return [names[place] for place in np.unique(np.linspace(0, len(names) - 1, _LOOKED_AT).astype(int))]


def _find_in_lit(overviews: Sequence[NDArray[Any]]) -> Target | None:
    """Find the target where the log does not say yet which frames have flash: in those that are not dark."""
    lit = [overview for overview in overviews if np.percentile(overview[..., 1], 99) > TOO_DARK]
    return find_target(lit or overviews, has_card=False)


def _picture(balance: Floats, overview: NDArray[Any]) -> NDArray[np.uint8]:
    """Balance a linear overview and give it the curve of sRGB (IEC 61966-2-1), 8 bit."""
    return srgb_code(overview * balance).astype(np.uint8)
