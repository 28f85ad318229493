"""One frame costs itself only: whatever is wrong with a file, its row says so and the session goes on."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from greystep.api import open_session
from greystep.errors import GreystepError
from greystep.measure import reading as measuring
from greystep.raw import dng, preview
from greystep.sentences.frames import lines
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
SINGULAR = np.array([[1.0, 0.2, 0.1], [2.0, 0.4, 0.2], [0.1, 0.2, 1.0]])
LOST = "A/1-1/f2.dng"
Shoot = Callable[..., None]


def compress_unknown(path: Path) -> None:
    """Let a frame say that it has a compression that no DNG may have."""
    with tifffile.TiffFile(path) as tif:
        place = tif.pages[0].tags[259].valueoffset
    data = bytearray(path.read_bytes())
    data[place : place + 2] = (34713).to_bytes(2, "little")
    path.write_bytes(data)


def read(folder: Path) -> Ingested:
    return ingest(load_settings(folder))


def check_alone(found: Ingested, reason: str, lost: str = LOST) -> None:
    """The lost frame has its row and its line, and no other frame has anything."""
    table = found.readings.set_index("frame")
    assert table.loc[lost, ["head", "power", "status", "flags"]].tolist() == ["A", "1/1", "rejected", "unreadable"]
    others = table.drop(index=lost)
    assert len(others) >= 5
    assert (others["status"] == "ok").all()
    assert others.loc[others["kind"] == "flash", "mired"].notna().all()
    assert list(found.bodies) == ["Nine 77"]
    (said,) = lines(found.messages)
    assert said.startswith(f"{lost}: ")
    assert reason in said


def test_a_sound_session_says_nothing(small_session: Path) -> None:
    found = read(small_session)
    assert set(found.readings["status"]) == {"ok"}
    assert lines(found.messages) == []


@pytest.fixture
def give_matrix(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Let a reader give other colour tags with some frames."""
    real = measuring.open_frame

    def give(*names: str, **tags: Any) -> None:
        def opened(path: Path) -> Any:
            frame = real(path)
            return replace(frame, colour=replace(frame.colour, **tags)) if path.name in names else frame

        monkeypatch.setattr(measuring, "open_frame", opened)

    return give


@pytest.mark.parametrize("model", ["Nine", "N\x7fne"])
@pytest.mark.parametrize(
    "tags",
    [
        {"matrix_1": SINGULAR},
        {"matrix_1": -MATRIX},
        {"matrix_2": -MATRIX, "illuminant_2": 17},  # between the two lies one without an inverse
        {"calibration_1": np.zeros((3, 3))},
    ],
)
def test_a_matrix_through_which_no_light_can_be_told_costs_its_own_frame(
    small_session: Path, shoot: Shoot, give_matrix: Callable[..., None], model: str, tags: dict[str, Any]
) -> None:
    shoot(small_session / "frames" / LOST, model=model)
    give_matrix("f2.dng", **tags)
    check_alone(read(small_session), "its colour matrix ")
    assert list(open_session(small_session).heads["head"]) == ["A"]


def test_where_no_matrix_serves_a_camera_json_mends_it(small_session: Path, give_matrix: Callable[..., None]) -> None:
    give_matrix(*(f"f{number}.dng" for number in range(6)), matrix_1=SINGULAR)
    with pytest.raises(GreystepError, match=r"none of its 6 frames .* no inverse.*camera\.json"):
        read(small_session)
    (small_session / "camera.json").write_text(
        json.dumps({"schema": 1, "matrix_1": MATRIX.tolist(), "illuminant_1": 21})
    )
    with (small_session / "session.toml").open("a") as file:
        file.write('[camera]\nmatrix = "camera.json"\n')
    assert set(read(small_session).readings["flags"]) == {""}


@pytest.mark.parametrize("error", [IndexError("list index out of range"), MemoryError(), RuntimeError("no such thing")])
@pytest.mark.parametrize(
    ("where", "name"),
    [(measuring, "read_exposure"), (measuring, "open_frame"), (preview, "open_frame"), (dng, "read_stored")],
)
def test_whatever_a_reader_raises_costs_the_frame_alone(
    small_session: Path, monkeypatch: pytest.MonkeyPatch, where: Any, name: str, error: Exception
) -> None:
    real: Callable[..., Any] = getattr(where, name)

    def fails(path: Path, *rest: Any) -> Any:
        if path.name == "f2.dng":
            raise error
        return real(path, *rest)

    monkeypatch.setattr(where, name, fails)
    (small_session / "session.toml").write_text("")  # the target is sought, so that overviews are read too
    found = read(small_session)
    table = found.readings.set_index("frame")
    assert list(table.index) == ["A/1-1/f1.dng", LOST, "A/1-1/f3.dng", "A/1-4/f4.dng", "A/1-4/f5.dng", "ambient/f0.dng"]
    if where is not preview:
        assert table.loc[LOST, "status"] == "rejected"
        reason = str(error) or type(error).__name__
        assert any(said.startswith(f"{LOST}: ") and reason in said for said in lines(found.messages))


def test_an_empty_file_and_a_dead_link_have_their_rows(small_session: Path) -> None:
    path = small_session / "frames" / LOST
    path.write_bytes(b"")
    check_alone(read(small_session), "an empty file; copy it from the card again")
    path.unlink()
    path.symlink_to(small_session / "gone.dng")
    check_alone(read(small_session), "a link to a file that is not there")


def test_a_compression_that_cannot_be_decoded_is_not_mended_by_another_copy(small_session: Path) -> None:
    compress_unknown(small_session / "frames" / LOST)
    found = read(small_session)
    check_alone(found, "; convert it to a lossless DNG")
    (said,) = lines(found.messages)
    assert "34713" in said
    assert "copy it" not in said


def test_many_frames_lost_for_one_reason_share_its_line_and_others_have_their_own(small_session: Path) -> None:
    for number in range(10, 24):
        (small_session / "frames/A/1-16").mkdir(exist_ok=True)
        (small_session / f"frames/A/1-16/f{number}.dng").write_bytes(b"")
    compress_unknown(small_session / "frames" / LOST)
    said = lines(read(small_session).messages)
    assert len(said) == 2
    assert said[0].startswith(f"{LOST}: ")
    assert said[0].endswith("; convert it to a lossless DNG")
    assert said[1].startswith("A/1-16/f10.dng, A/1-16/f11.dng, A/1-16/f12.dng, A/1-16/f13.dng and 10 more: an empty")
    (small_session / "frames/A/1-16/f10.dng").write_bytes(b"no raw frame at all")  # another reason, the same remedy
    said = lines(read(small_session).messages)
    assert len(said) == 2
    assert said[1].endswith("f13.dng and 10 more: cannot be read as a raw frame; copy it from the card again")
