"""Every number that the commands give, before and after a change: two runs held against each other.

    python compare_numbers.py write AFTER --sessions SESSIONS --greystep .venv/bin/greystep
    python compare_numbers.py compare BEFORE AFTER

``write`` runs the commands on copies of the sessions in SESSIONS (one of each demo scenario, made once and kept, and
the sample) and keeps their CSV and JSON results. ``compare`` lists every number that differs by more than 1e-9, and how
many texts do; it exits with 1 where a number does.
"""

import argparse
import csv
import json
import math
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

TOLERANCE = 1e-9
#: Columns that name a row.
KEYS = ("frame", "head", "power", "session", "head_a", "power_a", "head_b", "power_b", "part")
SCENARIOS = ("hire-kit", "stack", "three-lights", "faults")
#: Name of a run, and its command; ``{}`` is where its results go. A folder is named as in SESSIONS.
RUNS = {
    "sample": "report hire_kit --out {}",
    "report-hire-kit": "report hire-kit --out {}",
    "report-three-lights": "report three-lights --out {}",
    "report-faults": "report faults --out {}",
    "correct-head": "correct hire-kit --to A@full --out {}",
    "correct-warm-head": "correct hire-kit --to D@full --stack --out {}",
    "correct-own": "correct hire-kit --out {}",
    "correct-kit": "correct hire-kit --to kit --out {}",
    "correct-median": "correct hire-kit --to median --out {}",
    "correct-frame": "correct hire-kit --to frame:f0006.dng --out {}",
    "correct-white": "correct hire-kit --to 5500K+0.003 --out {}",
    "correct-stack": "correct stack --stack --out {}",
    "correct-smooth": "correct stack --smooth --stack --out {}",
    "correct-profile": "correct stack --profile hire-kit --stack --out {}",
    "correct-profile-head": "correct hire-kit --profile three-lights --to A@full --out {}",
    "correct-session": "correct three-lights --to session:hire-kit --out {}",
    "correct-faults": "correct faults --out {}",
    "audit": "audit three-lights/SETUP.csv --profile three-lights --out {}",
    "choose": "choose three-lights --need 2 --out {}",
    "choose-kit": "choose hire-kit --need 3 --powers full,1/4,1/16 --out {}",
    "choose-ganged": "choose hire-kit --ganged --output 0.5 --out {}",
    "history": "history hire-kit three-lights --out {}",
}


def write(target: Path, sessions: Path, greystep: str) -> None:
    """Run every command on copies of the sessions and keep what it wrote; a failure is kept as its message."""
    command = str(Path(greystep).resolve()) if Path(greystep).exists() else greystep
    target.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as scratch:
        here = Path(scratch)
        for scenario in SCENARIOS:
            shutil.copytree(sessions / scenario, here / scenario, ignore=shutil.ignore_patterns(".greystep", "report"))
        sample = Path(__file__).parents[2] / "sample_data" / "hire_kit"
        shutil.copytree(sample, here / "hire_kit", ignore=shutil.ignore_patterns(".greystep", "report"))
        for name, words in RUNS.items():
            out = target.resolve() / name
            done = subprocess.run([command, *words.format(out).split()], cwd=here, capture_output=True, text=True)
            out.mkdir(exist_ok=True)
            if done.returncode:
                (out / "failed.json").write_text(json.dumps({"status": done.returncode, "message": done.stderr}))
            for path in sorted(out.rglob("*")):
                if path.is_file() and (path.suffix not in (".csv", ".json", ".ccc") or path.name.endswith(".run.json")):
                    path.unlink()
        for session in ("hire_kit", *SCENARIOS):
            if (here / session / "readings.csv").is_file():
                shutil.copy(here / session / "readings.csv", target / f"readings-{session}.csv")


def values(path: Path) -> Iterator[tuple[str, object]]:
    """Yield the place and the value of everything in a CSV or JSON file; rows of one name are numbered."""
    if path.suffix == ".csv":
        seen: Counter[str] = Counter()
        with path.open(newline="", encoding="utf-8") as file:
            for row in csv.DictReader(file):
                key = " ".join(filter(None, (row.get(name) for name in KEYS)))
                seen[key] += 1
                yield from ((f"{key} {seen[key]} : {name}", _number(text)) for name, text in row.items())
    elif path.suffix == ".json":
        yield from _inside(json.loads(path.read_text(encoding="utf-8")), "")


def _inside(value: object, place: str) -> Iterator[tuple[str, object]]:
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _inside(item, f"{place}.{name}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from _inside(item, f"{place}[{number}]")
    else:
        yield place, value


def _number(text: str | None) -> object:
    try:
        return float(text or "")
    except ValueError:
        return text


def compare(before: Path, after: Path) -> int:
    """Print what differs, a line a column with its largest difference; return how many numbers do."""
    files = sorted(
        {p.relative_to(root) for root in (before, after) for p in root.rglob("*") if p.suffix in (".csv", ".json")}
    )
    wrong = texts = 0
    for name in files:
        if not ((before / name).is_file() and (after / name).is_file()):
            print(f"{name}: only {'before' if (before / name).is_file() else 'after'}")
            wrong += not (after / name).is_file()
            continue
        old, new = (list(values(root / name)) for root in (before, after))
        here = dict(new)
        columns: dict[str, list[tuple[float, str, object, object]]] = {}
        for place, value in old:
            if place not in here:
                print(f"{name}: {place}: gone (was {value!r})")
                wrong += isinstance(value, int | float) and not isinstance(value, bool)
                continue
            other = here[place]
            if isinstance(value, str) or isinstance(other, str):
                texts += value != other
            elif (size := _apart(value, other)) > TOLERANCE:
                column = place.rpartition(" : ")[2] if " : " in place else re.sub(r"\[\d+\]", "[]", place)
                columns.setdefault(column, []).append((size, place, value, other))
        for column, found in columns.items():
            size, place, value, other = max(found)
            print(f"{name}: {column}: {len(found)} differ, most at {place}: {value!r} -> {other!r} ({size:.3g})")
            wrong += len(found)
    print(f"{wrong} numbers differ by more than {TOLERANCE:g}; {texts} texts differ")
    return wrong


def _apart(a: object, b: object) -> float:
    if a is None or b is None or isinstance(a, bool) or isinstance(b, bool):
        return 0.0 if a == b else math.inf
    assert isinstance(a, int | float)
    assert isinstance(b, int | float)
    return 0.0 if a == b else abs(a - b) / max(1.0, abs(a), abs(b))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = parser.add_subparsers(dest="verb", required=True)
    writing = verbs.add_parser("write")
    writing.add_argument("target", type=Path)
    writing.add_argument("--sessions", type=Path, required=True)
    writing.add_argument("--greystep", default="greystep")
    comparing = verbs.add_parser("compare")
    comparing.add_argument("before", type=Path)
    comparing.add_argument("after", type=Path)
    asked = parser.parse_args()
    if asked.verb == "write":
        write(asked.target, asked.sessions, asked.greystep)
        return 0
    return 1 if compare(asked.before, asked.after) else 0


if __name__ == "__main__":
    sys.exit(main())
