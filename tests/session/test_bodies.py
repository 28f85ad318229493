"""What is said of camera bodies: those that cannot be told apart, and those whose matrix is the raw library's."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.api import Session, open_session
from greystep.measure import reading as measuring

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
#: xy of CIE illuminants A and D65 (CIE 15:2018), 2856 K and 6504 K.
LAMP, DAYLIGHT = (0.44757, 0.40745), (0.31272, 0.32903)


def seen(x: float, y: float) -> tuple[float, float]:
    red, green, blue = MATRIX @ [x / y, 1.0, (1.0 - x - y) / y]
    return red / green, blue / green


@pytest.fixture
def from_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the raw library had given the matrix, as it does for formats that carry none."""
    real = measuring.open_frame

    def opened(path: Path) -> Any:
        frame = real(path)
        assert frame.colour is not None
        return replace(frame, colour=replace(frame.colour, source="library"))

    monkeypatch.setattr(measuring, "open_frame", opened)


def light(session: Path, shoot: Callable[..., None], xy: tuple[float, float], folder: str = "A") -> Session:
    for path in (session / "frames" / folder).rglob("*.dng"):
        shoot(path, 6000.0 if "1-1" in path.parts else 1500.0, neutral=seen(*xy))
    return open_session(session)


def screens(opened: Session) -> list[str]:
    """What ingest, the page of the report, and correct show, each in one line."""
    page = " ".join(opened.report().summary.notes)
    return [" ".join(text.split()) for text in (opened.text(), page, opened.correct().text())]


def test_bodies_without_a_serial_cannot_be_told_apart(small_session: Path, shoot: Callable[..., None]) -> None:
    said = "No serial number is in the frames of Nine: two bodies of one model could not be told apart."
    assert said not in str(open_session(small_session).report().document["notes"])
    for path in (small_session / "frames").rglob("*.dng"):
        shoot(path, 3.0 if "ambient" in path.parts else 6000.0, serial="")
    assert open_session(small_session).report().document["notes"].count(said) == 1


@pytest.mark.usefixtures("from_library")
def test_the_raw_librarys_matrix_is_told_with_its_size_on_every_screen(
    small_session: Path, shoot: Callable[..., None]
) -> None:
    opened = light(small_session, shoot, DAYLIGHT)
    for text in screens(opened):
        assert text.count("One daylight matrix of the raw library gives the colours of Nine 77") == 1
        assert "4.5 mired and Duv 0.0020" in text
        assert "far from daylight" not in text
    document = opened.report().document
    assert sum("4.5 mired" in note for note in document["notes"]) == 1
    (body,) = document["bodies"]
    assert body["colour_from"] == "library"
    assert set(opened.readings["flags"]) == {""}


def test_a_matrix_of_the_frames_own_needs_no_word(small_session: Path, shoot: Callable[..., None]) -> None:
    for text in screens(light(small_session, shoot, LAMP)):
        assert "raw library" not in text


@pytest.mark.usefixtures("from_library")
def test_a_light_far_from_daylight_is_named_and_not_rejected(small_session: Path, shoot: Callable[..., None]) -> None:
    opened = light(small_session, shoot, LAMP, "A/1-4")
    for text in screens(opened):
        assert "A at 1/4 is 28" in text
        assert "far from daylight" in text
    assert set(opened.readings["status"]) <= {"ok", "doubtful"}


@pytest.mark.usefixtures("from_library")
def test_a_meter_stands_for_the_size_of_the_librarys_matrix(small_session: Path, shoot: Callable[..., None]) -> None:
    with (small_session / "session.toml").open("a") as file:
        file.write('[camera]\nmeter = {frame = "A/1-1/f1.dng", cct_k = 6500}\n')
    for text in screens(light(small_session, shoot, DAYLIGHT)):
        assert "raw library" in text
        assert "4.5 mired" not in text


@pytest.mark.parametrize(
    ("unused", "said"),
    [
        ("third calibration", "The files of Nine 77 hold a third colour calibration"),
        ("calibration light as a spectrum", "describe a calibration light by its spectrum"),
    ],
)
def test_what_the_files_say_of_colour_and_nothing_uses_is_told(
    small_session: Path, monkeypatch: pytest.MonkeyPatch, unused: str, said: str
) -> None:
    real = measuring.open_frame

    def opened(path: Path) -> Any:
        frame = real(path)
        assert frame.colour is not None
        return replace(frame, colour=replace(frame.colour, unused=(unused,)))

    assert said not in open_session(small_session).report().text()
    for path in (small_session / ".greystep").glob("*.json"):
        path.unlink()
    monkeypatch.setattr(measuring, "open_frame", opened)
    assert sum(said in note for note in open_session(small_session).report().document["notes"]) == 1
