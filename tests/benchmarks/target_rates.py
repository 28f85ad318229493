"""How often the target is found, and a moved one told: the little that is read against all of it, on the same frames.

    OMP_NUM_THREADS=1 python tests/benchmarks/target_rates.py --series 32 --corpus /path/to/raw/frames

Frames are those of `helpers.card_scenes`, twelve a series. "All" is what every tile about the target says, and the
target as it is found in whole overviews of nine frames. Of a real frame the target, as it is found in it, is taken for
its place in the others; looked at with its box a little beside, it has moved.
"""

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from greystep.errors import FrameError
from greystep.measure import target_corners
from greystep.measure.clear_target import clear_target
from greystep.measure.reading import Reading, measure_frame
from greystep.measure.target import Target, find_target, fixed_target
from greystep.raw.frame import open_frame
from greystep.raw.overview import overview
from greystep.raw.preview import overview_of
from greystep.session import places
from greystep.session.readings import Frames, joined
from helpers.card_scenes import CLEAN, FRAMES, HEIGHT, WIDTH, Series, series, shoot

WAYS = ("all", "corners")
TRUE = {"shift of 15 %": "target_moved", "card gone": "no_target"}


def states(readings: Sequence[Reading]) -> dict[str, list[str]]:
    """Return what each way says of each frame; readings are of all that lies about the target."""
    names = [f"{number}.dng" for number in range(len(readings))]
    text = dict.fromkeys(("head", "power", "pack", "note"), "")
    log = pd.DataFrame({"frame": names, "kind": "flash", "stops": np.nan, "row": 0, **text})
    log = log.astype(dict.fromkeys(("frame", "kind", *text), "str"))

    def framed(read: Sequence[Reading]) -> Frames:
        return joined(log, names, dict(zip(names, read, strict=True)))

    def told(read: Sequence[Reading]) -> list[str]:
        return [str(state) or "in place" for state in places.target_states(framed(read))]

    little = [one if one.corners is None else replace(one, surround=None) for one in readings]
    further = places.to_read_whole(framed(little))
    sparse = [one if name in further else less for name, one, less in zip(names, readings, little, strict=True)]
    proven = places.standing_by_corners(framed(little))
    read = ["corners tell" if tells else "all is read" for tells in proven]
    return {"all": told([replace(one, corners=None) for one in readings]), "corners": told(sparse), "read": read}


def found(paths: Sequence[Path]) -> dict[str, Target | None]:
    """Return where each way finds the target; the second looks at one or two frames first, at all in doubt."""
    whole = find_target([overview_of(path) for path in paths])
    tried = (clear_target(overview(open_frame(paths[place]), thinned=True)) for place in (0, len(paths) // 2))
    clear = next(filter(None, tried), None)
    return {"all": whole, "clear or all": clear or whole, "clear alone": clear}


def on_card(one: Series, target: Target | None) -> str:
    """Say whether the patch lies on the card."""
    if target is None:
        return "nothing found"
    x0, y0, x1, y1 = target.patch
    rows, columns = (slice(round(a * n), round(b * n)) for a, b, n in ((y0, y1, HEIGHT), (x0, x1, WIDTH)))
    card = one.card()
    if not card[rows, columns].all():
        return "over an edge" if card[rows, columns].mean() > 0.5 else "elsewhere"
    return "on the card" if (x1 - x0) * (y1 - y0) * HEIGHT * WIDTH > 0.2 * card.sum() else "small part"


def simulated(seeds: Sequence[int], folder: Path, kinds: tuple[str, ...]) -> None:
    where: dict[str, Counter[str]] = defaultdict(Counter)
    said: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for seed in seeds:
        one = series(seed)
        paths = list(shoot(one, folder, kinds))
        targets = found(paths[: len(CLEAN)])
        for way, target in targets.items():
            where[way][on_card(one, target)] += 1
        if targets["clear alone"] is not None and targets["all"] is not None:
            apart = np.subtract(targets["clear alone"].box, targets["all"].box) * (256, 171, 256, 171)
            where["clear against all"][f"{np.abs(apart).max():.0f} px of the overview"] += 1
        if kinds != CLEAN and on_card(one, targets["all"]) == "on the card":
            readings = [measure_frame(path, targets["all"], True) for path in paths]
            for way, told in states(readings).items():
                for kind, state in zip(kinds, told, strict=True):
                    said[way, kind][state] += 1
        for path in paths:
            path.unlink()
    for way, counts in where.items():
        print(f"target found, {way}: {dict(counts)}")
    for kind in dict.fromkeys(kinds if kinds != CLEAN else ()):
        for way in WAYS:
            right = TRUE.get(kind, "in place")
            print(f"{kind:<20} {way:<8} right {said[way, kind][right]:4}  {dict(said[way, kind])}")
        print(f"{'':<20} {dict(said['read', kind])}")


def real(files: Sequence[Path]) -> None:
    total: dict[str, Counter[str]] = defaultdict(Counter)
    for path in files:
        try:
            target = found([path])["all"] or fixed_target((0.35, 0.35, 0.65, 0.65))
        except FrameError as error:
            print(f"{path.name:<32} unread: {error}")
            continue
        readings = [
            *[measure_frame(path, target, True)] * 5,
            *(measure_frame(path, one, True) for one in beside(target)),
        ]
        if any(reading.signal is None for reading in readings):
            print(f"{path.name:<32} not measured: {readings[0].message}")
            continue
        for way, told in states(readings).items():
            total[way].update((f"in place: {told[0]}", *(f"beside: {one}" for one in told[5:])))
            print(f"{path.name:<32} {way:<8} {told[0]}; beside: {', '.join(told[5:])}")
    for way, counts in total.items():
        print(f"real frames, {way}: {dict(counts)}")


def beside(target: Target) -> Iterator[Target]:
    """Yield the target with its box shifted by 15 % of its sides, four ways; within the frame."""
    x0, y0, x1, y1 = target.box
    for dx, dy in ((0.15, 0.0), (-0.15, 0.0), (0.0, 0.15), (0.0, -0.15)):
        by, of = dx * (x1 - x0), dy * (y1 - y0)
        if min(x0 + by, y0 + of) >= 0 and max(x1 + by, y1 + of) <= 1:
            boxes = ((a + by, b + of, c + by, d + of) for a, b, c, d in (target.box, target.patch))
            yield replace(target, **dict(zip(("box", "patch"), boxes, strict=True)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=32)
    parser.add_argument("--finds", type=int, default=60, help="further series in which the target is only found")
    parser.add_argument("--first", type=int, default=0, help="seed of the first series")
    parser.add_argument("--corpus", type=Path, default=None, help="a folder of real raw files")
    asked = parser.parse_args()
    target_corners.SMALL = 0  # type: ignore[misc]  # these frames are small so that they are quickly made
    with tempfile.TemporaryDirectory() as place:
        simulated(range(asked.first, asked.first + asked.series), Path(place), FRAMES)
        simulated(range(1000, 1000 + asked.finds), Path(place), CLEAN)
    if asked.corpus is not None:
        real(sorted(path for path in asked.corpus.iterdir() if path.suffix.lower() not in (".md", ".txt")))


if __name__ == "__main__":
    main()
