"""The readings table: the log's rows with what was measured beside them, in steps that each return columns or doubts.

Doubts are one boolean a row for each flag; no step changes what it is given.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from pandas.api.extensions import ExtensionArray

from greystep import columns, flags
from greystep.arrays import Booleans, Floats
from greystep.flags import Flag, Status
from greystep.measure.reading import Reading
from greystep.measure.uncertainty import expanded
from greystep.raw.exposure import Exposure, body_label, relative_exposure_stops
from greystep.session.ambient import Patches, Signals
from greystep.session.bodies import Body
from greystep.session.faults import cells
from greystep.session.power import SAME_STOPS
from greystep.session.shots import WARM_UP, aside_rows
from greystep.terms import LIT, TESTED, UNLIT, Kind

#: Which rows carry each flag; a flag that is not named is on no row.
Doubts = Mapping[Flag, Booleans]

#: The contract's columns of readings.csv, in order.
COLUMNS: Final = columns.names(columns.FrameRow, optional=False)
#: Those of the colour itself.
COLOUR: Final = ("x", "y", "u_prime", "v_prime", "cct_k", "duv", "mired", "u_cct_k", "u_duv", "u_mired")
#: Those that a rejected frame cannot say.
_BLANKED: Final = ("r_g", "b_g", *COLOUR, "output_stops")
#: Those that the table has besides the contract's and the log's, at its end.
_LAST: Final = tuple(name for name in columns.names(columns.FrameRow) if name not in (*COLUMNS, "note", "lens"))
BOX: Final = ("patch_x0", "patch_y0", "patch_x1", "patch_y1")
_ALL: Final = frozenset(Flag)
#: Flags that ambient and dark frames can carry: nothing is asked of their light.
_ON_UNLIT: Final = frozenset({Flag.MISSING, Flag.UNREADABLE, Flag.DAMAGED, Flag.CLIPPED, Flag.OPCODES_IGNORED})
#: The note of a row of no kind whose frame is a warm-up, see `greystep.session.warm_ups`.
WARM_UP_NOTE: Final = "warm-up at full"
#: What pixels say that are not those of a target under flash: each cause, and the flags that only follow from it.
_PIXELS: Final = _ALL - {
    Flag.MISSING, Flag.EXTRA_FRAME, Flag.WARM_UP, Flag.UNREADABLE, Flag.SETTINGS_CHANGED, Flag.TAIL_CUT, Flag.TOO_SOON,
    Flag.MATRIX_DIFFERS, Flag.OPCODES_IGNORED,
}  # fmt: skip
_FOLLOWS: Final = {
    Flag.MISSING: _ALL,
    Flag.EXTRA_FRAME: _ALL - {Flag.UNREADABLE},
    Flag.WARM_UP: _ALL - {Flag.UNREADABLE},
    Flag.UNREADABLE: _ALL - {Flag.EXTRA_FRAME},
    Flag.DAMAGED: _PIXELS,
    Flag.NO_FLASH: _PIXELS,
    Flag.NO_TARGET: _PIXELS - {Flag.TARGET_MOVED},
}


@dataclass(frozen=True)
class FrameCounts:
    """How many frames there are, and how many of each status."""

    total: int
    ok: int
    doubtful: int
    rejected: int


@dataclass(frozen=True, eq=False)
class Frames:
    """The log joined with its frames, one row a frame.

    Attributes:
        log: The log, with the exposure data of each frame and the place of its target.
        read: Of each row; None without a file.
        doubts: Dict of Flag to array (n,). What each frame shows by itself, and its target against the other frames'.
    """

    log: pd.DataFrame
    read: tuple[Reading | None, ...]
    doubts: Doubts

    def of_kind(self, *kinds: Kind) -> Booleans:
        """Return the rows of these kinds."""
        return self.log["kind"].isin(kinds).to_numpy(dtype=bool)

    @property
    def sound(self) -> Booleans:
        """Rows that no flag rejects."""
        return sound(self.doubts, len(self.log))


def sound(doubts: Doubts, count: int) -> Booleans:
    """Return which of `count` rows no flag rejects."""
    rejected = [rows for flag, rows in doubts.items() if flag in flags.REJECTING]
    return np.asarray(~np.any([np.zeros(count, dtype=bool), *rejected], axis=0))


def joined(shots: pd.DataFrame, names: Sequence[str], readings: Mapping[str, Reading]) -> Frames:
    """Join the log with the exposure data of its frames; files that it does not name come last.

    A frame that was set aside as a warm-up is of no kind, as one that `greystep.session.warm_ups` finds.
    """
    warmed = aside_rows(shots, WARM_UP)
    shots = shots.assign(kind=shots["kind"].mask(warmed, ""), note=shots["note"].mask(warmed, WARM_UP_NOTE))
    logged = set(shots["frame"].tolist())
    extra = [name for name in names if name not in logged]
    more = pd.DataFrame({name: pd.array([""] * len(extra), dtype="str") for name in shots})
    more = more.assign(frame=pd.array(extra, dtype="str"), stops=np.full(len(extra), np.nan), row=0)
    log = pd.concat([shots, more[list(shots)]], ignore_index=True) if extra else shots.reset_index(drop=True)
    frames = log["frame"].tolist()  # a column of text is slow to go through
    read = tuple(readings.get(name) for name in frames)
    order = {name: place for place, name in enumerate(names)}
    shots_at = [order.get(name, -1) for name in frames]
    exposures = _exposures(read)
    boxes = np.array([(reading.box if reading is not None else None) or (np.nan,) * 4 for reading in read])
    texts: dict[str, ExtensionArray] = {
        "captured": pd.array([exposure.captured for exposure in exposures], dtype="str"),
        "body": pd.array(_bodies(read), dtype="str"),
    }
    if "lens" not in log:
        texts["lens"] = pd.array([exposure.lens for exposure in exposures], dtype="str")
    numbers = {
        name: np.array([getattr(exposure, name) for exposure in exposures], dtype=np.float64)
        for name in ("exposure_s", "f_number", "iso")
    }
    places = dict(zip(BOX, boxes.reshape(-1, 4).T, strict=True))
    log = log.assign(**texts, **numbers, **places, shot=np.array(shots_at, dtype=np.int64))
    return Frames(log, read, _own_doubts(log["kind"].tolist(), log["note"].tolist(), read))


def status_counts(readings: pd.DataFrame) -> FrameCounts:
    """Return how many frames there are, and how many of each status."""
    return FrameCounts(len(readings), **{name.value: int((readings["status"] == name).sum()) for name in Status})


def _exposures(read: Sequence[Reading | None]) -> list[Exposure]:
    return [reading.exposure if reading is not None else Exposure() for reading in read]


def _bodies(read: Sequence[Reading | None]) -> list[str]:
    """Return the body of each frame; blank where no frame that could be opened has its label: damage may change it."""
    labels = [body_label(exposure) for exposure in _exposures(read)]
    opened = {label for label, reading in zip(labels, read, strict=True) if reading is not None and reading.height}
    return [label if label in opened else "" for label in labels]


def _own_doubts(kinds: Sequence[str], notes: Sequence[str], read: Sequence[Reading | None]) -> Doubts:
    """Return what each frame shows by itself."""
    marks = [set(reading.flags) if reading is not None else {Flag.MISSING} for reading in read]
    marks = [mark & _ON_UNLIT if kind in UNLIT else mark for mark, kind in zip(marks, kinds, strict=True)]
    unlogged = [Flag.WARM_UP if note == WARM_UP_NOTE else Flag.EXTRA_FRAME for note in notes]
    marks = [mark if kind else mark | {why} for mark, kind, why in zip(marks, kinds, unlogged, strict=True)]
    return {flag: np.array([flag in mark for mark in marks], dtype=bool) for flag in Flag}


def patches_of(read: Sequence[Reading | None]) -> Patches:
    """Gather the patch statistics as arrays; a value that is no number makes its frame unknown."""
    none = (np.nan, np.nan, np.nan)
    signals = [reading.signal if reading is not None else None for reading in read]
    masked = [reading.black_masked if reading is not None else None for reading in read]

    def gather(name: str) -> Floats:
        values = [getattr(signal, name) if signal is not None else none for signal in signals]
        return np.array(values, dtype=np.float64).reshape(-1, 3)

    mean = gather("mean")
    mean[~np.isfinite(mean).all(axis=1)] = np.nan
    levels = [none if four is None else (four[0], (four[1] + four[3]) / 2.0, four[2]) for four in masked]
    return Patches(mean, gather("u"), gather("black"), gather("white"), np.array(levels).reshape(-1, 3))


def light_columns(frames: Frames, signals: Signals) -> dict[str, Floats]:
    """Return the columns of the light itself."""
    standard = np.sqrt(np.diagonal(signals.covariance, axis1=1, axis2=2))
    found = {}
    for place, channel in enumerate("rgb"):
        found[f"signal_{channel}"] = signals.signal[:, place]
        found[f"u_signal_{channel}"] = expanded(standard[:, place])
    around = [(reading.around if reading is not None else None) or (np.nan,) * 3 for reading in frames.read]
    found |= dict(zip(("around_r", "around_g", "around_b"), np.array(around).reshape(-1, 3).T, strict=True))
    lit = frames.of_kind(*LIT)
    found["ambient_pct"] = np.where(lit, signals.ambient_pct, np.nan)
    patches = [reading.signal if reading is not None else None for reading in frames.read]
    for name in ("clipped_pct", "gradient_pct", "g1_g2"):
        values = [getattr(patch, name) if patch is not None else np.nan for patch in patches]
        found[name] = np.array(values, dtype=np.float64)
        if name != "g1_g2":
            found[name] = np.where(lit, found[name], np.nan)
    return found


def room_columns(frames: Frames, signals: Signals) -> dict[str, Floats]:
    """Return the columns of room light that changed, but for what it does to the colour."""
    inside, share, change = signals.room >= 0, signals.share, signals.change[:, 1]
    left, off = (signals.signal[:, 1] + by * change for by in (share, share - 1.0))
    moved = np.log2(np.where(left > 0, left, np.nan) / np.where(off > 0, off, np.nan))
    return {
        "room": signals.room,
        "room_share": share,
        "room_output_stops": np.where(inside, moved, 0.0),
        "room_proven": signals.seen.all(axis=1) | ~frames.of_kind(*TESTED),
    }


def ratio_columns(light: Mapping[str, Floats], usable: Booleans) -> dict[str, Floats]:
    """Return the channel ratios of usable rows, before target and meter, from `light_columns`."""
    green = np.where(usable & (light["signal_g"] > 0), light["signal_g"], np.nan)
    return {"r_g": light["signal_r"] / green, "b_g": light["signal_b"] / green}


def comparison(frames: Frames, signals: Signals, patches: Patches) -> pd.DataFrame:
    """Return the log with what only the comparison of frames needs; a column of the log by such a name is not it."""
    exposures = _exposures(frames.read)
    green, u_green = signals.signal[:, 1], np.sqrt(signals.covariance[:, 1, 1])
    apart = np.sqrt((signals.covariance - signals.causes["room"])[:, 1, 1])  # a lamp is no reason to see no flash
    share = np.where(green > 0, green, np.nan) / (patches.white[:, 1] - patches.black[:, 1])
    compared = frames.log.assign(
        lens=pd.array([exposure.lens for exposure in exposures], dtype="str"),
        focal_mm=np.array([exposure.focal_mm for exposure in exposures], dtype=np.float64),
        green=green,
        u_green=apart,
        # Inverse squares and angles make the light on a moved target another one.
        level=np.where(frames.doubts[Flag.TARGET_MOVED], np.nan, np.log2(share) + exposure_stops(frames.log)),
        noise_level=u_green / np.where(green > 0, green, np.nan) / np.log(2.0),
    )
    return compared.assign(cell=cells(compared.drop(columns="cell", errors="ignore")))


def exposure_stops(table: pd.DataFrame) -> Floats:
    """Return log2(N^2 / ISO) of each row; a setting that no frame of a body records is taken as the same in all."""
    stops = np.zeros(len(table))
    for label in table["body"].unique():
        rows = (table["body"] == label).to_numpy()
        settings = table.loc[rows, ["f_number", "iso"]].to_numpy(dtype=np.float64, copy=True)
        settings[:, np.isnan(settings).all(axis=0)] = 1.0
        stops[rows] = [
            relative_exposure_stops(f_number, iso) if math.isfinite(f_number * iso) else np.nan
            for f_number, iso in settings.tolist()
        ]
    return stops


def output_stops(compared: pd.DataFrame, used: Booleans, usable: Booleans) -> Floats:
    """Return the level of each usable row over the highest cell mean at the smallest tested stops of its body.

    Counted are used flash frames; of a body without any, cards, or whatever could be measured.
    """
    level, stops = compared["level"].to_numpy(dtype=np.float64), compared["stops"].to_numpy(dtype=np.float64)
    cell = cells(compared)
    output = np.full(len(compared), np.nan)
    for label in compared["body"].unique():
        rows = (compared["body"] == label).to_numpy()
        known = np.isfinite(level) & rows
        cards = usable & (compared["kind"] == Kind.CARD).to_numpy()
        counted = next((known & some for some in (used, cards, usable) if (known & some).any()), None)
        if counted is None:
            continue
        smallest = np.nanmin(stops[counted]) if np.isfinite(stops[counted]).any() else np.nan
        top = counted & (np.abs(stops - smallest) <= SAME_STOPS) if np.isfinite(smallest) else counted
        output[rows & usable] = level[rows & usable] - pd.Series(level[top]).groupby(cell[top]).mean().max()
    return output


def settled(frames: Frames, *doubts: Doubts) -> dict[Flag, Booleans]:
    """Return which rows carry each flag in the end: by any of these doubts, without those that follow from another."""
    none = np.zeros(len(frames.log), dtype=bool)
    found = {
        flag: np.any([none, *(some[flag] for some in (frames.doubts, *doubts) if flag in some)], axis=0)
        for flag in Flag
    }
    for cause, follows in _FOLLOWS.items():
        found = {flag: rows & ~found[cause] if flag in follows - {cause} else rows for flag, rows in found.items()}
    unlit = frames.of_kind(*UNLIT)
    return {flag: rows if flag in _ON_UNLIT else rows & ~unlit for flag, rows in found.items()}


def assembled(
    frames: Frames, measured: Mapping[str, Floats], doubts: Doubts, bodies: Mapping[str, Body]
) -> pd.DataFrame:
    """Put the table together: the contract's columns, then what else log and frames have.

    Args:
        measured: Columns of light, room light, ratios, colour and output; a rejected frame has no colour and no output.
    """
    flagged = np.any(list(doubts.values()), axis=0)
    marks = [[flag for flag, rows in doubts.items() if rows[at]] if flagged[at] else [] for at in range(len(flagged))]
    rejected = ~sound(doubts, len(frames.log))
    colour_from = [  # blank for ambient, dark and unopened frames
        bodies[body].colour_from if kind in LIT and reading is not None and reading.height else ""
        for body, kind, reading in zip(
            frames.log["body"].tolist(), frames.log["kind"].tolist(), frames.read, strict=True
        )
    ]
    # A column of the log by a name that is none of the contract's stays the log's.
    known = {name: values for name, values in measured.items() if name not in _LAST or name not in frames.log}
    table = frames.log.assign(
        **{name: np.where(rejected, np.nan, values) if name in _BLANKED else values for name, values in known.items()},
        flags=pd.array([flags.join(mark) for mark in marks], dtype="str"),
        status=pd.array([flags.status(mark).value for mark in marks], dtype="str"),
        colour_from=pd.array(colour_from, dtype="str"),
    )
    last = [name for name in _LAST if name in known]
    return table[[*COLUMNS, *(name for name in table if name not in (*COLUMNS, *last)), *last]]
