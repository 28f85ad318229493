"""The demo's focus stack with an exact camera, and the same frames without noise: what corrections are applied to."""

import json
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from greystep.correct.gains import Corrections, correct_frames
from greystep.demo.dngfile import Picture, dng_bytes
from greystep.demo.scenario import write_demo
from greystep.measure.chromaticity import upvp_to_xy, working_space, xy_to_xyz, xyz_to_upvp
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings

BLACK, WHITE = 512, 16383
#: Green of the noise-free frames at output 0 of truth.json [counts above black].
LEVEL = 6000.0


@dataclass(frozen=True)
class Stack:
    folder: Path
    ingested: Ingested
    corrections: Corrections
    #: The same session over noise-free frames of the card alone, each with its true neutral.
    true: Ingested
    #: frame -> true camera RGB of the card [counts above black].
    neutrals: dict[str, np.ndarray]


def make_stack(folder: Path) -> Stack:
    write_demo(folder, "stack", "exact")
    found = ingest(load_settings(folder))
    corrections = correct_frames(found, to="median", match_brightness=True)
    frames = folder.parent / "true_frames"
    frames.mkdir()
    (body,) = found.bodies.values()
    assert body.matrix is not None
    assert body.tags is not None
    neutrals = {}
    for row in json.loads((folder / "truth.json").read_text())["frames"]:
        if row["kind"] != "job":
            continue
        light = xy_to_xyz(upvp_to_xy([row["u_prime"], row["v_prime"]]))
        neutral = body.matrix @ (body.target_factor * light)
        counts = LEVEL * 2 ** row["output_stops"] * neutral / neutral[1]
        neutrals[row["frame"]] = counts
        write_flat(frames / row["frame"], counts, body.tags.matrix_1, body.tags.matrix_2)
    true = replace(found, settings=replace(found.settings, frames_dir=frames))
    return Stack(folder, found, corrections, true, neutrals)


def write_flat(
    path: Path, counts: np.ndarray, matrix_1: np.ndarray, matrix_2: np.ndarray | None, **more: object
) -> None:
    """Write a DNG of one even colour, mean of the counts exact by dithering whole counts in a fixed pattern."""
    height, width = 96, 128
    fraction = (np.arange(height * width // 4).reshape(height // 2, width // 2) * 0.6180339887) % 1.0
    mosaic = np.empty((height, width), np.uint16)
    for y, x, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[y::2, x::2] = np.minimum(np.floor(counts[channel] + BLACK + fraction), WHITE)
    path.write_bytes(dng_bytes(mosaic, picture(matrix_1, matrix_2, **more), compressed=False))


def picture(matrix_1: np.ndarray, matrix_2: np.ndarray | None, **more: object) -> Picture:
    from datetime import datetime

    values = {
        "captured": datetime(2025, 9, 1, 8, 30, 10, 250_000), "exposure_s": Fraction(1, 125), "f_number": 11.0,
        "iso": 100, "focal_mm": 100.0, "fired": True, "matrix_a": matrix_1,
        "matrix_d65": matrix_1 if matrix_2 is None else matrix_2, "neutral": (0.5, 1.0, 0.7), "black": (512.0,) * 4,
        "white": WHITE,
    }  # fmt: skip
    return Picture(**(values | more))  # type: ignore[arg-type]


def spread(rgb: np.ndarray, space: str = "lin_rec709") -> tuple[float, float]:
    """Return the largest distance of two neutrals (n, 3): colour [steps] and brightness [stops]."""
    xyz = rgb @ np.linalg.inv(working_space(space)[0]).T
    upvp = xyz_to_upvp(xyz)
    steps = np.linalg.norm(upvp[:, None] - upvp[None], axis=-1).max() / 0.0011
    return float(steps), float(np.ptp(np.log2(xyz[:, 1])))
