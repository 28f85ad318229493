"""Results as files: on the disk before they take their name, readable as the person wants, to the last digit."""

import json
import math
import os
import stat
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep import documents, files


def test_bytes_are_on_the_disk_before_they_take_their_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    synced, replaced = os.fsync, os.replace

    def sync(handle: int) -> None:
        done.append(f"synced {os.fstat(handle).st_size}")
        synced(handle)

    def replace(source: str, target: str | Path) -> None:
        done.append(f"named {Path(target).name}")
        replaced(source, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(os, "replace", replace)
    files.write_bytes(tmp_path / "a.csv", b"twelve bytes")
    assert done == ["synced 12", "named a.csv"]
    assert (tmp_path / "a.csv").read_bytes() == b"twelve bytes"
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


@pytest.mark.skipif(os.name != "posix", reason="files have no mode")
@pytest.mark.parametrize(("mask", "mode"), [(0o022, 0o644), (0o002, 0o664), (0o077, 0o600)])
def test_others_may_read_results_as_far_as_the_person_lets_them(mask: int, mode: int, tmp_path: Path) -> None:
    before = os.umask(mask)
    try:
        files.write_text(tmp_path / "a.txt", "text")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == mode


def test_numbers_are_written_to_their_last_digit() -> None:
    rng = np.random.default_rng(1)
    values = [*(rng.standard_normal(200) * 10.0 ** rng.integers(-12, 12, 200)), 0.1, 1 / 3, 5e-324, np.nan]
    text = documents.table_bytes(pd.DataFrame({"a": values, "b": ["x"] * len(values)})).decode()
    back = [float(line.split(",")[0] or "nan") for line in text.splitlines()[1:]]
    assert np.array_equal(back, values, equal_nan=True)
    assert json.loads(documents.to_json({"a": values}))["a"] == [*values[:-1], None]


def test_a_cell_is_written_as_pandas_writes_it() -> None:
    """A number that comes twice, both zeros, the unknown of each kind, and text that needs quotes."""
    table = pd.DataFrame(
        {
            "text": pd.array(["a,b", 'say "x"', None, "", "two\nlines", "\u00fc"], dtype="str"),
            "a,b": [0.0, -0.0, math.nan, 1e-5, math.inf, 1e16],
            "true": [True, False, False, True, False, True],
            "whole": pd.array([1, None, 3, None, -5, 2**62], dtype="Int64"),
            "any": [np.float64(1 / 3), None, "x", 2, math.nan, pd.NA],
        }
    )
    for some in (table, table.iloc[:0], table[["text"]], table.iloc[[3, 3]], table[["a,b", "a,b"]]):
        written = some.to_csv(index=False, lineterminator="\n").encode()
        assert documents.table_bytes(some) == written, some
