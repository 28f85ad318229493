"""What is said of a folder of results whose parts are of two runs."""

from collections.abc import Sequence
from pathlib import Path

from greystep import words as say
from greystep.correct.record import RECORD, files_of_two_runs
from greystep.generation import of_two_runs

#: So many files are named; more are counted.
_NAMED = 4


def mixed_results(folder: Path) -> list[str]:
    """Return a line for each set of results in a folder that holds parts of two runs, or files changed since."""
    lines = [
        f"{folder}: parts of two runs, or changed since: {_listed(names)} not as told in {manifest}"
        for manifest, names in of_two_runs(folder)
    ]
    if names := files_of_two_runs(folder):
        lines.append(f"{folder}: rendered frames of two runs: {_listed(names)} of another run than the rest ({RECORD})")
    return lines


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _NAMED
    shown = list(names[:_NAMED]) + ([f"{more} more"] if more > 0 else [])
    return f"{say.listed(shown)} {'is' if len(names) == 1 else 'are'}"
