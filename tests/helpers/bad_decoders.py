"""Decoders as bad files make them: what each does depends on the name of the file."""

import ctypes
import os
import time
from pathlib import Path
from typing import Any

from greystep.measure.reading import Reading
from greystep.measure.reading import measure_frame as measure


def decode(path: Path, said: str = "") -> Any:
    """Do what the file's name says, else tell in which process the file was decoded."""
    misbehave(path)
    if path.stem == "refused":
        raise IndexError("list index out of range")
    if path.stem.startswith("slow"):
        time.sleep(float(path.stem.removeprefix("slow")))
    return path.name, said, os.getpid()


def measure_frame(path: Path, *rest: Any) -> Reading:
    misbehave(path)
    return measure(path, *rest)


def misbehave(path: Path) -> None:
    if path.stem == "segfault":
        ctypes.string_at(0)
    if path.stem == "exits":
        os._exit(0)
    if path.stem == "hangs":
        time.sleep(60)
    if path.stem == "prints":
        os.write(1, b"a remark")
    if path.stem == "hungry":
        raise MemoryError
