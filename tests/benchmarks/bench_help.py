"""How long ``greystep --help`` takes against ``python -c "import typer"``: twice as long is the limit.

Run: python tests/benchmarks/bench_help.py
"""

import subprocess
import sys
import time

ROUNDS = 11
LIMIT = 2.0


def seconds(code: str, *words: str) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", code, *words], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    helped, imported = [], []
    for _ in range(ROUNDS):  # by turns, so that a busy machine slows both; the fastest of each is the program's own
        helped.append(seconds("from greystep.cli.app import run; run()", "--help"))
        imported.append(seconds("import typer"))
    ratio = min(helped) / min(imported)
    print(f"greystep --help {1000 * min(helped):.0f} ms, import typer {1000 * min(imported):.0f} ms: {ratio:.2f} times")
    if ratio >= LIMIT:
        sys.exit(f"limit {LIMIT:.1f} times")


if __name__ == "__main__":
    main()
