"""How rendered files are measured again, and plates added: from counts and files that are written down."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.correct import check, plates
from greystep.correct.images import Origin
from greystep.correct.overlap import Overlap
from greystep.correct.plates import Plate, add_plates
from greystep.correct.render import Developed
from greystep.errors import FrameError, GreystepError
from greystep.raw.blocks import Blocks
from greystep.raw.exposure import Exposure
from greystep.raw.frame import Mosaic

GAINS, NEUTRAL = np.array([1.25, 1.0, 0.8]), np.array([0.5, 1.0, 0.6])
DEVELOPED = np.array([[1.8, -0.5, 0.1], [-0.2, 1.4, -0.2], [0.05, -0.4, 2.0]])


def job(name: str = "f", stops: float = 1.0, **more: Any) -> Any:
    usual = {
        "frame": f"{name}.dng", "body": "One", "source": Path(f"raw/{name}.dng"), "target": Path(f"out/{name}_c.dng"),
        "gains": GAINS, "neutral": NEUTRAL, "stops": stops, "developed": DEVELOPED, "mark": f"mark of {name}",
    }  # fmt: skip
    return SimpleNamespace(**usual | more)


@pytest.fixture
def files(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A raw frame of 100 by 200 px, range 8000, and what was made of it, whose patch has a mean of its own."""
    state = SimpleNamespace(mean=(4000.0, 5000.0, 3000.0), exposure={"raw": 0.5, "out": 1.5}, regions=[])
    raw = SimpleNamespace(name="raw", height=100, width=200, pattern=np.zeros((2, 2)), white="raw white", colour=None)
    copy = SimpleNamespace(name="copy", white="copy white", colour=SimpleNamespace(as_shot_neutral=(0.4, 1.0, 0.75)))
    monkeypatch.setattr(check, "open_frame", lambda path: raw if path.parent.name == "raw" else copy)
    monkeypatch.setattr(check, "usable_range", lambda frame: 8000.0 if frame is raw else None)
    monkeypatch.setattr(
        check, "read_exposure", lambda path: Exposure(orientation=6 if path.parent.name == "raw" else 1)
    )

    def region(frame: Any, *box: int) -> tuple[str, tuple[int, ...]]:
        return frame.name, box

    def measured(part: Any, white: Any) -> SimpleNamespace:
        state.regions.append((part, white))
        return SimpleNamespace(mean=state.mean)

    monkeypatch.setattr(check, "read_region", region)
    monkeypatch.setattr(check, "measure_patch", measured)
    monkeypatch.setattr(Path, "read_bytes", lambda path: path.parent.name.encode())
    monkeypatch.setattr(check, "baseline_exposure", lambda name, data: state.exposure[data.decode()])
    return state


READING: Any = SimpleNamespace(
    patch_x0=0.1, patch_y0=0.2, patch_x1=0.3, patch_y1=0.6, signal_r=1600.0, signal_g=4000.0, signal_b=2400.0
)


def test_a_copy_is_measured_where_its_frame_was_and_read_as_a_converter_reads_it(files: SimpleNamespace) -> None:
    """Its counts over the neutral that it carries and two to its added exposure, times the reference's neutral."""
    seen, camera, wanted = check._patch(job(), READING, None, "dng")
    assert seen == pytest.approx([0.2, 0.5, 0.3])
    assert camera == pytest.approx([0.5 * 0.5 / 0.4 * 2.0, 0.625 * 2.0, 0.375 * 0.6 / 0.75 * 2.0])
    assert wanted == pytest.approx([0.25 * 2.0, 0.5 * 2.0, 0.24 * 2.0])
    assert files.regions == [(("copy", (20, 60, 20, 60)), "copy white")]
    *_, held = check._patch(job(), READING, 6000.0, "dng")
    assert held == pytest.approx(np.array([0.25, 0.5, 0.24]) * 0.75 / 0.5), "to the brightness that it is held against"


def test_an_image_is_measured_where_its_frame_was_and_brought_back_to_the_camera(
    files: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = np.arange(100.0 * 200.0 * 3.0, dtype=np.float32).reshape(100, 200, 3)
    monkeypatch.setattr(check, "read_image", lambda path, turned: (image, 500.0) if turned == 6 else None)
    files.mean = (100.0, 200.0, 300.0)
    seen, camera, wanted = check._patch(job(stops=0.0), READING, None, "tiff")
    assert (seen, wanted) == (pytest.approx([0.2, 0.5, 0.3]), pytest.approx([0.25, 0.5, 0.24]))
    assert DEVELOPED @ camera == pytest.approx([0.2, 0.4, 0.6])
    ((mosaic, white),) = files.regions
    assert (mosaic.values == image[20:60, 20:60]).all()
    assert white == (500.0,) * 4
    assert not mosaic.black.any()
    assert (mosaic.colours == -1).all()
    assert mosaic.colours.shape == (40, 40)


def shared(monkeypatch: pytest.MonkeyPatch, raw: Any, image: Any = None) -> None:
    """The ratio of raw frames, and of images, of f against its hub."""
    monkeypatch.setattr(check, "read_blocks", lambda path: ("raw", path.stem))
    monkeypatch.setattr(check, "_image_blocks", lambda one: ("image", one.source.stem))

    def compare(hub: Any, frame: Any) -> Overlap:
        assert (hub[1], frame[1], hub[0]) == ("hub", "f", frame[0])
        return Overlap(np.array(raw if hub[0] == "raw" else image), np.eye(3), 9.0, 90.0, "", "")

    monkeypatch.setattr(check, "compare", compare)


@pytest.mark.usefixtures("files")
def test_a_copy_that_shares_with_its_hub_differs_by_what_both_carry(monkeypatch: pytest.MonkeyPatch) -> None:
    shared(monkeypatch, [0.8, 0.9, 1.2])
    carried = {"f": np.array([0.4, 1.0, 0.75]), "hub": np.array([0.5, 1.0, 0.5])}
    monkeypatch.setattr(check, "_neutral", lambda one: tuple(carried[one.source.stem]))
    monkeypatch.setattr(check, "_added_exposure", lambda one: {"f": 1.0, "hub": 3.0}[one.source.stem])
    found = check._overlap(job(), job("hub", neutral=np.array([0.6, 1.0, 0.5])), "dng")
    assert found is not None
    before, after, wanted = found
    assert before == pytest.approx(NEUTRAL * [0.8, 0.9, 1.2])
    gains = (NEUTRAL / carried["f"] * 2.0, np.array([0.6, 1.0, 0.5]) / carried["hub"] * 8.0)
    assert after == pytest.approx(before * gains[0] / gains[1])
    assert wanted is NEUTRAL


@pytest.mark.usefixtures("files")
def test_an_image_that_shares_with_its_hub_differs_by_their_own_ratio(monkeypatch: pytest.MonkeyPatch) -> None:
    shared(monkeypatch, [0.8, 0.9, 1.2], [1.1, 1.0, 0.9])
    found = check._overlap(job(), job("hub"), "tiff")
    assert found is not None
    assert found[0] == pytest.approx(NEUTRAL * [0.8, 0.9, 1.2])
    assert DEVELOPED @ found[1] == pytest.approx((DEVELOPED @ NEUTRAL) * [1.1, 1.0, 0.9])
    for raw, image in (([np.nan] * 3, [1.0] * 3), ([1.0] * 3, [np.nan] * 3)):
        shared(monkeypatch, raw, image)
        assert check._overlap(job(), job("hub"), "tiff") is None, "they share too little"


def test_the_exposure_that_a_copy_adds_is_its_own_less_its_frames(files: SimpleNamespace) -> None:
    assert check._added_exposure(job()) == 1.0
    files.exposure = {"raw": 0.75, "out": 0.25}
    assert check._added_exposure(job()) == -0.5


@pytest.mark.usefixtures("files")
def test_an_image_is_thinned_as_its_frame_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of 4 px in bands of three rows of them; what is left over at the right and below is no block."""
    image = np.random.default_rng(1).uniform(0.0, 1000.0, (30, 43, 3)).astype(np.float32)
    monkeypatch.setattr(check, "read_image", lambda path, turned: (image, 1000.0) if turned == 6 else None)
    monkeypatch.setattr(check, "block_side", lambda height, width, pattern: 4 if (height, width) == (30, 43) else None)
    monkeypatch.setattr(check, "BAND", 3)
    taken: list[Mosaic] = []

    def thin(bands: Any, white: Any, side: int, pattern: Any) -> Blocks:
        taken.extend(bands)
        assert (white, side, pattern.tolist()) == ((1.0,) * 4, 4, [[-1]])
        return Blocks(np.zeros((7, 10, 3)), np.zeros((7, 10), dtype=bool), 30, 43, 4)

    monkeypatch.setattr(check, "thin", thin)
    check._image_blocks(job())
    assert [band.values.shape for band in taken] == [(12, 40, 3), (12, 40, 3), (4, 40, 3)]
    assert np.concatenate([band.values for band in taken]) == pytest.approx(image[:28, :40] / 1000.0)


# --- all files of a folder --------------------------------------------------------------------------------------------


def all_checked(monkeypatch: pytest.MonkeyPatch, finished: str, there: str, stops: Any = 0.0) -> Any:
    """Check frames a, b and c rendered as TIFF and DNG: those that are finished, and those that the record knows."""
    monkeypatch.setattr(check, "read_record", lambda folder: {f"out/{name}_c.dng": None for name in there})
    monkeypatch.setattr(check, "SUFFIXES", {"dng": "", "tiff": ""})
    monkeypatch.setattr(check, "below", lambda path, folder: path.as_posix())
    monkeypatch.setattr(check, "jobs_of", lambda *words: [job(name, form=words[3]) for name in "abc"])
    monkeypatch.setattr(
        check, "is_finished", lambda one, folder, record: one.source.stem in finished and one.form == "tiff"
    )
    rows: list[Any] = []

    def measured(
        ingested: Any, corrections: Any, jobs: Any, form: str, matched: bool, messages: list[str]
    ) -> list[Any]:
        rows.append((sorted(jobs), form, matched))
        messages.append("c.tif: cannot be read back")
        return [
            check.CheckRow(name, "A", "1/1", "patch", name, "patch" * (name != "c.dng"), *[0.0] * 13) for name in jobs
        ]

    monkeypatch.setattr(check, "_checked", measured)
    table = pd.DataFrame({"exposure_stops": [np.nan, stops, 0.0]})
    given: Any = SimpleNamespace(table=table)
    session: Any = None
    return check.check(session, given, Path("out")), rows


def test_what_is_finished_is_measured_and_the_rest_told(monkeypatch: pytest.MonkeyPatch) -> None:
    found, rows = all_checked(monkeypatch, "ac", "ac")
    assert rows == [(["a.dng", "c.dng"], "tiff", False)]
    assert found.table["frame"].tolist() == ["a.dng", "c.dng"]
    assert found.brightness_matched is False
    assert found.messages == (
        "c.tif: cannot be read back",
        "2 files were rendered with other corrections or have changed; they are not measured",
        "1 files show no light that could be measured again; they were corrected without it",
    )
    found, rows = all_checked(monkeypatch, "a", "", stops=-0.5)
    assert rows == [(["a.dng"], "tiff", True)]
    assert (found.brightness_matched, len(found.messages)) == (True, 2)
    with pytest.raises(GreystepError, match=r"^out: nothing rendered; run greystep render first"):
        all_checked(monkeypatch, "", "")
    with pytest.raises(GreystepError, match=r"^2 files in out/rendered\.json are of other corrections; run"):
        all_checked(monkeypatch, "", "b")


# --- plates -----------------------------------------------------------------------------------------------------------


def test_plates_become_one_image_with_all_their_names(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    written: dict[str, Any] = {}
    sizes = {"a.dng": (4, 3), "b.dng": (4, 3), "wide.dng": (4, 5), "turned.dng": (4, 3)}
    jobs = [job(Path(name).stem) for name in sizes]
    level = {"a.dng": 1.0, "b.dng": 10.0, "wide.dng": 0.0, "turned.dng": 0.0}

    def developed(one: Any) -> Developed:
        height, width = sizes[one.frame]
        return Developed(height, width, iter([(0, np.full((height, width, 3), level[one.frame], np.float32))]))

    def origin_of(one: Any) -> Origin:
        return Origin(one.frame, Exposure(orientation=6 if one.frame == "turned.dng" else 1), "lin_rec709", "Rec. 709")

    def write(path: Path, total: Developed, of: Origin, enter: Any) -> float:
        written.update(
            path=path, bands=list(total.bands), size=(total.height, total.width), frame=of.frame, enter=enter
        )
        return 0.25

    monkeypatch.setattr(plates, "check_place", lambda *_: None)
    monkeypatch.setattr(plates, "check_target", lambda path: written.update(checked=path))
    session: Any = SimpleNamespace(settings=None)
    corrections: Any = SimpleNamespace(matrices={})
    asked = (session, corrections, tmp_path, "tiff")
    monkeypatch.setattr(plates, "jobs_of", lambda *given: jobs if given == asked else [])
    monkeypatch.setattr(plates, "developed_frame", developed)
    monkeypatch.setattr(plates, "origin_of", origin_of)
    monkeypatch.setattr(plates, "check_room", lambda folder, needed: written.update(room=needed))
    monkeypatch.setattr(plates, "run_of", lambda files: written.update(files=files) or "the run")
    monkeypatch.setattr(plates, "announced", lambda *words: words)
    monkeypatch.setattr(plates, "write_image", write)
    monkeypatch.setattr(plates, "settle", lambda folder: written.update(settled=folder))

    def add(*named: tuple[str, float], force: bool = False) -> tuple[Path, tuple[str, ...]]:
        return add_plates(session, corrections, [Plate(*one) for one in named], tmp_path, "tiff", force)

    path, messages = add(("a.dng", 0.5), ("b.dng", 2.0), ("a.dng", 1.0))
    assert path == written["path"] == tmp_path / "sum.tif"
    assert written["checked"] == path, "it must be no raw frame by another name"
    ((top, band),) = written["bands"]
    assert (top, band.tolist()) == (0, np.full((4, 3, 3), 21.5).tolist())
    assert (written["size"], written["frame"]) == ((4, 3), "a.dng + b.dng + a.dng")
    assert written["files"] == {"sum.tif": b"mark of a 0.5\nmark of b 2.0\nmark of a 1.0"}
    assert written["enter"] == (path, tmp_path, "a.dng + b.dng + a.dng", "", "the run", False)
    assert (written["room"], written["settled"]) == (4 * 3 * 12, tmp_path)
    assert len(messages) == 1
    assert messages[0].startswith("1 of 1 files: up to 25.0 %")
    with pytest.raises(GreystepError, match=r"^wide\.dng: 5 x 4 px, orientation 1, and a\.dng 3 x 4 px, orientation 1"):
        add(("a.dng", 1.0), ("wide.dng", 1.0))
    with pytest.raises(GreystepError, match=r"^turned\.dng: 3 x 4 px, orientation 6"):
        add(("a.dng", 1.0), ("turned.dng", 1.0))
    (tmp_path / "sum.tif").write_bytes(b"somebody's")
    with pytest.raises(GreystepError, match=r"sum\.tif: is not as greystep render left it"):
        add_plates(session, corrections, [Plate("a.dng", 1.0)], tmp_path, "tiff")
    assert add(("b.dng", 1.0), force=True)[0] == path
    assert written["enter"][-1] is True


def test_a_frame_whose_file_cannot_be_read_is_no_plate(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def gone(one: Any) -> Developed:
        raise FrameError(f"{one.frame}: cannot be read")

    monkeypatch.setattr(plates, "check_place", lambda *_: None)
    monkeypatch.setattr(plates, "jobs_of", lambda *_: [job("a")])
    monkeypatch.setattr(plates, "developed_frame", gone)
    session: Any = SimpleNamespace(settings=None)
    with pytest.raises(FrameError, match=r"a\.dng: cannot be read"):
        add_plates(session, session, [Plate("a.dng", 1.0)], tmp_path, "exr")
