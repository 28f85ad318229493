"""How much faster a 500-px patch of a 45 MP DNG is read by region than by decoding the frame: the bar is 60 times.

Run it by hand, ``python tests/benchmarks/bench_region.py``: a clock is no test. Both ways are timed in one run, with
the file in the page cache; the region's time has the tags in it.
"""

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray

from greystep.raw.frame import open_frame, read_region

HEIGHT, WIDTH, TILE, PATCH, BAR = 5504, 8256, 512, 500, 60


def frame(rng: np.random.Generator) -> NDArray[np.uint16]:
    """Vignetting and shot noise in 14 bit."""
    y, x = np.ogrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    mean = 6000.0 - 2500.0 * (y * y + x * x)
    return (mean + np.sqrt(mean) * rng.standard_normal((HEIGHT, WIDTH)) + 512).clip(0, 16383).astype(np.uint16)


def write(path: Path, data: NDArray[np.uint16], tiles: bool) -> None:
    tags = [
        (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes((0, 1, 1, 2)), True),
        (50714, 4, 1, 512, True),
        (50717, 4, 1, 16383, True),
    ]
    pixels: Any = data
    how: dict[str, Any] = {"rowsperstrip": HEIGHT}
    if tiles:  # two components of half the width, as cameras write them; the edges are padded
        padded = np.pad(data, ((0, -HEIGHT % TILE), (0, -WIDTH % TILE)), mode="edge")
        pixels = (
            imagecodecs.jpeg8_encode(
                np.ascontiguousarray(padded[y : y + TILE, x : x + TILE]).reshape(TILE, TILE // 2, 2),
                lossless=True,
                bitspersample=14,
                predictor=1,
            )
            for y in range(0, HEIGHT, TILE)
            for x in range(0, WIDTH, TILE)
        )
        how = {"tile": (TILE, TILE), "compression": 7, "compressionargs": {"lossless": True, "bitspersample": 14}}
    tifffile.imwrite(
        path, pixels, shape=data.shape, dtype=data.dtype, photometric=32803, extratags=tags, metadata=None, **how
    )


def whole(path: Path) -> NDArray[np.uint16]:
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image.copy()


def region(path: Path) -> NDArray[np.float64]:
    y, x = HEIGHT // 2 - PATCH // 2, WIDTH // 2 - PATCH // 2
    return read_region(open_frame(path), y, y + PATCH, x, x + PATCH).values


def seconds(read: Callable[[Path], Any], path: Path, times: int) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        read(path)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> None:
    data = frame(np.random.default_rng(45))
    y, x = HEIGHT // 2 - PATCH // 2, WIDTH // 2 - PATCH // 2
    with tempfile.TemporaryDirectory() as folder:
        for name, tiles in (("lossless 512-px tiles", True), ("one uncompressed strip", False)):
            path = Path(folder) / "frame.dng"
            write(path, data, tiles)
            assert np.array_equal(region(path), data[y : y + PATCH, x : x + PATCH])
            assert np.array_equal(whole(path), data)
            slow, fast = seconds(whole, path, 7), seconds(region, path, 21)
            verdict = "holds" if slow / fast >= BAR else "FAILS"
            print(
                f"{name}: frame {slow * 1e3:.1f} ms, {PATCH}-px patch {fast * 1e3:.2f} ms,"
                f" {slow / fast:.0f} times faster; the bar of {BAR} {verdict}"
            )


if __name__ == "__main__":
    main()
