"""A small session of even grey frames, written with tifffile alone."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def write_frame(
    path: Path,
    light: float = 6000.0,
    matrix: np.ndarray = MATRIX,
    model: str = "Nine",
    serial: str = "77",
    neutral: tuple[float, float] = (0.5, 0.7),
    captured: str | None = None,
) -> None:
    """Write an even grey frame as a DNG; `neutral` is red and blue over green."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(len(path.name) + int(light))
    gains = np.array([[neutral[0], 1.0], [1.0, neutral[1]]])
    even = 512 + light * np.tile(gains, (40, 60))
    ratios = tuple(int(part) for value in matrix.ravel() for part in (round(value * 10_000), 10_000))
    tags = [
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True), (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50708, 2, 0, model, True), (50714, 3, 1, 512, True), (50717, 3, 1, 16383, True), (50721, 10, 9, ratios, True),
        (50778, 3, 1, 21, True), (50735, 2, 0, serial, True), (33437, 5, 1, (11, 1), True), (34855, 3, 1, 100, True),
    ]  # fmt: skip
    counts = rng.normal(even, np.sqrt(light) / 2).astype(np.uint16)
    tifffile.imwrite(path, counts, photometric=32803, extratags=tags, datetime=captured, software=False, metadata=None)


@pytest.fixture
def shoot() -> Callable[..., None]:
    return write_frame


@pytest.fixture
def small_session(tmp_path: Path) -> Path:
    """Head A at two powers, in folders HEAD/POWER; the patch is given."""
    (tmp_path / "session.toml").write_text("[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    write_frame(tmp_path / "frames/ambient/f0.dng", 3.0)
    for at, name in enumerate(("A/1-1/f1.dng", "A/1-1/f2.dng", "A/1-1/f3.dng", "A/1-4/f4.dng", "A/1-4/f5.dng")):
        write_frame(tmp_path / "frames" / name, 6000.0 * (1.0 if at < 3 else 0.25))
    return tmp_path
