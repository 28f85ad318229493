"""The committed reports are what the sample data give today, number by number."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greystep.cli.app import app

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_data" / "hire_kit"
COMMITTED = ROOT / "reports" / "hire_kit"
#: Another library or processor may round otherwise; nothing that a person could see.
RELATIVE, ABSOLUTE = 1e-6, 1e-9

pytestmark = pytest.mark.skipif(
    not (SAMPLE.is_dir() and COMMITTED.is_dir()), reason="sample_data and reports are not part of this installation"
)


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """``greystep report sample_data/hire_kit --out reports/hire_kit``, with all frames measured anew."""
    folder = tmp_path_factory.mktemp("reports")
    session = folder / "sample_data" / "hire_kit"
    shutil.copytree(SAMPLE, session, ignore=shutil.ignore_patterns(".greystep", "report", "readings.csv"))
    result = CliRunner().invoke(app, ["report", str(session), "--out", str(folder / "reports")])
    assert result.exit_code == 0, result.output
    return folder / "reports"


def files(folder: Path, suffix: str) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob(f"*{suffix}"))


def test_every_table_has_the_same_rows_and_numbers(fresh: Path) -> None:
    names = files(fresh, ".csv")
    assert {"powers.csv", "heads.csv", "pairs.csv"} < set(names)
    assert any(name.startswith("figures/") for name in names)
    for name in names:
        new, old = (pd.read_csv(folder / name, dtype=str, keep_default_na=False) for folder in (fresh, COMMITTED))
        assert list(new) == list(old), name
        assert len(new) == len(old), name
        for column in new:
            texts, kept = new[column].tolist(), old[column].tolist()
            assert [cell == "" for cell in texts] == [cell == "" for cell in kept], (name, column)
            values, wanted = (pd.to_numeric(pd.Series(cells), errors="coerce") for cells in (texts, kept))
            words = values.isna()
            assert (pd.Series(texts)[words] == pd.Series(kept)[words]).all(), (name, column)
            np.testing.assert_allclose(
                values[~words], wanted[~words], rtol=RELATIVE, atol=ABSOLUTE, err_msg=f"{name} {column}"
            )


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, f"{path}.{key}")
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from leaves(item, f"{path}[{place}]")
    else:
        yield path, value


def test_the_summary_says_the_same(fresh: Path) -> None:
    new, old = (dict(leaves(json.loads((folder / "summary.json").read_text("ascii")))) for folder in (fresh, COMMITTED))
    assert new.keys() == old.keys()
    for path, value in new.items():
        if isinstance(value, float):
            assert old[path] == pytest.approx(value, rel=RELATIVE, abs=ABSOLUTE), path
        elif path not in (".greystep", ".run"):  # the run follows from every last digit
            assert old[path] == value, path


def test_every_picture_is_there_and_is_one(fresh: Path) -> None:
    assert files(COMMITTED, ".svg") == files(fresh, ".svg") != []
    for name in files(COMMITTED, ".svg"):
        assert ElementTree.parse(COMMITTED / name).getroot().tag.endswith("}svg"), name


def test_the_page_is_one_file_with_every_frame_in_it(fresh: Path) -> None:
    for folder in (COMMITTED, fresh):
        page = (folder / "report.html").read_text("utf-8")
        assert page.count("<html") == 1
        missing = [path.name for path in sorted((SAMPLE / "frames").iterdir()) if path.name not in page]
        assert missing == []
