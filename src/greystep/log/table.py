"""The readings table: the log's rows with what was measured beside them, filled column by column."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep import flags
from greystep.log.ambient import Light, Patches
from greystep.log.bodies import Body
from greystep.log.faults import cells
from greystep.log.power import SAME_STOPS
from greystep.measure.exposure import Exposure, body_label, relative_exposure_stops
from greystep.measure.reading import Reading
from greystep.measure.surround import reference_surround, target_state
from greystep.measure.uncertainty import expanded

Floats = NDArray[np.float64]
Booleans = NDArray[np.bool_]
Marks = Sequence[set[str]]

#: The contract's columns of readings.csv, in order.
COLUMNS: Final = (
    "frame", "head", "pack", "power", "stops", "kind", "captured", "shot", "body", "exposure_s", "f_number", "iso",
    "patch_x0", "patch_y0", "patch_x1", "patch_y1", "signal_r", "signal_g", "signal_b",
    "u_signal_r", "u_signal_g", "u_signal_b", "r_g", "b_g", "x", "y", "u_prime", "v_prime", "cct_k", "duv", "mired",
    "u_cct_k", "u_duv", "u_mired", "output_stops", "ambient_pct", "clipped_pct", "gradient_pct",
    "status", "flags", "colour_from",
)  # fmt: skip
#: Those of the colour itself.
COLOUR: Final = ("x", "y", "u_prime", "v_prime", "cct_k", "duv", "mired", "u_cct_k", "u_duv", "u_mired")
_BOX: Final = ("patch_x0", "patch_y0", "patch_x1", "patch_y1")
#: Flags that ambient and dark frames can carry: nothing is asked of their light.
_UNLIT: Final = frozenset({"missing", "unreadable", "damaged", "clipped", "opcodes_ignored", "ambient_changed"})
#: What pixels say that are not those of a target under flash: each cause, and the flags that only follow from it.
_PIXELS: Final = frozenset(flags.MEANING) - {
    "missing", "extra_frame", "unreadable", "settings_changed", "tail_cut", "matrix_differs", "opcodes_ignored",
}  # fmt: skip
_FOLLOWS: Final = {
    "missing": frozenset(flags.MEANING),
    "extra_frame": frozenset(flags.MEANING) - {"unreadable"},
    "unreadable": frozenset(flags.MEANING) - {"extra_frame"},
    "damaged": _PIXELS,
    "no_flash": _PIXELS,
    "no_target": _PIXELS,
    "target_moved": _PIXELS,
}


def joined(shots: pd.DataFrame, names: Sequence[str], readings: Mapping[str, Reading]) -> pd.DataFrame:
    """Join the log with the exposure data of its frames; files that it does not name come last."""
    logged = set(shots["frame"])
    extra = [name for name in names if name not in logged]
    more = pd.DataFrame({name: pd.array([""] * len(extra), dtype="str") for name in shots}, index=range(len(extra)))
    more = more.assign(frame=pd.array(extra, dtype="str"), stops=np.full(len(extra), np.nan), row=0)
    table = pd.concat([shots, more[list(shots)]], ignore_index=True) if extra else shots.reset_index(drop=True)
    shot = {name: place for place, name in enumerate(names)}
    exposures = [readings[name].exposure if name in readings else Exposure() for name in table["frame"]]
    boxes = [(readings[name].box if name in readings else None) or (np.nan,) * 4 for name in table["frame"]]
    table["captured"] = pd.array([exposure.captured for exposure in exposures], dtype="str")
    table["shot"] = np.array([shot.get(name, -1) for name in table["frame"]], dtype=np.int64)
    table["body"] = pd.array([body_label(exposure) for exposure in exposures], dtype="str")
    for name in ("exposure_s", "f_number", "iso"):
        table[name] = np.array([getattr(exposure, name) for exposure in exposures], dtype=np.float64)
    for place, name in enumerate(_BOX):
        table[name] = np.array([box[place] for box in boxes])
    if "lens" not in table:
        table["lens"] = pd.array([exposure.lens for exposure in exposures], dtype="str")
    return table


def status_counts(readings: pd.DataFrame) -> dict[str, int]:
    """Return how many frames there are (``total``), and how many of each status."""
    counts = {name: int((readings["status"] == name).sum()) for name in ("ok", "doubtful", "rejected")}
    return {"total": len(readings), **counts}


def own_flags(table: pd.DataFrame, read: Sequence[Reading | None]) -> list[set[str]]:
    """Return what each frame shows by itself."""
    marks = [set(reading.flags) if reading is not None else {"missing"} for reading in read]
    for mark, kind in zip(marks, table["kind"], strict=True):
        if kind in ("ambient", "dark"):
            mark &= _UNLIT
        elif not kind:
            mark.add("extra_frame")
    return marks


def check_targets(table: pd.DataFrame, read: Sequence[Reading | None], marks: Marks) -> list[Reading | None]:
    """Mark flash frames whose target has moved; a job frame without the target in its place loses what was measured."""
    checked = list(read)
    kind = table["kind"].tolist()
    for label in table["body"].unique():
        rows = np.flatnonzero((table["body"] == label).to_numpy()).tolist()
        maps = {row: surround for row in rows if (reading := read[row]) and (surround := reading.surround) is not None}
        flash = [maps[row] for row in maps if kind[row] == "flash"]
        reference = reference_surround(flash or [maps[row] for row in maps if kind[row] == "job"])
        for row in rows:
            reading = read[row]
            state = target_state(maps[row], reference) if row in maps and reference is not None else ""
            if kind[row] == "flash" and state:
                marks[row].add(state)
            elif kind[row] == "job" and reading is not None and (state or "no_target" in marks[row]):
                checked[row] = replace(reading, signal=None)
                table.loc[row, list(_BOX)] = np.nan
                marks[row] &= {"unreadable", "opcodes_ignored"}
    return checked


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


def add_light(table: pd.DataFrame, light: Light, read: Sequence[Reading | None]) -> None:
    """Fill the columns of the light itself."""
    standard = np.sqrt(np.diagonal(light.covariance, axis1=1, axis2=2))
    for place, channel in enumerate("rgb"):
        table[f"signal_{channel}"] = light.signal[:, place]
        table[f"u_signal_{channel}"] = expanded(standard[:, place])
    lit = table["kind"].isin(["flash", "job"]).to_numpy()
    table["ambient_pct"] = np.where(lit, light.ambient_pct, np.nan)
    signals = [reading.signal if reading is not None else None for reading in read]
    for name in ("clipped_pct", "gradient_pct"):
        values = [getattr(signal, name) if signal is not None else np.nan for signal in signals]
        table[name] = np.where(lit, np.array(values, dtype=np.float64), np.nan)
    for name in light.parts:  # the colour fills them; a frame without colour has none
        table[f"u_mired_{name}"] = np.nan
    if "g1_g2" not in table:
        table["g1_g2"] = np.array([signal.g1_g2 if signal is not None else np.nan for signal in signals])
    for name in ("r_g", "b_g", *COLOUR, "output_stops"):
        table[name] = np.nan


def add_ratios(table: pd.DataFrame, usable: Booleans) -> None:
    """Fill the channel ratios of usable rows, before target and meter."""
    lit = usable & (table["signal_g"] > 0).to_numpy()
    for channel in "rb":
        table[f"{channel}_g"] = table[f"signal_{channel}"].div(table["signal_g"]).where(lit)


def comparison(table: pd.DataFrame, read: Sequence[Reading | None], light: Light, patches: Patches) -> pd.DataFrame:
    """Return the table with what only the comparison of frames needs; a column of the log by such a name is not it."""
    exposures = [reading.exposure if reading is not None else Exposure() for reading in read]
    green, u_green = light.signal[:, 1], np.sqrt(light.covariance[:, 1, 1])
    share = np.where(green > 0, green, np.nan) / (patches.white[:, 1] - patches.black[:, 1])
    return table.assign(
        lens=pd.array([exposure.lens for exposure in exposures], dtype="str"),
        focal_mm=np.array([exposure.focal_mm for exposure in exposures], dtype=np.float64),
        green=green,
        u_green=u_green,
        level=np.log2(share) + exposure_stops(table),
        noise_level=u_green / np.where(green > 0, green, np.nan) / np.log(2.0),
    )


def exposure_stops(table: pd.DataFrame) -> Floats:
    """Return log2(N^2 / ISO) of each row; a setting that no frame of a body records is taken as the same in all."""
    stops = np.zeros(len(table))
    for label in table["body"].unique():
        rows = (table["body"] == label).to_numpy()
        settings = table.loc[rows, ["f_number", "iso"]].to_numpy(dtype=np.float64, copy=True)
        settings[:, np.isnan(settings).all(axis=0)] = 1.0
        stops[rows] = [
            relative_exposure_stops(f_number, iso) if np.isfinite(f_number * iso) else np.nan
            for f_number, iso in settings
        ]
    return stops


def output_stops(work: pd.DataFrame, used: Booleans, usable: Booleans) -> Floats:
    """Return the level of each usable row over the highest cell mean at the smallest tested stops of its body.

    Counted are used flash frames; of a body without any, whatever could be measured.
    """
    level, stops = work["level"].to_numpy(dtype=np.float64), work["stops"].to_numpy(dtype=np.float64)
    cell = cells(work)
    output = np.full(len(work), np.nan)
    for label in work["body"].unique():
        rows = (work["body"] == label).to_numpy()
        known = np.isfinite(level) & rows
        counted = next((choice for choice in (known & used, known & usable) if choice.any()), None)
        if counted is None:
            continue
        smallest = np.nanmin(stops[counted]) if np.isfinite(stops[counted]).any() else np.nan
        top = counted & (np.abs(stops - smallest) <= SAME_STOPS) if np.isfinite(smallest) else counted
        output[rows & usable] = level[rows & usable] - pd.Series(level[top]).groupby(cell[top]).mean().max()
    return output


def settle(table: pd.DataFrame, marks: Marks) -> None:
    """Drop flags that follow from another, write flags and status, and empty what a rejected frame cannot say."""
    for mark, kind in zip(marks, table["kind"], strict=True):
        for cause, follows in _FOLLOWS.items():
            if cause in mark:
                mark -= follows - {cause}
        if kind in ("ambient", "dark"):
            mark &= _UNLIT
    table["flags"] = pd.array([flags.join(mark) for mark in marks], dtype="str")
    table["status"] = pd.array([flags.status(mark) for mark in marks], dtype="str")
    rejected = (table["status"] == "rejected").to_numpy()
    table.loc[rejected, ["r_g", "b_g", *COLOUR, "output_stops"]] = np.nan


def colour_from(table: pd.DataFrame, read: Sequence[Reading | None], bodies: Mapping[str, Body]) -> list[str]:
    """Name the matrix of each row that colour is asked of; blank for ambient, dark and unopened frames."""
    return [
        bodies[body].colour_from if kind in ("flash", "job") and reading is not None and reading.height else ""
        for body, kind, reading in zip(table["body"], table["kind"], read, strict=True)
    ]
