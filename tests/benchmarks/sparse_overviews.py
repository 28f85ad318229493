"""Whether the target is found in a sparse overview where all pixels show it: scenes of up to four even areas, in tiles.

cd tests; PYTHONPATH=../src:. python -m benchmarks.sparse_overviews
"""

import tempfile
from collections import Counter
from pathlib import Path
from typing import Final

import numpy as np

from greystep.measure import clear_target
from greystep.raw.frame import open_frame
from greystep.raw.overview import overview
from helpers.dng_writer import write_dng

HEIGHT, WIDTH, TILE, SCENES = 1024, 1536, 128, 60
#: Two bins of the overview, as a share of the frame's height.
NEAR: Final = 2 * 6 / HEIGHT


def write_scene(path: Path, seed: int) -> Path:
    """Write a ground that darkens slowly, with areas of other brightness on it; some reach the frame's edges."""
    rng = np.random.default_rng(seed)
    y, x = np.ogrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    darker = (y - rng.uniform(-0.5, 0.5)) ** 2 + (x - rng.uniform(-0.5, 0.5)) ** 2
    light = rng.uniform(600, 2000) * (1 - rng.uniform(0, 0.3) * darker)
    for _ in range(rng.integers(1, 5)):
        high, wide = rng.integers(60, 600), rng.integers(60, 800)
        y0, x0 = rng.integers(0, HEIGHT - high), rng.integers(0, WIDTH - wide)
        light[y0 : y0 + high, x0 : x0 + wide] *= np.exp(rng.uniform(-1.5, 1.5))
    light = np.clip(light, 20, 15000)
    light[::2, ::2] *= 0.5
    light[1::2, 1::2] *= 0.7
    noisy = (light + 0.2 * np.sqrt(light) * rng.standard_normal(light.shape)).astype(np.uint16)
    return write_dng(path, noisy, "ljpeg2", bits=14, block=(TILE, TILE), white=[16383], black=[0])


def main() -> None:
    clear_target.LARGE = 0  # type: ignore[misc]  # these frames are small so that they are quickly made
    told: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        for seed in range(SCENES):
            path = write_scene(Path(place) / "scene.dng", seed)
            whole = clear_target.clear_target(overview(open_frame(path), thinned=True))
            sparse, _ = clear_target.clear_target_of(path)
            if whole is None or sparse is None:
                told["none in either" if whole is sparse else "found in one alone"] += 1
            else:
                apart = max(abs(a - b) for a, b in zip(whole.box, sparse.box, strict=True))
                told["the same" if not apart else "two bins apart at most" if apart < NEAR else "elsewhere"] += 1
    print(dict(told))


if __name__ == "__main__":
    main()
