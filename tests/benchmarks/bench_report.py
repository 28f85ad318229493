"""How long ``greystep report`` takes on the sample session once its frames have been read: 5 s are the limit.

Run: python tests/benchmarks/bench_report.py
"""

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
ROUNDS = 3
LIMIT_S = 5.0


def seconds(command: str, session: Path) -> float:
    began = time.perf_counter()
    code = "from greystep.cli.app import run; run()"
    subprocess.run([sys.executable, "-c", code, command, str(session)], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        session = Path(place, "hire_kit")
        shutil.copytree(SAMPLE, session, ignore=shutil.ignore_patterns(".greystep", "report", "readings.csv"))
        first, ingested = seconds("ingest", session), seconds("ingest", session)
        report = min(seconds("report", session) for _ in range(ROUNDS))
    print(f"ingest of 66 frames {first:.1f} s, again {ingested:.1f} s; report on cached readings {report:.1f} s")
    if report >= LIMIT_S:
        sys.exit(f"limit {LIMIT_S:.0f} s")


if __name__ == "__main__":
    main()
