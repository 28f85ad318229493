"""Threads calculate one at a time, and read and decode beside that."""

import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from greystep.measure import reading
from greystep.measure.target import fixed_target
from greystep.raw.exposure import Exposure

TARGET = fixed_target((0.2, 0.2, 0.4, 0.4))


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file that opens as a frame."""
    frame = SimpleNamespace(
        exposure=None, height=1, width=1, colour=None, black_masked=None, opcodes=False, way="region"
    )
    monkeypatch.setattr(reading, "open_frame", lambda path: frame)
    (tmp_path / "f.dng").write_bytes(b"a raw file")
    return tmp_path / "f.dng"


@pytest.mark.parametrize(("held", "beside"), [("_pixels", True), ("_measured", False)])
def test_one_frame_is_calculated_at_a_time_and_others_are_read(
    path: Path, monkeypatch: pytest.MonkeyPatch, held: str, beside: bool
) -> None:
    """While one thread stands in a step, another one measures a frame from beginning to end, or has to wait."""
    standing, go_on, done = threading.Event(), threading.Event(), threading.Event()

    def stand(*_: Any) -> Any:
        if threading.current_thread().name == "first":
            standing.set()
            go_on.wait(10)
        return "told" if held == "_measured" else None

    for step, told in (("_pixels", None), ("_measured", "told")):
        monkeypatch.setattr(reading, step, stand if step == held else lambda *_, told=told: told)

    def measure() -> None:
        reading.measure_frame(path, TARGET, recorded=Exposure())
        if threading.current_thread().name != "first":
            done.set()

    threads = [threading.Thread(target=measure, name=name, daemon=True) for name in ("first", "second")]
    threads[0].start()
    assert standing.wait(10)
    threads[1].start()
    assert done.wait(10 if beside else 0.2) == beside
    go_on.set()
    assert done.wait(10)


def test_an_error_while_calculating_ends_the_turn(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:

    def broken(*_: Any) -> Any:
        raise ValueError("a torn strip")

    monkeypatch.setattr(reading, "_pixels", lambda *_: None)
    monkeypatch.setattr(reading, "_measured", broken)
    for _ in range(2):
        assert "a torn strip" in reading.measure_frame(path, TARGET, recorded=Exposure()).message
