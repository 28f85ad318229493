"""The row classes are the columns of the tables: the same names in the same order, each number with its unit."""

import math
import shutil
import typing
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest

import greystep
from greystep.columns import CorrectionRow, FrameRow, HeadRow, HistoryRow, PairRow, PowerRow, names, rows_of, units

SAMPLE = Path(__file__).parents[1] / "sample_data" / "hire_kit"
KINDS = (FrameRow, PowerRow, HeadRow, PairRow, CorrectionRow, HistoryRow)
needs_sample = pytest.mark.skipif(not SAMPLE.is_dir(), reason="sample_data is not part of this installation")


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> greystep.Session:
    folder = tmp_path_factory.mktemp("columns") / "hire_kit"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns(".greystep", "report", "readings.csv"))
    return greystep.open_session(folder)


@needs_sample
def test_every_table_has_the_columns_of_its_row_class_in_their_order(kit: greystep.Session) -> None:
    tables = {
        FrameRow: kit.readings,
        PowerRow: kit.powers,
        HeadRow: kit.heads,
        PairRow: kit.pairs,
        CorrectionRow: kit.correct(to="A@full").table,
        HistoryRow: greystep.history([kit, kit]).table,
    }
    for kind, table in tables.items():
        needed = names(kind, optional=False)
        assert tuple(table)[: len(needed)] == needed, kind
        assert set(table) <= set(names(kind)), kind
        assert len(rows_of(table, kind)) == len(table)


@needs_sample
def test_a_row_holds_what_the_table_holds(kit: greystep.Session) -> None:
    table = kit.powers
    for row, (_, line) in zip(rows_of(table, PowerRow), table.iterrows(), strict=True):
        for name in names(PowerRow, optional=False):
            value, there = getattr(row, name), line[name]
            assert value == there or (math.isnan(value) and math.isnan(there)), name


@pytest.mark.parametrize("kind", KINDS)
def test_every_number_has_a_unit_and_text_has_none(kind: type) -> None:
    plain = typing.get_type_hints(kind)
    for field in fields(kind):
        assert bool(units(kind)[field.name.rstrip("_")]) == (plain[field.name] is float), field.name


def test_a_missing_column_is_an_error_and_an_unknown_one_is_left_out() -> None:
    row = dict.fromkeys(names(HistoryRow), 0.0)
    assert rows_of(pd.DataFrame([row | {"more": 1}]), HistoryRow)[0].mired == 0.0
    del row["mired"]
    with pytest.raises((KeyError, TypeError), match="mired"):
        rows_of(pd.DataFrame([row]), HistoryRow)
