"""Damage small valid DNG files of many layouts and judge what is read of each (run by hand; a fixed set in the tests).

    python tests/benchmarks/fuzz_raw.py --seeds 2000

The files are those of tests/raw/known_dngs.py, so that the true mean of the grey patch is known. One
seed changes one of them: bytes or bits, a tag's code, type, count or value, a tag more, strips that are swapped, cut
pixels. What is read is right (patch within 0.5 %, colour tags and exposure as written), or the frame carries a flag
of its own or is refused, or it is told against two sound frames of its cell in a session. All else is wrong without a
word. Each seed has 20 s and 4 GB in a process of its own.
"""

import argparse
import json
import resource
import select
import struct
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "raw"))
from known_dngs import LAYOUTS, LIT, PATCH, SIZES, entries_of, frame, pixels_of

TOLERANCE = 0.005
#: What a frame's tags of colour and exposure may change of its row in the session.
LIMITS = {"cct_k": 5.0, "duv": 1e-4, "output_stops": 0.01}
SECONDS, BYTES = 20.0, 4 * 2**30


# --- damage -----------------------------------------------------------------------------------------------------------

#: Tags that change what the pixels mean, with values that a file may hold: put over a spare tag.
ADDED = (
    (50975, 3, 2), (50975, 3, 3), (52547, 3, 2), (50974, 3, 16), (50710, 1, 0x00010200), (50711, 3, 2), (266, 3, 2),
    (317, 3, 2), (317, 3, 3), (339, 3, 2), (339, 3, 3), (347, 7, 0x01020304), (50706, 1, 0x01090000), (50717, 3, 4000),
    (50714, 3, 900), (50712, 3, 7), (51008, 7, 0), (51009, 7, 1), (50713, 3, 4), (277, 3, 3), (284, 3, 2),
    (33422, 1, 0),
)  # fmt: skip


def damaged(data: bytes, seed: int) -> tuple[str, bytes]:
    """Return what was done and the damaged file."""
    rng = np.random.default_rng(seed)
    order = "<" if data[:2] == b"II" else ">"
    bad, entries, (begin, end) = bytearray(data), entries_of(data), pixels_of(data)
    raw = [entry for entry in entries if begin < entry[0]]
    entry, code, kind, count, value = raw[rng.integers(len(raw))]
    ways = ("bytes", "bit", "pixels", "zeros", "cut", "drop", "type", "count", "value", "add", "offsets", "pointer")
    way = ways[rng.integers(len(ways))]
    what = f"{way} {code}"
    odd = [0, 1, 2, 3, 16, 255, 256, 20_000, 65_535, 2**20, 2**31 - 1, 2**32 - 1, int(rng.integers(2**32))]
    if way == "bytes":
        for place in rng.integers(end, len(bad), rng.integers(1, 9)):
            bad[place] = rng.integers(256)
        bad[entry + rng.integers(12)] = rng.integers(256)
    elif way == "bit":
        place = int(rng.integers(end, len(bad)))
        bad[place] ^= 1 << int(rng.integers(8))
        what = f"bit at {place}"
    elif way == "pixels":
        for place in rng.integers(begin, end, rng.integers(1, 65)):
            bad[place] = rng.integers(256)
    elif way == "zeros":
        place, length = int(rng.integers(begin, end)), int(2 ** rng.integers(6, 14))
        bad[place : min(place + length, end)] = bytes(min(place + length, end) - place)
    elif way == "cut":
        del bad[int(rng.integers(1, len(bad))) :]
    elif way == "drop":
        struct.pack_into(order + "H", bad, entry, int(rng.choice([code + 1, code - 1, 65_001, code ^ 1 << 8])) % 65_536)
    elif way == "type":
        struct.pack_into(order + "H", bad, entry + 2, int(rng.integers(0, 19)))
    elif way == "count":
        new = int(rng.choice([0, max(0, count - 1), count + 1, count * 2, count * 1000, 2**20, 2**31, 2**32 - 1]))
        struct.pack_into(order + "I", bad, entry + 4, new)
    elif way == "value":
        size = 4 if kind in (5, 10) else SIZES[kind]
        place = value + size * int(rng.integers(max(1, count) * (2 if kind in (5, 10) else 1)))
        old = int.from_bytes(bad[place : place + size], "little" if order == "<" else "big")
        new = int(rng.choice([*odd, old + 1, max(0, old - 1), old * 2, old // 2])) % 256**size
        bad[place : place + size] = new.to_bytes(size, "little" if order == "<" else "big")
    elif way == "add":
        spare = next(at for at, code, *_ in raw if code == 65_000)
        code, kind, new = ADDED[rng.integers(len(ADDED))]
        what = f"add {code}={new}"
        many = {1: 4, 7: 4}.get(kind, 2 if code in (50974, 50713, 50712) else 1)
        body = new.to_bytes(4, "big") if kind in (1, 7) else struct.pack(order + "2H", new, new if many == 2 else 0)
        bad[spare : spare + 12] = struct.pack(order + "HHI", code, kind, many) + body
        if rng.random() < 0.5:  # in its place among the others, as a writer would
            sort_directory(bad, order, spare, [at for at, *_ in raw])
    elif way == "offsets":
        _, code, _, count, value = next(e for e in raw if e[1] in (273, 324))
        places = [value + 4 * int(i) for i in rng.integers(0, count, 2)]
        one, two = (struct.unpack_from(order + "I", bad, place)[0] for place in places)
        moved = [(two, one), (two, two), (one + int(rng.integers(1, 600)), two), (max(1, one - 256), two)]
        for place, new in zip(places, moved[rng.integers(len(moved))], strict=True):
            struct.pack_into(order + "I", bad, place, new)
        what = f"offsets of {count}"
    elif way == "pointer":
        long = [e for e in raw if e[4] != e[0] + 8]
        entry, code, *_ = long[rng.integers(len(long))]
        new = int(rng.choice([*odd, len(bad) - 4, begin, end, *[e[4] for e in long]]))
        struct.pack_into(order + "I", bad, entry + 8, new % 2**32)
        what = f"pointer {code}"
    return what, bytes(bad)


def sort_directory(bad: bytearray, order: str, spare: int, places: list[int]) -> None:
    """Put the entries of the directory that holds `spare` in the order of their codes."""
    last = spare
    while last + 12 in places:
        last += 12
    first = spare
    while first - 12 in places:
        first -= 12
    table = [bytes(bad[at : at + 12]) for at in range(first, last + 1, 12)]
    table.sort(key=lambda entry: struct.unpack_from(order + "H", entry)[0])
    bad[first : last + 12] = b"".join(table)


# --- judging ----------------------------------------------------------------------------------------------------------


@dataclass
class Sound:
    """The session of a layout: its folder, the reading of the file that is damaged, and that file."""

    folder: Path
    reading: Any
    file: bytes

    @cached_property
    def row(self) -> dict[str, Any]:
        """What the session says of that file while it is whole."""
        (self.folder / "frames" / "m.dng").write_bytes(self.file)
        return session_row(self.folder)


class Judge:
    """Sessions of sound frames, one a layout, and what becomes of a damaged one among them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sessions: dict[str, Sound] = {}

    def sound(self, name: str) -> Sound:
        if name not in self.sessions:
            folder = self.folder / name
            (folder / "frames").mkdir(parents=True)
            rows, cells = ["frame,head,power,kind"], [("full", LIT), ("1/2", LIT / 2)]
            (folder / "frames" / "room.dng").write_bytes(frame(LAYOUTS[name], 1, 0.0))
            rows.append("room.dng,,,ambient")
            for power, level in cells:
                for place in range(3):
                    file = f"{'m' if (power, place) == ('full', 1) else power[0] + str(place)}.dng"
                    (folder / "frames" / file).write_bytes(frame(LAYOUTS[name], 10 * place + len(power), level))
                    rows.append(f"{file},A,{power},flash")
            (folder / "shots.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
            (folder / "session.toml").write_text(f"[target]\npatch = {list(PATCH)}\n", encoding="utf-8")
            file = (folder / "frames" / "m.dng").read_bytes()
            self.sessions[name] = Sound(folder, measured(folder / "frames" / "m.dng"), file)
        return self.sessions[name]

    def verdict(self, seed: int) -> tuple[str, str]:
        """Return what became of a seed and what was done: right, flagged, refused, told in the session, or wrong."""
        name = list(LAYOUTS)[seed % len(LAYOUTS)]
        sound = self.sound(name)
        what, bad = damaged(sound.file, seed)
        path = sound.folder / "frames" / "m.dng"
        what = f"{name}: {what}"
        path.write_bytes(bad)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                reading = measured(path)
            except Exception as error:
                return "traceback", f"{what} ({type(error).__name__}: {error})"
        if "Error: " in reading.message or "Warning: " in reading.message:
            return "caught", f"{what} ({reading.message})"
        if {"unreadable", "damaged"} & set(reading.flags):
            return "refused", f"{what} ({reading.message})"
        if set(reading.flags) - set(sound.reading.flags):
            return "flagged", f"{what} ({';'.join(reading.flags)})"
        wrong = differences_of(reading, sound.reading)
        if not wrong:
            return "right", what
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                row = session_row(sound.folder)
            except Exception as error:
                return "traceback", f"{what} (session, {type(error).__name__}: {error})"
        if row["flags"]:  # a whole file has none
            return "told", f"{what} ({wrong}; {row['flags']})"
        if "signal" in wrong:
            return "wrong", f"{what} ({wrong})"
        off = [abs(row[name] - sound.row[name]) for name in LIMITS]
        changed = not all(o <= limit for o, limit in zip(off, LIMITS.values(), strict=True))
        return ("wrong" if changed else "right"), f"{what} ({wrong}; {off})"


def differences_of(reading: Any, sound: Any) -> str:
    from greystep.raw.dng import same_matrices

    found = []
    off = np.abs(np.array(reading.signal.mean) / np.array(sound.signal.mean) - 1.0)
    if not off.max() < TOLERANCE:
        found.append(f"signal {100 * off.max():.2f} %")
    if not same_matrices(reading.colour, sound.colour):
        found.append("colour")
    settings = ("exposure_s", "f_number", "iso")
    if any(getattr(reading.exposure, one) != getattr(sound.exposure, one) for one in settings):
        found.append("exposure")
    return ", ".join(found)


def measured(path: Path) -> Any:
    from greystep.measure.reading import measure_frame
    from greystep.measure.target import fixed_target

    return measure_frame(path, fixed_target(PATCH))


def session_row(folder: Path) -> dict[str, Any]:
    """What the session says of the damaged frame."""
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings

    table = ingest(load_settings(folder)).readings
    return dict(table.loc[table["frame"] == "m.dng"].iloc[0])


# --- run by hand ------------------------------------------------------------------------------------------------------


def worker(first: int, last: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        judge = Judge(Path(folder))
        for name in LAYOUTS:
            judge.sound(name)
        print("ready", flush=True)
        for seed in range(first, last):
            print(json.dumps([seed, *judge.verdict(seed)]), flush=True)


def run(first: int, last: int) -> Iterator[tuple[int, str, str]]:
    """Judge seeds in a child that is started again where one hangs or ends it."""

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))

    while first < last:
        command = [sys.executable, __file__, "--worker", str(first), str(last)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, bufsize=1, preexec_fn=limited) as child:
            assert child.stdout is not None
            limit = 120.0
            while first < last:
                ready, _, _ = select.select([child.stdout], [], [], limit)
                line = child.stdout.readline() if ready else ""
                if line.startswith("ready"):
                    limit = SECONDS
                    continue
                if not line:
                    child.kill()
                    yield first, "hang" if not ready else "died", list(LAYOUTS)[first % len(LAYOUTS)]
                    first += 1
                    break
                seed, verdict, what = json.loads(line)
                yield seed, verdict, what
                first = seed + 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--worker", type=int, nargs=2)
    parser.add_argument("--list", nargs="*", default=["wrong", "traceback", "caught", "hang", "died"])
    chosen = parser.parse_args()
    if chosen.worker:
        worker(*chosen.worker)
        return
    counts: Counter[str] = Counter()
    began = time.monotonic()
    for seed, verdict, what in run(chosen.first, chosen.first + chosen.seeds):
        counts[verdict] += 1
        if verdict in chosen.list:
            print(seed, verdict, what, flush=True)
    print(dict(counts), f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
