"""What an image says of its origin, by the numbers of its tags (TIFF 6.0, EXIF 2.32) and by named attributes."""

import hashlib
import struct
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.correct import dng_from_raw, images
from greystep.correct.images import Origin, owner_texts, read_image, turned, turned_back, write_exr
from greystep.errors import FrameError, GreystepError
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure

FULL = Exposure(
    exposure_s=1 / 125, f_number=5.6, iso=100.0, focal_mm=85.0, captured="2026-03-02T09:07:05.25", make="Made",
    model="Up", serial="77", lens="85 mm", orientation=6,
)  # fmt: skip
TEXTS = {270: "a still life", 315: "Someone", 33432: "Somebody"}


def tags(exposure: Exposure, texts: dict[int, str] | None = None) -> dict[int, tuple[str, int, Any]]:
    found = images._tiff_tags(Origin("a.dng", exposure, "lin_rec709", "Rec. 709", texts or {}))
    assert [code for code, *_ in found] == sorted(code for code, *_ in found)
    assert all(written_once for *_, written_once in found)
    return {code: (kind, count, value) for code, kind, count, value, _ in found}


def test_each_thing_that_the_camera_recorded_stands_under_its_tag() -> None:
    assert tags(FULL, TEXTS) == {
        269: ("s", 0, b"a.dng"), 270: ("s", 0, b"a still life"), 271: ("s", 0, b"Made"), 272: ("s", 0, b"Up"),
        274: ("H", 1, 6), 306: ("s", 0, b"2026:03:02 09:07:05"), 315: ("s", 0, b"Someone"),
        33432: ("s", 0, b"Somebody"), 33434: ("2I", 1, (1, 125)), 33437: ("2I", 1, (28, 5)), 34855: ("H", 1, 100),
        36867: ("s", 0, b"2026:03:02 09:07:05"), 37386: ("2I", 1, (85, 1)), 37521: ("s", 0, b"25"),
        42033: ("s", 0, b"77"), 42036: ("s", 0, b"85 mm"),
    }  # fmt: skip
    assert tags(Exposure()) == {269: ("s", 0, b"a.dng"), 274: ("H", 1, 1)}
    assert tags(Exposure(iso=102400.0))[34855] == ("H", 1, 65535), "the most that the tag holds"
    assert tags(Exposure(exposure_s=0.0123456789))[33434][2][1] <= 1_000_000


@pytest.mark.parametrize("name", ["even", "odd", "a name of 21 letters"])
def test_the_name_of_a_space_lies_behind_its_profile_and_the_table_of_tags_leads_there(name: str) -> None:
    """One text in English, in UTF-16, filled up to four bytes (ICC.1:2010, from memory)."""
    data = images.linear_profile("lin_rec709", name)
    count = int.from_bytes(data[128:132], "big")
    table = {data[at : at + 4]: struct.unpack_from(">II", data, at + 4) for at in range(132, 132 + 12 * count, 12)}
    start, size = table[b"desc"]
    text = name.encode("utf-16-be")
    head = b"mluc" + bytes(4) + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(text), 28)
    assert data[start : start + size] == head + text
    assert not any(data[start + size :])
    assert len(data) == int.from_bytes(data[:4], "big") == start + 4 * -(-size // 4)


def test_attributes_of_an_exr_file() -> None:
    found = images._exr_attributes(Origin("a.dng", FULL, "lin_rec709", "Rec. 709", TEXTS))
    assert found["chromaticities"] == pytest.approx((0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))
    assert found["adoptedNeutral"].tolist() == pytest.approx([0.3127, 0.329])
    plain = {
        name: value for name, value in found.items() if name not in ("chromaticities", "adoptedNeutral", "software")
    }
    assert plain == {
        "cameraMake": "Made", "cameraModel": "Up", "cameraSerialNumber": "77", "lensModel": "85 mm",
        "capDate": "2026:03:02 09:07:05", "expTime": 1 / 125, "aperture": 5.6, "isoSpeed": 100.0,
        "nominalFocalLength": 85.0, "owner": "Somebody", "comments": "a still life", "imageName": "a.dng",
    }  # fmt: skip
    artist = images._exr_attributes(Origin("a.dng", Exposure(), "lin_rec709", "Rec. 709", {315: "Someone"}))
    assert set(artist) == {"chromaticities", "adoptedNeutral", "software", "owner", "imageName"}
    assert artist["owner"] == "Someone"


#: Of a picture of two rows and three columns.
UPPER_LEFT = {
    0: (0, 0), 1: (0, 0), 2: (0, 2), 3: (1, 2), 4: (1, 0), 5: (0, 0), 6: (1, 0), 7: (1, 2), 8: (0, 2), 9: (0, 0),
}  # fmt: skip


@pytest.mark.parametrize(("orientation", "corner"), UPPER_LEFT.items())
def test_the_stored_pixel_that_comes_to_the_upper_left(orientation: int, corner: tuple[int, int]) -> None:
    stored = np.arange(6).reshape(2, 3)
    upright = turned(stored, orientation)
    assert upright[0, 0] == stored[corner]
    assert upright.shape == ((3, 2) if 5 <= orientation <= 8 else (2, 3))
    assert (turned_back(upright, orientation) == stored).all()
    if 5 <= orientation <= 8:
        below = {5: (0, 1), 6: (1, 1), 7: (1, 1), 8: (0, 1)}[orientation]
        assert upright[1, 0] == stored[below]


def test_what_cannot_be_written_or_read_back_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    library = SimpleNamespace(ZIP_COMPRESSION=3, scanlineimage=0)
    monkeypatch.setattr(images, "exr_library", lambda: library)
    origin = Origin("a.dng", Exposure(), "lin_rec709", "Rec. 709")
    with pytest.raises(GreystepError, match="an EXR file needs a path in UTF-8; give another folder with --out"):
        write_exr(tmp_path / "\udcff.exr", np.zeros((2, 3, 3), np.float16), origin)
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(
        GreystepError, match=r"a\.exr: cannot be written \((Not a directory|File exists)\); free the disk"
    ):
        write_exr(tmp_path / "taken" / "a.exr", np.zeros((2, 3, 3), np.float16), origin)
    (tmp_path / "a.tif").write_bytes(b"no image")
    with pytest.raises(FrameError, match=r"a\.tif: cannot be read back \(.*\); render it again"):
        read_image(tmp_path / "a.tif", 1)
    assert owner_texts(tmp_path / "a.tif") == {}


def test_an_exr_file_is_written_beside_its_place_in_a_hidden_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under another name until it is whole, pixels upright, in whichever folder is still to be made."""
    written: list[tuple[str, str, bool]] = []
    pixels: list[Any] = []

    class File:
        def __init__(self, header: dict[str, Any], channels: dict[str, Any]) -> None:
            assert (header["compression"], header["type"], header["imageName"]) == (3, 0, "a.dng")
            pixels.append(channels["RGB"])

        def __enter__(self) -> "File":
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def write(self, path: str) -> None:
            assert isinstance(path, str), "the library takes no other"
            at = Path(path)
            written.append((at.parent.parent.name, at.parent.name[:7], at.parent.name.endswith(".part")))
            at.write_bytes(b"the image")

    monkeypatch.setattr(images, "exr_library", lambda: SimpleNamespace(ZIP_COMPRESSION=3, scanlineimage=0, File=File))
    image = np.arange(18, dtype=np.float16).reshape(2, 3, 3)
    path = tmp_path / "one" / "new" / "a.exr"
    write_exr(path, image, Origin("a.dng", Exposure(orientation=6), "lin_rec709", "Rec. 709"))
    assert written == [("new", ".a.exr.", True)]
    assert path.read_bytes() == b"the image"
    assert [at.name for at in path.parent.iterdir()] == ["a.exr"]
    assert (pixels[0] == turned(image, 6)).all()
    assert pixels[0].flags["C_CONTIGUOUS"]
    write_exr(path, image, Origin("a.dng", Exposure(), "lin_rec709", "Rec. 709"))
    assert (pixels[1] == image).all(), "in a folder that is there already"


def test_an_exr_file_is_read_back_as_it_was_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stored = np.arange(18, dtype=np.float16).reshape(2, 3, 3)
    opened: list[str] = []

    class File:
        def __init__(self, path: str) -> None:
            opened.append(path)

        def __enter__(self) -> "File":
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def channels(self) -> dict[str, Any]:
            return {"RGB": SimpleNamespace(pixels=turned(stored, 6))}

    monkeypatch.setattr(images, "exr_library", lambda: SimpleNamespace(File=File))
    image, white = read_image(tmp_path / "a.exr", 6)
    assert (image == stored).all()
    assert (white, opened) == (1.0, [str(tmp_path / "a.exr")])


def test_a_frame_that_was_decoded_whole_is_written_with_its_borders() -> None:
    whole = np.arange(48, dtype=np.uint16).reshape(6, 8)
    frame: Any = SimpleNamespace(
        whole=whole, top=1, left=2, height=4, width=5, pattern=np.array([[0, 1], [3, 2]]),
        black_pattern=np.ones((2, 2)), white=(4095.0, 4000.0, 4095.0, 4001.0),
    )  # fmt: skip
    found = dng_from_raw._raw_image(frame)
    assert found.pixels is whole
    assert found.pattern.tolist() == [[0, 1], [1, 2]]
    assert (found.black is frame.black_pattern, found.white, found.area) == (True, 4000, (1, 2, 5, 7))


def test_a_dng_is_made_of_what_the_frame_and_its_file_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its colour is the file's, else what is known of the camera; without either there is no DNG."""
    path = tmp_path / "a.raw"
    path.write_bytes(b"counts")
    own, known = (ColourTags(np.eye(3) * size, None, 21, 0) for size in (2.0, 3.0))
    frame: Any = SimpleNamespace(colour=own)
    monkeypatch.setattr(dng_from_raw, "open_frame", lambda at: frame if at == path else None)
    monkeypatch.setattr(
        dng_from_raw, "measure_frame", lambda *given: {(path, None): SimpleNamespace(exposure=FULL)}[given]
    )
    monkeypatch.setattr(dng_from_raw, "owner_texts", lambda at: TEXTS)
    monkeypatch.setattr(dng_from_raw, "_raw_image", lambda opened: ("pixels of", opened))
    monkeypatch.setattr(dng_from_raw, "dng_bytes", lambda *parts: parts)
    neutral = (0.5, 1.0, 0.6)
    image, colour, recorded, original = dng_from_raw.dng_from_raw(path, neutral, 1.5, known)  # type: ignore[misc]
    assert image == ("pixels of", frame)
    assert (colour.neutral, colour.stops) == (neutral, 1.5)
    assert colour.matrices[0][1] is own.matrix_1
    assert (original.name, original.md5.hex()) == ("a.raw", hashlib.md5(b"counts").hexdigest())
    assert vars(recorded) == {name: getattr(FULL, name) for name in vars(FULL)} | {"texts": TEXTS, "fired": None}
    frame.colour = None
    assert dng_from_raw.dng_from_raw(path, neutral, 0.0, known)[1].matrices[0][1] is known.matrix_1  # type: ignore[attr-defined, index]
    with pytest.raises(FrameError, match=r"a\.raw: no colour matrix is known for its camera"):
        dng_from_raw.dng_from_raw(path, neutral, 0.0, None)
