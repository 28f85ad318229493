"""A fixed set of damaged files: each is read right, flagged or refused; the same by hand with thousands of seeds."""

from pathlib import Path
from types import ModuleType


def test_no_damaged_file_is_wrong_without_a_word(fuzz: ModuleType, tmp_path: Path) -> None:
    judge = fuzz.Judge(tmp_path)
    found = {seed: judge.verdict(seed) for seed in range(300)}
    assert {seed: what for seed, what in found.items() if what[0] in {"wrong", "traceback", "caught"}} == {}
    counts = [verdict for verdict, _ in found.values()]
    assert counts.count("right") > 60  # what does no harm is not refused
    assert counts.count("refused") > 60  # and most damage is done
