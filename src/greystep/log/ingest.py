"""The log joined with what was measured: one row a frame, with its light, its colour, and what is doubtful about it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep import flags
from greystep.errors import GreystepError
from greystep.files import write_table
from greystep.log import cache as kept
from greystep.log import faults, remarks
from greystep.log import table as rows
from greystep.log.ambient import take_off
from greystep.log.bodies import Body, make_bodies
from greystep.log.colour import add_colour, doubt_light, mark_matrices
from greystep.log.placing import place_frames
from greystep.log.session import Box, Session, check_place
from greystep.log.shots import capture_order, frame_files, noted_checks, read_shots
from greystep.measure.chromaticity import srgb_curve
from greystep.measure.exposure import body_label
from greystep.measure.reading import Reading
from greystep.measure.target import Target, find_target, fixed_target

__all__ = ["Body", "Ingested", "as_written", "ingest", "join_readings", "overviews", "write_readings"]

Booleans = NDArray[np.bool_]

#: Flash frames in whose overviews the target is sought, spread over heads and powers.
_LOOKED_AT: Final = 9
#: Room light above this share is too much [%].
AMBIENT_HIGH_PCT: Final = 0.5


@dataclass(frozen=True, eq=False)
class Ingested:
    """A session that has been read.

    Attributes
    ----------
    session : Session
    readings : DataFrame
        One row a frame: the contract's columns in its order, then note, the log's own columns, lens, focal_mm, g1_g2,
        and what u_mired is the root sum of squares of: u_mired_frame, u_mired_ambient, u_mired_black.
        Text is ``str`` as typed; numbers are float64, NaN where unknown; shot is int64, -1 for a frame without file.
    bodies : dict
        By label, in the order of the log.
    notes : tuple of str
        Sentences about the whole session, for its summary.
    messages : tuple of str
        One line each, for the person at the terminal.
    """

    session: Session
    readings: pd.DataFrame
    bodies: dict[str, Body]
    notes: tuple[str, ...]
    messages: tuple[str, ...]


def ingest(
    session: Session,
    patch: Box | None = None,
    progress: Callable[[int, int], None] | None = None,
    store: Path | None = None,
) -> Ingested:
    """Read a session: its log, its frames (those that have not changed from the cache), and what follows from both.

    Parameters
    ----------
    session : Session
        From `load_session`; its frames folder is only read.
    patch : tuple of 4 floats, optional
        The target by hand, as fractions of the visible frame, before what session.toml says.
    progress : callable, optional
        Called with (done, total) frames.
    store : Path, optional
        Where the cache goes if the session's folder cannot be written.

    Raises
    ------
    FaultsError
        With the faults of the log; or where it names no frames, and the frames do not fit its rows.
    GreystepError
        If there is no frame, or none that can be read.
    """
    if store is not None:
        check_place(session, store)
    shots = read_shots(session)
    folder = session.frames_dir
    names = frame_files(session, shots["frame"])
    cache = kept.open_cache(session.path, store)
    prints = {name: kept.fingerprint(folder, name) for name in names}
    known = kept.recall(cache, prints)
    exposures = kept.exposures(folder, names, known)
    order = capture_order(names, [exposure.captured for exposure in exposures])
    names, exposures = [names[place] for place in order], [exposures[place] for place in order]
    unnamed = bool((shots["frame"] == "").all())
    in_order = shots.assign(frame=pd.array(names, dtype="str")) if unnamed and len(shots) == len(names) else shots
    labels = {name: body_label(exposure) for name, exposure in zip(names, exposures, strict=True)}

    given = patch or session.patch
    targets: dict[str, Target | None] = {}
    for label in dict.fromkeys(labels.values()):
        looked_at = _spread(in_order, [name for name in names if labels[name] == label])
        targets[label] = fixed_target(given) if given else kept.find_once(folder, looked_at, find_target, cache, prints)
    readings = kept.measure(folder, {name: targets[labels[name]] for name in names}, known, cache, prints, progress)
    kept.forget_others(cache, prints.values())
    if all("unreadable" in reading.flags for reading in readings.values()):
        first = next(iter(readings.values())).message
        raise GreystepError(f"{folder}: none of its {len(names)} frames can be read; the first: {first}")
    placed: tuple[str, ...] = ()
    if unnamed:
        shots, placed = place_frames(shots, names, [readings[name] for name in names])
    found = join_readings(session, shots, names, readings, targets)
    found = replace(found, notes=(*placed, *found.notes), messages=(*placed, *found.messages))
    if cache is None:
        line = f"{session.path}: cannot be written, so nothing is kept for the next run; give a folder with --out"
    elif cache.parent != session.path:
        line = f"{session.path}: cannot be written; readings.csv and .greystep lie in {cache.parent}"
    else:
        return found
    return replace(found, messages=(*found.messages, line))


def join_readings(
    session: Session,
    shots: pd.DataFrame,
    names: Sequence[str],
    readings: Mapping[str, Reading],
    targets: Mapping[str, Target | None],
) -> Ingested:
    """Join log and readings: light, colour, output and flags of every frame; no file is read but a camera.json.

    Parameters
    ----------
    session : Session
        What session.toml says.
    shots : DataFrame
        The log, see `read_shots`, every frame named.
    names : sequence of str
        The files in capture order.
    readings : mapping
        Of each file.
    targets : mapping
        Of each body label.

    Returns
    -------
    Ingested
        Rows in log order, then files that the log does not name.
    """
    table = rows.joined(shots, names, readings)
    read = [readings.get(name) for name in table["frame"]]
    marks = rows.own_flags(table, read)
    read = rows.check_targets(table, read, marks)
    patches = rows.patches_of(read)
    light = take_off(table, patches, _accepted(marks))
    lit = table["kind"].isin(["flash", "job"]).to_numpy() & np.isfinite(light.signal).all(axis=1)
    rows.add_light(table, light, read)
    compared = rows.comparison(table, read, light, patches)

    _mark(marks, "no_flash", lit & faults.no_flash(compared, lit & _accepted(marks)))
    _mark(marks, "partial_flash", faults.partial_flash(compared, lit & _accepted(marks)))
    usable = lit & _accepted(marks)
    short, alone = faults.shortfall(compared, usable)
    _mark(marks, "settings_changed", faults.settings_changed(compared, light.black_known))
    _mark(marks, "tail_cut", faults.tail_cut(compared, session.heads))
    _mark(marks, "no_ambient", lit & light.no_ambient)
    _mark(marks, "ambient_high", lit & (np.nan_to_num(light.ambient_pct) > AMBIENT_HIGH_PCT))
    _mark(marks, "black_doubtful", lit & light.black_wrong)

    rows.add_ratios(table, usable)
    bodies, stand_ins = make_bodies(session, table, read, usable, targets)
    for label, body in bodies.items():
        of_body = np.flatnonzero(usable & (table["body"] == label).to_numpy())
        add_colour(table, of_body, body, light, marks)
        doubt_light(of_body, body, light, marks)
    mark_matrices(table, read, bodies, session, marks)
    for name in ("mired", "duv"):
        compared[name], compared[f"noise_{name}"] = table[name], table[f"u_{name}"] / 2.0
    flash = usable & (table["kind"] == "flash").to_numpy()
    checks = noted_checks(table["note"])  # fired by a cold head all through the session, they are no repeats
    outlier = faults.outlier(compared, flash & ~checks)
    _mark(marks, "outlier", outlier)
    table["output_stops"] = rows.output_stops(compared, flash & ~outlier, usable)
    rows.settle(table, marks)
    table["colour_from"] = pd.array(rows.colour_from(table, read, bodies), dtype="str")

    told = compared.assign(
        status=table["status"], flags=table["flags"], short=short, alone=alone, apart=faults.apart(compared, flash)
    )
    reasons = {name: reading.message for name, reading in readings.items()}
    extras = [name for name in table if name not in (*rows.COLUMNS, "row")]
    return Ingested(
        session,
        table[[*rows.COLUMNS, *extras]],
        bodies,
        remarks.notes(session, table, bodies, stand_ins),
        remarks.messages(told, reasons),
    )


def as_written(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings as they are written: the shot of a frame without file is empty."""
    return readings.assign(shot=readings["shot"].astype("Int64").mask(readings["shot"] < 0))


def write_readings(ingested: Ingested, store: Path | None = None) -> Path:
    """Write readings.csv into the session's folder, or into `store` where that cannot be written; return its path.

    Raises
    ------
    GreystepError
        If neither can be written.
    """
    table = as_written(ingested.readings)
    path = ingested.session.path / "readings.csv"
    try:
        write_table(path, table)
    except GreystepError:
        if store is None:
            raise
        path = store / "readings.csv"
        write_table(path, table)
    return path


def overviews(ingested: Ingested, store: Path | None = None) -> dict[str, NDArray[np.uint8]]:
    """Return a small picture of each frame, for looking at only: balanced to its body's reference, sRGB's curve.

    Parameters
    ----------
    ingested : Ingested
        A session that has been read.
    store : Path, optional
        Where pictures are kept if the session's folder cannot be written.

    Returns
    -------
    dict of str to array (h, w, 3)
        By frame; the longer side is at most 256 px; a frame that cannot be decoded has none.
    """
    draw: dict[str, Callable[[NDArray[Any]], NDArray[np.uint8]]] = {}
    look: dict[str, str] = {}
    for row in ingested.readings.to_dict(orient="records"):
        body = ingested.bodies.get(row["body"])
        if row["shot"] >= 0 and body is not None:
            balance = np.round(1.0 / np.array(body.reference_neutral or (1.0, 1.0, 1.0)), 3)
            draw[row["frame"]] = partial(_picture, balance)
            look[row["frame"]] = str(balance.tolist())
    session = ingested.session
    return kept.thumbnails(session.frames_dir, draw, kept.open_cache(session.path, store), look)


def _accepted(marks: Sequence[set[str]]) -> Booleans:
    return np.array([not mark & flags.REJECTING for mark in marks], dtype=bool)


def _mark(marks: Sequence[set[str]], name: str, where: Booleans) -> None:
    for row in np.flatnonzero(where).tolist():
        marks[row].add(name)


def _spread(shots: pd.DataFrame, names: Sequence[str]) -> list[str]:
    """Choose flash frames (else job frames, else any) of one body, spread over heads and powers."""
    for kind in ("flash", "job", None):
        mine = shots[shots["frame"].isin(list(names)) & ((shots["kind"] == kind) | (kind is None))]
        if len(mine):
            # One frame a cell in turn, so that repeats come only where there are few cells.
            turn = mine.groupby(["head", "power"], sort=False).cumcount()
            chosen = mine.assign(turn=turn).sort_values(["turn", "stops", "head"], kind="stable")["frame"]
            cells = int((turn == 0).sum())
            pool = chosen.iloc[: max(cells, _LOOKED_AT)]
            return [str(pool.iloc[place]) for place in np.unique(np.linspace(0, len(pool) - 1, _LOOKED_AT).astype(int))]
    return [names[place] for place in np.unique(np.linspace(0, len(names) - 1, _LOOKED_AT).astype(int))]


def _picture(balance: NDArray[np.float64], overview: NDArray[Any]) -> NDArray[np.uint8]:
    """Balance a linear overview and give it the curve of sRGB (IEC 61966-2-1), 8 bit."""
    return np.asarray(np.round(255.0 * srgb_curve(overview * balance)), dtype=np.uint8)
