"""A flash sooner than the recycle time after the one before, by the camera's clock: told where the clock proves it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError
from greystep.sentences.frames import lines
from greystep.session.faults import too_soon
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings


def frames(*rows: tuple[str, str, str], body: str = "X 1") -> pd.DataFrame:
    """Rows of (head, pack, seconds of the clock as written)."""
    head, pack, clock = zip(*rows, strict=True)
    captured = [f"2026-03-02T10:00:{text}" if text else "" for text in clock]
    return pd.DataFrame({"head": head, "pack": pack, "body": body, "captured": captured})


def caught(table: pd.DataFrame, recycle_s: float | None, fired: np.ndarray | None = None) -> list[int]:
    fired = np.ones(len(table), dtype=bool) if fired is None else fired
    return np.flatnonzero(too_soon(table, fired, recycle_s)).tolist()


def test_a_frame_is_too_soon_after_the_flash_before_it_of_its_head() -> None:
    table = frames(("A", "", "00.00"), ("A", "", "03.10"), ("B", "", "03.60"), ("A", "", "05.00"), ("A", "", "08.00"))
    assert caught(table, 3.0) == [3]  # 1.9 s after; B has a charge of its own; 3.0 s is enough
    assert caught(table, None) == []


def test_heads_of_one_pack_share_its_charge() -> None:
    table = frames(("A", "P1", "00.00"), ("B", "P1", "01.00"), ("C", "P2", "02.00"))
    assert caught(table, 3.0) == [1]


def test_the_log_may_have_any_order_and_a_frame_without_flash_takes_no_charge() -> None:
    table = frames(("A", "", "05.00"), ("A", "", "00.00"), ("A", "", "04.00"))
    assert caught(table, 3.0) == [0]
    assert caught(table, 3.0, np.array([True, True, False])) == []


def test_a_clock_of_whole_seconds_proves_less() -> None:
    table = frames(("A", "", "00"), ("A", "", "02"), ("A", "", "05"))
    assert caught(table, 3.0) == [1]  # less than 3 s, whatever the fractions
    assert caught(table, 2.5) == []  # 2 s may be 2.9
    assert caught(table, 4.0) == [1, 2]


def test_frames_of_unknown_time_and_of_another_camera_are_not_compared() -> None:
    unknown = frames(("A", "", "00.0"), ("A", "", ""), ("A", "", "09.0"))
    assert caught(unknown, 3.0) == []
    two = pd.concat([frames(("A", "", "00.0")), frames(("A", "", "01.0"), body="Y")], ignore_index=True)
    assert caught(two, 3.0) == []


@pytest.mark.parametrize("text", ["recycle_s = 0\n", "recycle_s = 900\n", 'recycle_s = "2"\n'])
def test_a_recycle_time_that_makes_no_sense_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "frames").mkdir()
    (tmp_path / "session.toml").write_text(text)
    with pytest.raises(FaultsError, match="recycle_s"):
        load_settings(tmp_path)


def test_a_session_is_told_its_frames_that_came_too_soon(tmp_path: Path, shoot: Callable[..., None]) -> None:
    (tmp_path / "session.toml").write_text("recycle_s = 2.5\n[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    for at, second in enumerate((0, 10, 11, 20)):
        shoot(tmp_path / f"frames/A/1-1/f{at}.dng", captured=f"2026:03:02 10:00:{second:02d}")
    found = ingest(load_settings(tmp_path))
    flags = dict(zip(found.readings["frame"], found.readings["flags"], strict=True))
    assert [name for name, cell in flags.items() if "too_soon" in cell] == ["A/1-1/f2.dng"]
    assert [text for text in lines(found.messages) if "f2.dng: shot" in text] == [
        "A/1-1/f2.dng: shot sooner after the flash before it than recycle_s (A at 1/1); wait for ready and shoot it "
        "again"
    ]
