"""Limits of files that are written: each is written as a number in its test."""

import os
import time
from pathlib import Path

import pytest

from greystep import files, generation
from greystep.errors import GreystepError


def test_a_path_of_4096_characters_is_the_longest() -> None:
    longest = Path("/" + "/".join(["x" * 63] * 64))
    assert len(str(longest)) == 4096
    files.check_target(longest)
    with pytest.raises(GreystepError, match="4097 characters"):
        files.check_target(Path(f"{longest}y"))


def test_another_process_is_waited_for_10_seconds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    waits = []
    alone = generation.alone
    monkeypatch.setattr(
        generation, "alone", lambda folder, name, wait_s: waits.append(wait_s) or alone(folder, name, 0)
    )
    generation.write_set(tmp_path, "report", "run", {"powers.csv": b"head\n"})
    assert waits == [10.0]


@pytest.mark.parametrize(("age_s", "gone"), [(570.0, False), (630.0, True)])
def test_what_was_not_touched_for_ten_minutes_is_what_a_killed_run_left(
    tmp_path: Path, age_s: float, gone: bool
) -> None:
    part = tmp_path / ".powers.csv.abcd1234.part"
    part.touch()
    then = time.time() - age_s
    os.utime(part, (then, then))
    files.remove_parts(tmp_path, r"powers\.csv")
    assert part.exists() != gone
