"""Patches of grey under lights of known colour, simulated pixel by pixel and read as frames are.

Each trial has its own light, room and ambient frame, and goes through patch, ambient, matrix and table.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import ndimage

from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.patch import measure_patch
from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.raw.frame import Mosaic
from greystep.session.ingest import join_readings
from greystep.session.settings import load_settings

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
TUNGSTEN = np.array([0.44758, 0.40745])  # CIE standard illuminant A
WHITE = 16383.0
BLACK = 512.0
GAIN = 0.4  # counts an electron
READ_NOISE = 2.0  # counts
RGGB = np.array([[0, 1], [3, 2]], dtype=np.int8)


def unchanged(field: np.ndarray) -> np.ndarray:
    return field


def smoothed(field: np.ndarray) -> np.ndarray:
    """A raw file that the camera has denoised, each filter colour by itself."""
    out = field.copy()
    for y, x in np.ndindex(2, 2):
        out[y::2, x::2] = ndimage.gaussian_filter(field[y::2, x::2], 0.8, truncate=2.5, mode="reflect")
    return out


@dataclass(frozen=True)
class Condition:
    gradient: float = 0.02  # of the light over the patch
    room: float = 0.002  # tungsten, a share of the flash in green
    denoise: Callable[[np.ndarray], np.ndarray] = unchanged
    black_error: float = 0.0  # at most so many counts that the file's black level is wrong by
    size: int = 64


#: 300 counts, 8 % of them room light, black wrong by up to ten counts.
WEAK = Condition(gradient=0.04, room=0.08, black_error=10.0, size=512)
CONDITIONS = {
    "noise": Condition(),
    "gradient": Condition(gradient=0.08),
    "ambient": Condition(room=0.08),
    "denoised": Condition(denoise=smoothed),
    "all at once": Condition(gradient=0.08, room=0.08, denoise=smoothed, black_error=5.0),
}


def counts_of(light: np.ndarray, condition: Condition, error: float, rng: np.random.Generator) -> Mosaic:
    """One patch: `light` is R, G, B in counts at its middle; slope and its own curvature lie across it."""
    size = condition.size
    colours = np.tile(RGGB, (size // 2, size // 2))
    slope = condition.gradient * ((np.arange(size) + 0.5) / size - 0.5)
    mean = light[np.array([0, 1, 2, 1])[colours]] * (1.0 + slope + 0.75 * (slope**2 - np.mean(slope**2)))
    noise = np.sqrt(mean * GAIN + READ_NOISE**2) * rng.standard_normal(mean.shape, dtype=np.float32)
    return Mosaic(np.rint(BLACK + mean + condition.denoise(noise)), colours, np.full(mean.shape, BLACK + error))


def reading_of(mosaic: Mosaic) -> Reading:
    exposure = Exposure(exposure_s=0.008, f_number=11.0, iso=100.0, make="Made", model="Up", serial="7")
    return Reading(
        exposure=exposure, height=400, width=600, signal=measure_patch(mosaic, (WHITE,) * 4),
        colour=ColourTags(MATRIX, None, 21, 0, None, None, None, None, "dng"), black_masked=None, opcodes=False,
        way="region", surround=None, box=(0.4, 0.4, 0.6, 0.6), flags=(), message="",
    )  # fmt: skip


def simulate(condition: Condition, green: float, trials: int, folder: Path, seed: int) -> pd.DataFrame:
    """Read `trials` heads, each with its own light and its own ambient frame; return rows with their truth."""
    rng = np.random.default_rng(seed)
    warm = MATRIX @ xy_to_xyz(TUNGSTEN)
    truth, log, readings = {}, [], {}
    whites = np.random.default_rng([seed, 1]).uniform((5200.0, -0.003), (6000.0, 0.003), (trials, 2))
    lights = xy_to_xyz(cct_duv_to_xy(*whites.T)) @ MATRIX.T
    for n, ((cct, duv), light) in enumerate(zip(whites.tolist(), lights, strict=True)):
        room = condition.room * green * warm / warm[1]
        error = condition.black_error * rng.uniform(-1, 1)
        readings[f"a{n}"] = reading_of(counts_of(room, condition, error, rng))
        readings[f"f{n}"] = reading_of(counts_of(green * light / light[1] + room, condition, error, rng))
        log += [(f"a{n}", f"H{n}", "", np.nan, "ambient"), (f"f{n}", f"H{n}", "full", 0.0, "flash")]
        truth[f"f{n}"] = (cct, 1e6 / cct, duv)
    shots = pd.DataFrame(log, columns=["frame", "head", "power", "stops", "kind"]).assign(pack="", note="", row=0)
    shots = shots.astype(dict.fromkeys(("frame", "head", "power", "kind", "pack", "note"), "str"))
    found = join_readings(load_settings(folder), shots, list(readings), readings, {}).readings
    flash = found[found["kind"] == "flash"].set_index("frame")
    names = ["true_cct_k", "true_mired", "true_duv"]
    return flash.join(pd.DataFrame.from_dict(truth, orient="index", columns=names))
