"""What whole commands cost against decoding every frame: CPU and wall time, peak memory, growth with the frames.

Run it by hand: a clock is no test. The whole of it takes hours; a part is asked for by options:

    python tests/benchmarks/bench_session.py --megapixels 45 --forms tiles --frames 10 50

A session has as many names as is asked for, links to four files: fingerprints and the cache go by name, so that each is
read and kept for itself. It counts them. The baseline is `rawpy.imread` and a copy of the pixels, in the same run, over
some of the frames; its cost a frame is what counts. CPU time is that of the command and of all the processes that it
begins; peak memory is that of the largest of them. Files are in the page cache.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

SIDES: Final = {1: (816, 1232), 45: (5504, 8256), 100: (8736, 11648)}
TILE: Final = 512
LIGHTS: Final = {"full": 1.0, "half": 0.5, "quarter": 0.25, "none": 0.0005}
BASELINE_FRAMES: Final = 8
#: Bars of the project on two cores: CPU ratio to the baseline, or wall ratio for what is decoded whole.
BARS: Final = {"tiles": ("CPU", 40.0), "strip": ("CPU", 8.0), "library": ("wall", 1.7)}
#: Report on a cached session of 2,000 readings [s]; memory beside one frame a worker [MB].
REPORT_BAR_S: Final = 3.0
MEMORY_BAR_MB: Final = 300.0
COMMAND: Final = "from greystep.__main__ import main; main()"
BASELINE: Final = """
import sys, rawpy
for path in sys.argv[1:]:
    with rawpy.imread(path) as raw:
        raw.raw_image.copy()
"""


@dataclass(frozen=True)
class Cost:
    """Of one command: times [s] and peak memory [MB]."""

    cpu: float
    wall: float
    peak: float


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=int, nargs="+", choices=SIDES, default=[45, 100])
    parser.add_argument("--forms", nargs="+", choices=BARS, default=list(BARS))
    parser.add_argument("--frames", type=int, nargs="+", default=[10, 50, 200, 2000])
    parser.add_argument("--jobs", type=int, default=None)
    parser.add_argument("--place", type=Path, default=None, help="where the files are made: 0.4 GB at 45 MP")
    asked = parser.parse_args()
    jobs = asked.jobs or len(os.sched_getaffinity(0))
    load = os.getloadavg()[0]
    print(
        f"{jobs} jobs on {os.cpu_count()} cores, load {load:.1f} before; CPU s, wall s, peak MB; ratios to the baseline"
    )
    for megapixels in asked.megapixels:
        for form in asked.forms:
            with tempfile.TemporaryDirectory(dir=asked.place) as place:
                report_on(Path(place), megapixels, form, sorted(asked.frames), jobs)


def report_on(place: Path, megapixels: int, form: str, counts: Sequence[int], jobs: int) -> None:
    # In a process of its own: what this one has held counts as the peak of all that it begins.
    made = "import sys, bench_session as b; b.write_shots(b.Path(sys.argv[1]), b.SIDES[int(sys.argv[2])], sys.argv[3])"
    words = [sys.executable, "-c", made, str(place.resolve()), str(megapixels), form]
    subprocess.run(words, check=True, cwd=Path(__file__).parent)
    shots = [next(place.glob(f"{name}.*")) for name in LIGHTS]
    kind, bar = BARS[form]
    frame_mb = 2e-6 * SIDES[megapixels][0] * SIDES[megapixels][1]
    colds = []
    for count in counts:
        session = write_session(place / f"s{count}", shots, count, form)
        some = sorted(session.glob("frames/*/*/*"))[: min(count, BASELINE_FRAMES)]
        bare = run("-c", BASELINE, *map(str, some))
        bare = Cost(bare.cpu * count / len(some), bare.wall * count / len(some), bare.peak)
        print(f"\n{megapixels} MP, {form}, {count} frames, {shots[0].stat().st_size / 1e6:.0f} MB each")
        show("baseline", bare, bare)

        def timed(name: str, command: str, session: Path = session, bare: Cost = bare) -> Cost:
            cost = run("-c", COMMAND, command, str(session), "--jobs", str(jobs))
            show(name, cost, bare)
            return cost

        cold = timed("ingest, cold", "ingest")
        rows = (session / "readings.csv").read_text().count("\n") - 1
        entries = len(list(session.glob(".greystep/[0-9a-f]*.json")))
        assert (rows, entries) == (count, count), f"{rows} rows and {entries} entries of {count} frames"
        timed("ingest, again", "ingest")
        report = timed("report after it", "report")
        kept = timed("report, again", "report")
        shutil.rmtree(session / ".greystep")
        both = timed("report, cold", "report")
        ratio = bare.cpu / cold.cpu if kind == "CPU" else bare.wall / cold.wall
        print(f"  {holds(ratio >= bar)} cold ingest {ratio:.1f} times below the baseline ({kind}), {bar:g} asked for")
        limit = MEMORY_BAR_MB + frame_mb * jobs
        peak = max(cold.peak, report.peak, both.peak)
        print(f"  {holds(peak <= limit)} peak {peak:.0f} MB, {limit:.0f} asked for")
        print(f"  {holds(kept.wall <= REPORT_BAR_S)} cached report {kept.wall:.1f} s, {REPORT_BAR_S:g} asked for")
        colds.append((count, cold.cpu, kept.cpu))
        shutil.rmtree(session)
    for (few, cold_few, kept_few), (many, cold_many, kept_many) in pairwise(colds):
        more = (many - few) / 1e3
        print(
            f"  growth from {few} to {many} frames: cold ingest {(cold_many - cold_few) / more:.1f} ms a frame,"
            f" cached report {(kept_many - kept_few) / more:.1f} ms"
        )


def show(name: str, cost: Cost, bare: Cost) -> None:
    print(
        f"  {name:<16}{cost.cpu:9.2f}{cost.wall:9.2f}{cost.peak:8.0f}"
        f"{bare.cpu / cost.cpu:9.1f}{bare.wall / cost.wall:9.1f}",
        flush=True,
    )


def holds(well: bool) -> str:
    return "holds:" if well else "FAILS:"


def run(*words: str) -> Cost:
    """Run Python and wait for it and all that it has waited for; it finds the package compiled, as one installed it."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    began = time.perf_counter()
    done = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert done.stderr is not None
    said = done.stderr.read().decode()
    _, status, used = os.wait4(done.pid, 0)
    done.returncode = os.waitstatus_to_exitcode(status)
    done.stderr.close()
    if done.returncode:
        sys.exit(f"{words[2:4]} ended with {done.returncode}: {said}")
    return Cost(used.ru_utime + used.ru_stime, time.perf_counter() - began, used.ru_maxrss / 1024)


def write_session(folder: Path, shots: Sequence[Path], count: int, form: str) -> Path:
    """Two heads at three powers, in turn, and one frame without flash; every frame is a link to one of four files."""
    for place in range(count):
        power = place % 3
        head = "AB"[place // 3 % 2]
        where = (
            folder / "frames" / head / ("1-1", "1-2", "1-4")[power] if place else folder / "frames" / "ambient" / "0"
        )
        where.mkdir(parents=True, exist_ok=True)
        os.link(shots[power if place else 3], where / f"f{place:05}{shots[0].suffix}")
    (folder / "session.toml").write_text('[camera]\nmatrix = "camera.json"\n' if form == "library" else "")
    matrix = [[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]]
    (folder / "camera.json").write_text(f'{{"schema": 1, "matrix_1": {matrix}, "illuminant_1": 21}}')
    return folder


def write_shots(place: Path, sides: tuple[int, int], form: str) -> None:
    """A grey card on a darker ground at three powers, and a frame without flash; vignetting and shot noise, 14 bit."""
    rng = np.random.default_rng(45)
    height, width = sides
    y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    scene = (1.0 - 0.15 * (y * y + x * x)) * np.where((np.abs(y) < 0.25) & (np.abs(x) < 0.2), 8000.0, 2500.0)
    scene[::2, ::2] *= 0.5
    scene[1::2, 1::2] *= 0.7
    for name, light in LIGHTS.items():
        mean = scene * light
        noisy = mean + np.sqrt(mean) * rng.standard_normal(sides, np.float32)
        black = 0 if form == "library" else 512
        path = place / f"{name}.{'nef' if form == 'library' else 'dng'}"
        write(path, (noisy + black).clip(0, 16383).astype(np.uint16), form)


def write(path: Path, data: NDArray[np.uint16], form: str) -> None:
    """Write counts as a DNG in tiles or one strip, or as another raw file, which LibRaw alone decodes."""
    rational = tuple(part for value in (0.95, -0.28, -0.09, -0.55, 1.32, 0.24, -0.17, 0.27, 0.72)
                     for part in (round(value * 1e6), 1_000_000))  # fmt: skip
    tags: list[Any] = [
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True), (271, 2, 0, "Nine", True),
        (272, 2, 0, "Nine 9", True), (33434, 5, 1, (1, 125), True), (33437, 5, 1, (11, 1), True),
        (34855, 3, 1, 100, True), (306, 2, 0, "2026:03:02 09:00:00", True),
    ]  # fmt: skip
    if form != "library":
        tags += [
            (50706, 1, 4, bytes((1, 4, 0, 0)), True), (50714, 3, 1, 512, True), (50717, 3, 1, 16383, True),
            (50721, 10, 9, rational, True), (50778, 3, 1, 21, True), (50735, 2, 0, "77", True),
        ]  # fmt: skip
    pixels: Any = data
    how: dict[str, Any] = {"rowsperstrip": len(data)}
    packed = {"compression": 7, "compressionargs": {"lossless": True, "bitspersample": 14}}
    if form == "tiles":  # two components of half the width, as cameras write them; the edges are padded
        padded = np.pad(data, [(0, -side % TILE) for side in data.shape], mode="edge")
        rows, columns = (range(0, side, TILE) for side in data.shape)
        pixels = (components(padded[y : y + TILE, x : x + TILE]) for y in rows for x in columns)
        how = {"tile": (TILE, TILE), **packed}
    elif form == "library":
        pixels, how = iter([components(data)]), how | packed
    tifffile.imwrite(
        path, pixels, shape=data.shape, dtype=data.dtype, photometric=32803, extratags=tags, metadata=None, **how
    )


def components(block: NDArray[np.uint16]) -> bytes:
    rows, columns = block.shape
    two = np.ascontiguousarray(block).reshape(rows, columns // 2, 2)
    coded: bytes = imagecodecs.jpeg8_encode(two, lossless=True, bitspersample=14, predictor=1)
    return coded


if __name__ == "__main__":
    main()
