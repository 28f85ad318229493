"""The log joined with what was measured: one row a frame, with its light, its colour, and what is doubtful about it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
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
from greystep.measure.reading import Reading
from greystep.measure.target import Target
from greystep.session import faults, places, switched
from greystep.session import messages as remarks
from greystep.session import readings as rows
from greystep.session.ambient import take_off
from greystep.session.bodies import Body, make_bodies
from greystep.session.cache_folder import fingerprint, open_cache
from greystep.session.cards import shows_card
from greystep.session.colour import colour_columns, light_doubts, other_matrices, unproven_room
from greystep.session.flash_light import light_by_count
from greystep.session.matching import PlacingNote, place_frames
from greystep.session.measured import Measured
from greystep.session.part import WHOLE, Part, cut, rows_of_part
from greystep.session.pictures import Picture, pictures_of
from greystep.session.raw_files import Start, frame_files, stack_folder
from greystep.session.reference import may_serve
from greystep.session.runs import run_rows, settling
from greystep.session.settings import DEFAULT_TOLERANCE, Box, Settings, check_place
from greystep.session.shots import check_rows, read_log
from greystep.session.warm_ups import set_aside
from greystep.session.workers import Crew
from greystep.terms import LIT, TESTED, UNLIT

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
        starts: By file of the session: what it is known again by; None where it cannot be read.
    """

    settings: Settings
    readings: pd.DataFrame
    bodies: dict[str, Body]
    notes: tuple[remarks.SessionNote, ...]
    messages: tuple[remarks.Message, ...]
    jobs: int | None = None
    starts: Mapping[str, Start | None] = field(default_factory=dict)


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
    files = frame_files(settings, log.shots["frame"]) if log.files is None else list(log.files)
    frames = Measured(settings, files, store, crew)
    every, frames.names = frames.names, cut(frames.names, part)
    names = frames.names
    shots, left_out = rows_of_part(log.shots, every, names)
    settled = placing.targets if placing is not None else {}
    frames.find_targets(_as_far_as_named(shots, names, placing), patch or settings.patch, settled)
    frames.measure_all(progress)
    if placing is not None:
        placing.targets.update(frames.settled_targets())
    placed: tuple[remarks.LogNote | PlacingNote, ...]
    shots, placed = _placed(shots, frames, placing)
    joined = rows.joined(shots, names, frames.readings)
    if further := places.to_read_whole(joined):
        frames.measure(further, whole=True)
        joined = rows.joined(shots, names, frames.readings)
    told = places.target_states(joined)
    if placing is not None and placing.see_targets(dict(zip(joined.log["frame"], told, strict=True))):
        shots, placed = placing.place(shots, names, frames.in_order())
        joined = rows.joined(shots, names, frames.readings)
        told = places.target_states(joined)
    again = frames.measure_again(joined.log["frame"][joined.of_kind(*TESTED) & (told != "")].tolist())
    joined = rows.joined(shots, names, frames.readings) if again else joined
    targets = places.check_targets(joined, None if again else told)
    found = _found(settings, targets, frames.readings, frames.targets)
    notes = (*log.notes, *left_out, *placed)
    where = _where_kept(settings, frames.cache)
    return replace(
        found, notes=(*notes, *found.notes), messages=(*notes, *found.messages, *where), starts=frames.starts
    )


def _as_far_as_named(shots: pd.DataFrame, names: Sequence[str], placing: Placing | None) -> pd.DataFrame:
    """Return the log with the frames that it names, or that it will if it names none and has a row for each."""
    if placing is not None:  # the log does not know yet what has just come
        so_far = placing.so_far
        known = so_far is not None and (so_far["frame"].isin(names) & so_far["kind"].isin(TESTED)).any()
        return so_far if so_far is not None and known else shots.assign(frame=pd.array([""] * len(shots), dtype="str"))
    unnamed = bool((shots["frame"] == "").all())
    return shots.assign(frame=pd.array(names, dtype="str")) if unnamed and len(shots) == len(names) else shots


def _placed(
    shots: pd.DataFrame, frames: Measured, placing: Placing | None
) -> tuple[pd.DataFrame, tuple[remarks.LogNote | PlacingNote, ...]]:
    """Return the log with its frames: a log that names none is placed on them, warm-ups set aside."""
    if placing is not None:
        return placing.place(shots, frames.names, frames.in_order())
    if (shots["frame"] != "").any():
        return shots, ()
    light = light_by_count(frames.in_order(), int(shots["kind"].isin(UNLIT).sum()))
    aside, warmed = set_aside(shots, frames.names, light)
    files = [name for name in frames.names if name not in set(aside["frame"])]
    shots, placed = place_frames(shots, files, frames.in_order(files))
    return (pd.concat([shots, aside], ignore_index=True) if warmed else shots), (*warmed, *placed)


def _where_kept(settings: Settings, cache: Path | None) -> tuple[remarks.Message, ...]:
    """Return what there is to say of the place of readings that are kept for the next run."""
    if cache is None:
        return (remarks.NotKept(str(settings.path)),)
    return (remarks.KeptElsewhere(str(settings.path), str(cache.parent)),) if cache.parent != settings.path else ()


def join_readings(
    settings: Settings,
    shots: pd.DataFrame,
    names: Sequence[str],
    readings: Mapping[str, Reading],
    targets: Mapping[str, Target | None],
) -> Ingested:
    """Join log and readings: light, colour, output and flags of every frame; no file is read but a camera.json.

    Args:
        shots: The log, see `read_shots`, every frame named.
        names: The files in capture order.

    Returns: Rows in log order, then files that the log does not name.
    """
    return _found(settings, places.check_targets(rows.joined(shots, names, readings)), readings, targets)


def _found(
    settings: Settings, frames: rows.Frames, readings: Mapping[str, Reading], targets: Mapping[str, Target | None]
) -> Ingested:
    """Return what log and readings say, from both joined."""
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


def overviews(ingested: Ingested, store: Path | None = None) -> Mapping[str, Picture]:
    """Return a small picture of each frame, for looking at only: balanced to its body's reference, sRGB's curve.

    Args:
        store: Where pictures are kept if the session's folder cannot be written.

    Returns: By frame; the longer side is at most 256 px; a frame that cannot be decoded has none.
    """
    draw: dict[str, Callable[[NDArray[Any]], NDArray[np.uint8]]] = {}
    look: dict[str, str] = {}
    balances = {
        label: np.round(1.0 / np.array(body.reference_neutral or (1.0, 1.0, 1.0)), 3)
        for label, body in ingested.bodies.items()
    }
    columns = (ingested.readings[name].tolist() for name in ("frame", "body", "shot", "status", "flags"))
    for frame, label, shot, status, marks in zip(*columns, strict=True):
        if shot >= 0 and label in balances and Flag.UNREADABLE not in flags.split(marks):
            draw[frame] = partial(_picture, balances[label])
            rejected = marks if status == Status.REJECTED else ""  # a sound copy is drawn again
            look[frame] = f"{balances[label].tolist()}{rejected}"
    session = ingested.settings
    with Crew(ingested.jobs) as crew:
        prints = {name: fingerprint(name, ingested.starts.get(name)) for name in draw}
        return pictures_of(session.frames_dir, draw, open_cache(session.path, store), prints, look, crew)


def _picture(balance: Floats, overview: NDArray[Any]) -> NDArray[np.uint8]:
    """Balance a linear overview and give it the curve of sRGB (IEC 61966-2-1), 8 bit."""
    return srgb_code(overview * balance).astype(np.uint8)
