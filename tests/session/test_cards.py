"""Which cards a job frame is held against: those under its own lights, else all."""

from collections import defaultdict
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session import cards
from greystep.session.settings import load_settings

Seen = list[tuple[Any, ...]]


def asked(rows: list[tuple[str, str]], patch: pytest.MonkeyPatch, folder: Path, dark: tuple[int, ...] = ()) -> Seen:
    """Return what each job frame is held against: its row, the cards, and whether these are under its own lights."""
    seen: Seen = []

    def within(place: np.ndarray, lights: list, row: int, at: int, alike: bool) -> bool:
        seen.append((row, at, alike))
        return True

    patch.setattr(cards, "_within_reach", within)

    def same(frames: object, target: object, row: int, against: list[int]) -> bool:
        seen.append((row, against))
        return True

    patch.setattr(cards, "_same_card", same)
    kind = np.array([one for one, _ in rows])
    table = pd.DataFrame({"body": "X", "lights": [lights for _, lights in rows]})
    table = table.assign(head="", stops=np.nan, level=0.0)
    doubts: dict[str, np.ndarray] = defaultdict(lambda: np.zeros(len(rows), dtype=bool))
    doubts["too_dark"] = np.isin(np.arange(len(rows)), dark)
    frames: Any = SimpleNamespace(of_kind=lambda *kinds: np.isin(kind, kinds), doubts=doubts)
    ratios = {"r_g": np.full(len(rows), 0.5), "b_g": np.full(len(rows), 0.6)}
    target: Any = SimpleNamespace(found=True)
    usable = np.ones(len(rows), dtype=bool)
    found = cards.shows_card(load_settings(folder), frames, table, ratios, usable, {"X": target})
    assert found.tolist() == [True] * len(rows)
    return seen


def test_cards_under_the_frames_own_lights_come_first(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    rows = [
        ("card", "A@1/1"),
        ("card", "B@1/1"),
        ("card", "A@1/2 & B@1/1"),
        ("job", "A@1/4"),
        ("job", "C@1/1"),
        ("job", ""),
    ]
    assert asked(rows, monkeypatch, tmp_path) == [
        (3, 0, True), (3, [0]),
        (4, 0, False), (4, 1, False), (4, 2, False), (4, [0, 1, 2]),
        (5, 0, False), (5, 1, False), (5, 2, False), (5, [0, 1, 2]),
    ]  # fmt: skip


def test_a_card_that_is_too_dark_is_a_witness_only_where_no_other_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    rows = [("card", "A@1/1"), ("card", "A@1/64"), ("job", "A@1/4")]
    assert asked(rows, monkeypatch, tmp_path, dark=(1,)) == [(2, 0, True), (2, [0])]
    assert asked(rows, monkeypatch, tmp_path, dark=(0, 1)) == [(2, 0, True), (2, 1, True), (2, [0, 1])]
