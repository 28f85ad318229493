"""The makers of `tests/helpers` as fixtures, and figures that are drawn once a process."""

import pickle
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest

from greystep import results
from helpers import dng_writer, tiff_writer
from helpers import synthetic as readings_maker


@pytest.fixture(scope="session", autouse=True)
def drawn_once() -> Iterator[None]:
    """Draw the figures of the same numbers once a process: they take half of the time of a report.

    `pages/test_figures` draws each time, and so does whatever a test starts as a process of its own.
    """
    draw, known = results.drawings, dict[bytes, dict[str, str]]()

    def drawings(*numbers: object) -> dict[str, str]:
        key = pickle.dumps(numbers)
        if key not in known:
            known[key] = draw(*numbers)  # type: ignore[arg-type]
        return dict(known[key])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(results, "drawings", drawings)
        yield


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    return readings_maker


@pytest.fixture(scope="session")
def make_dng() -> Callable[..., Path]:
    return dng_writer.write_dng


@pytest.fixture(scope="session")
def make_opcodes() -> Callable[..., bytes]:
    return dng_writer.opcode_list


@pytest.fixture(scope="session")
def tiff() -> Callable[..., Path]:
    return tiff_writer.write_tiff
