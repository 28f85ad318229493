"""What is written of an image and what is lost, and the room that files take: on pixels written down."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.correct import render
from greystep.correct.render import Developed, check_room, said_of_loss, write_image
from greystep.errors import FrameError, GreystepError

Floats = NDArray[np.float32]


def written(name: str, *bands: Floats, monkeypatch: pytest.MonkeyPatch) -> tuple[NDArray[Any], float]:
    """Return the image that is handed on to be written, and the share of its pixels that lost something."""
    kept: list[NDArray[Any]] = []
    for writer in ("write_tiff", "write_exr"):
        monkeypatch.setattr(render, writer, lambda path, image, *_: kept.append(image))
    tops = np.cumsum([0, *(len(band) for band in bands)])
    height, width = int(tops[-1]), bands[0].shape[1]
    origin: Any = None
    lost = write_image(Path(name), Developed(height, width, zip(tops.tolist(), bands, strict=False)), origin)  # type: ignore[arg-type]
    return kept[0], lost


def band(*values: float) -> Floats:
    """Rows of one pixel, grey."""
    return np.array(values, np.float32)[:, None, None] * np.ones(3, np.float32)


def test_sixteen_bits_hold_from_black_to_white_and_the_rest_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    image, lost = written("a.tif", band(0.0, 0.5), band(1.0, 1.5, -0.2), monkeypatch=monkeypatch)
    assert image.dtype == np.uint16
    assert image[:, 0, 1].tolist() == [0, 32768, 65535, 65535, 0]
    assert lost == pytest.approx(2 / 5)
    one = band(0.5, 0.5)
    one[1, 0, 2] = 1.01
    assert written("a.tif", one, monkeypatch=monkeypatch)[1] == pytest.approx(0.5), "of a pixel any colour counts"


def test_half_floats_hold_what_lies_beyond(monkeypatch: pytest.MonkeyPatch) -> None:
    image, lost = written("a.exr", band(-0.25, 1.5), band(1e6, -1e6), monkeypatch=monkeypatch)
    assert image.dtype == np.float16
    assert image[:, 0, 0].tolist() == [-0.25, 1.5, 65504.0, -65504.0]
    assert lost == 0.0


def test_loss_is_told_of_files_that_lost_more_than_a_trace() -> None:
    assert said_of_loss([]) == []
    assert said_of_loss([0.0, render._CUT_SHARE]) == []
    (said,) = said_of_loss([0.0, 0.034, 0.125])
    assert said.startswith("2 of 3 files: up to 12.5 % of the pixels lie above white")


def test_room_is_asked_for_where_the_folder_will_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Path] = []
    usage = SimpleNamespace(free=5_000_000)
    monkeypatch.setattr(render.shutil, "disk_usage", lambda path: asked.append(path) or usage)
    check_room(tmp_path / "new" / "folder", 5_000_000)
    with pytest.raises(GreystepError, match=r"folder: 6 MB are needed and 5 MB are free; free the disk"):
        check_room(tmp_path / "new" / "folder", 6_000_000)
    assert asked == [tmp_path.resolve()] * 2


def needed(form: str, monkeypatch: pytest.MonkeyPatch, dng: bool = True, whole: Any = None, lost: str = "") -> int:
    """Two frames of one body, of 1000 bytes and 10 by 20 pixels each, and one of another."""

    def opened(source: Any) -> Any:
        if source.name == lost:
            raise FrameError("lost")
        return SimpleNamespace(height=10, width=20, whole=whole)

    monkeypatch.setattr(render, "read_dng", lambda source: object() if dng else None)
    monkeypatch.setattr(render, "open_frame", opened)
    jobs: list[Any] = [
        SimpleNamespace(
            frame=name, body=body, source=SimpleNamespace(name=name, stat=lambda: SimpleNamespace(st_size=1000))
        )
        for name, body in (("a", "X"), ("b", "X"), ("c", "Y"))
    ]
    return render._needed(jobs, form) - (3 - bool(lost)) * render._OVERHEAD


def test_how_many_bytes_files_take(monkeypatch: pytest.MonkeyPatch) -> None:
    assert needed("dng", monkeypatch) == 3000
    image = int(200 * render._PIXEL_BYTES)
    assert needed("tiff", monkeypatch) == 3 * image
    assert needed("exr", monkeypatch) == 3 * image + render._WORKERS * (image + render._OVERHEAD)
    mosaic: Any = np.zeros((11, 22))
    assert needed("dng", monkeypatch, dng=False, whole=mosaic) == 3 * int(242 * render._MOSAIC_BYTES)
    assert needed("dng", monkeypatch, dng=False) == 3 * image, "in planes"
    assert needed("tiff", monkeypatch, lost="c") == 2 * image
    assert render._needed([], "exr") == 0
