"""How long a new frame takes to the live page: from the moment its file is whole to the event and to the screen.

    cd tests; PYTHONPATH=../src:. python -m benchmarks.bench_live [--megapixels 45] [--there 0 40 100] [--new 8]

`greystep watch --page` runs as a process of its own. Frames are real copies that get their name when they are whole.
`event` is when the server-sent event with the frame has come, `screen` when Chromium shows it, both from that moment
on; `CPU` is what the watch took for it, whatever else ran on the machine. `decode` is a process that does nothing but
decode a frame (`rawpy.imread`) in the same run, to compare machines.
Run it by hand: a clock is no test.
"""

import argparse
import http.client
import json
import os
import queue
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from playwright.sync_api import sync_playwright

from benchmarks.bench_session import COMMAND, LIGHTS, SIDES

#: The bar [s].
BAR_S: Final = 1.0
#: A plan of two heads at these powers, as often as frames are wanted.
POWERS: Final = ("full", "1/2", "1/4")
OF_POWER: Final = dict(zip((*POWERS, ""), LIGHTS, strict=True))
SHOWN: Final = "name => document.getElementById('gave').textContent.startsWith(name)"
DECODE: Final = "import rawpy, sys\nwith rawpy.imread(sys.argv[1]) as raw: raw.raw_image.copy()"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=int, choices=SIDES, default=45)
    parser.add_argument("--there", type=int, nargs="+", default=[0, 40, 100])
    parser.add_argument("--new", type=int, default=8)
    parser.add_argument("--place", type=Path, default=None, help="where the files are made")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.place) as place:
        made = "import sys, bench_session as b; b.write_shots(b.Path(sys.argv[1]), b.SIDES[int(sys.argv[2])], 'tiles')"
        words = [sys.executable, "-c", made, place, str(asked.megapixels)]
        subprocess.run(words, check=True, cwd=Path(__file__).parent)
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", DECODE, str(Path(place, "full.dng"))], check=True)
        print(f"load {os.getloadavg()[0]:.1f}; decode {time.perf_counter() - began:.2f} s")
        for there in asked.there:
            took = timed(Path(place), there, asked.new)
            told = ", ".join(f"{name} {sorted(of)[len(of) // 2]:.2f} s, at most {max(of):.2f} s" for name, of in took)
            print(f"{there:4} frames there: {told}; bar {BAR_S:g} s; load {os.getloadavg()[0]:.1f}", flush=True)


def timed(place: Path, there: int, new: int) -> list[tuple[str, list[float]]]:
    """Return how long each of `new` frames took to its event, to the screen, and of the processor [s]."""
    session = place / f"prep{there}"
    plan = [sys.executable, "-c", COMMAND, "plan", str(session), "--heads", "A,B", "--powers", ",".join(POWERS)]
    rounds = str(max(2, -(-(there + new) // 6)))
    subprocess.run([*plan, "--repeats", rounds], check=True, stdout=subprocess.DEVNULL)
    rows = [line.split(",") for line in (session / "shots.csv").read_text().splitlines()[1:]]
    shots = [place / f"{OF_POWER[row[2]]}.dng" for row in rows]
    frames = session / "frames"
    frames.mkdir(exist_ok=True)
    for at in range(there):
        os.link(shots[at], frames / f"f{at:04}.dng")
    words = [sys.executable, "-c", COMMAND, "watch", str(session), "--page"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as watch:
        assert watch.stdout is not None
        link = next(found[1] for line in watch.stdout if (found := re.search(r"live page: (\S+)", line)))
        threading.Thread(target=watch.stdout.read, daemon=True).start()
        came: queue.SimpleQueue[tuple[str, float]] = queue.SimpleQueue()
        threading.Thread(target=listen, args=(link, came), daemon=True).start()
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                page = browser.new_page()
                page.goto(link)
                if there:
                    wait(came, f"f{there - 1:04}.dng")
                event, screen, cpu = [], [], []
                for at in range(there, there + new):
                    name = f"f{at:04}.dng"
                    shutil.copyfile(shots[at], session / "on its way")
                    (session / "on its way").rename(frames / name)
                    whole, before = time.time(), used(watch.pid)
                    page.wait_for_function(SHOWN, arg=name)
                    screen.append(time.time() - whole)
                    event.append(wait(came, name) - whole)
                    time.sleep(1.0)  # what is written after the page is shown counts too
                    cpu.append(used(watch.pid) - before)
                browser.close()
        finally:
            watch.terminate()
    shutil.rmtree(session)
    return [("event", event), ("screen", screen), ("CPU", cpu)]


def used(pid: int) -> float:
    """Return the processor time of a process so far [s]."""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def listen(link: str, came: "queue.SimpleQueue[tuple[str, float]]") -> None:
    """Note which frame is the last one of each event, and when it came."""
    address = urlsplit(link)
    asked = http.client.HTTPConnection(str(address.hostname), address.port)
    asked.request("GET", f"{address.path}events")
    for line in asked.getresponse():
        if line.startswith(b"data: ") and (last := json.loads(line[6:]).get("last")):
            came.put((last["frame"], time.time()))


def wait(came: "queue.SimpleQueue[tuple[str, float]]", name: str) -> float:
    while True:
        frame, at = came.get(timeout=120.0)
        if frame == name:
            return at


if __name__ == "__main__":
    main()
