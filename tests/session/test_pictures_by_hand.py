"""Small pictures: how far they are thinned, what is kept of them, and what is believed of what was kept."""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.errors import FrameError, GreystepError
from greystep.session import pictures
from greystep.session.cache_folder import names_in, open_cache
from greystep.session.pictures import Picture, as_jpegs, pictures_of
from helpers.jpegs import pixels_of
from session.test_cache_by_hand import Now

MARK, OTHER = "a" * 32, "b" * 32
PIXELS = np.arange(7 * 10 * 3, dtype=np.uint8).reshape(7, 10, 3)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A cache that holds the reading of one file."""
    found = open_cache(tmp_path, None)
    assert found is not None
    (found / f"{MARK}.json").write_text("{}")
    return found


def test_a_page_is_given_the_largest_picture_that_is_no_longer_than_it_asks() -> None:
    tall, wide = Picture(400, 300, (b"1", b"2", b"3")), Picture(300, 400, (b"1", b"2", b"3"))
    for picture in (tall, wide):
        told = [picture.jpeg(longest) for longest in (1000, 400, 399, 200, 199, 134, 100, 1)]
        assert told == [b"1", b"1", b"2", b"2", b"3", b"3", b"3", b"3"]


def test_a_picture_is_kept_whole_and_with_each_second_and_third_pixel() -> None:
    picture = as_jpegs(PIXELS)
    assert (picture.height, picture.width) == (7, 10)
    assert [pixels_of(jpeg).shape for jpeg in picture.jpegs] == [(7, 10, 3), (4, 5, 3), (3, 4, 3)]
    halves = np.zeros((48, 96, 3), np.uint8)
    halves[:, 48:] = (250, 120, 10)
    for jpeg in as_jpegs(halves).jpegs:
        shown = pixels_of(jpeg).astype(int)
        assert np.abs(shown[:, -4:] - (250, 120, 10)).max() < 8
        assert shown[:, :4].max() < 8


def test_what_is_kept_is_read_again_unless_a_byte_of_it_was_changed(folder: Path) -> None:
    picture = as_jpegs(PIXELS)
    name = f"{MARK}.{'0' * 16}.jpegs"
    assert pictures._keep(folder, name, picture)
    assert pictures._load(folder, name) == picture
    content = (folder / name).read_bytes()
    sizes = [len(jpeg) for jpeg in picture.jpegs]
    assert content == (
        np.array([7, 10, *sizes], "<u4").tobytes() + b"".join(picture.jpegs) + hashlib.sha256(content[:-32]).digest()
    )
    for place in (0, 25, len(content) - 1):
        (folder / name).write_bytes(content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :])
        assert pictures._load(folder, name) is None
    short = b"odd"
    (folder / name).write_bytes(short + hashlib.sha256(short).digest())
    assert pictures._load(folder, name) is None, "too short for its sizes"
    assert pictures._load(folder, "gone") is None
    assert pictures._load(None, name) is None


def test_nothing_is_kept_without_a_place_a_reading_or_room(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = as_jpegs(PIXELS)
    assert not pictures._keep(None, f"{MARK}.x.jpegs", picture)
    assert not pictures._keep(folder, f"{OTHER}.x.jpegs", picture), "its reading is not kept"
    durable: list[bool] = []

    def full(path: Path, content: bytes, durable_: bool = True, **options: bool) -> None:
        durable.append(options.get("durable", durable_))
        raise GreystepError("no room")

    monkeypatch.setattr(pictures, "write_bytes", full)
    assert not pictures._keep(folder, f"{MARK}.x.jpegs", picture)
    assert durable == [False], "nobody waits for the disk"


def draw(value: int) -> Callable[[Any], Any]:
    return lambda linear: np.full((4, 6, 3), value, np.uint8)


def test_pictures_are_drawn_kept_and_shown_by_frame(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def look_of(path: Path) -> Any:
        if path.name == "lost":
            raise FrameError("lost: cannot be read")
        return np.zeros((4, 6, 3))

    monkeypatch.setattr(pictures, "look_of", look_of)
    crew: Any = Now()
    prints = {"kept": MARK, "held": OTHER, "lost": OTHER}
    looks = dict.fromkeys(prints, "a")
    old = f"{MARK}.{'1' * 16}.jpegs"
    for name in (old, f"{OTHER}.{'1' * 16}.rgb"):
        (folder / name).write_text("x")
    given = {"kept": draw(10), "held": draw(200), "lost": draw(0)}
    found = pictures_of(Path("card"), given, folder, prints, looks, crew)
    assert crew.asked == [("kept",), ("held",), ("lost",)]
    assert list(found) == ["kept", "held"]
    assert len(found) == 2
    assert [int(pixels_of(found[name].jpegs[0]).mean()) for name in found] == [10, 200]
    name = f"{MARK}.{hashlib.sha256(b'a').hexdigest()[:16]}.jpegs"
    assert names_in(folder) == {"CACHEDIR.TAG", f"{MARK}.json", name}, "other looks and versions are gone"
    with pytest.raises(KeyError):
        found["lost"]
    crew.asked.clear()
    again = pictures_of(Path("card"), given, folder, prints, looks, crew)
    assert crew.asked == [("held",), ("lost",)]
    (folder / name).write_bytes(b"spoilt")
    (folder / f"{MARK}.json.txt").write_text("x")
    with pytest.raises(KeyError, match="kept"):
        again["kept"]
    assert names_in(folder) == {"CACHEDIR.TAG", f"{MARK}.json", f"{MARK}.json.txt"}, "it is drawn anew by the next run"
    assert int(pixels_of(again["held"].jpegs[0]).mean()) == 200
