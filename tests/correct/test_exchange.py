"""Exchange files against OpenColorIO, which reads each back and applies it to pixels."""

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import PyOpenColorIO
import pytest

from greystep.correct.developed import developed_correction, developed_matrix
from greystep.correct.exchange import cdl_collection, clf_file, corrections_document, frame_ids, write_corrections
from greystep.correct.gains import COLUMNS, Corrections
from greystep.correct.references import Reference
from greystep.session.ingest import Body

BODY = "Invented One 001"
MATRIX = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])
NEUTRAL = (0.52, 1.0, 0.71)
#: frame -> gains and stops; the third has no correction.
GAINS = {
    "a.dng": ((1.0, 1.0, 1.0), 0.0),
    "left/b & c.dng": ((1.031, 1.0, 0.962), 0.25),
    "12.dng": ((0.97, 1.0, 1.044), -0.1),
}


def corrections(space: str = "lin_rec709", more: tuple[str, ...] = ("gone.dng",)) -> Corrections:
    body = Body(
        label=BODY, matrix=MATRIX, target_factor=np.ones(3), tags=None, colour_from="dng", target=None,
        reference_neutral=None, anchored=False,
    )  # fmt: skip
    developed = developed_matrix(body, np.array(NEUTRAL), space)
    rows, matrices, slopes = [], {}, {}
    for frame, (gains, stops) in GAINS.items():
        matrices[frame], slopes[frame], residual = developed_correction(
            developed, np.array(gains), stops, np.array(NEUTRAL), space
        )
        given = {"frame": frame, "gain_r": gains[0], "gain_g": 1.0, "gain_b": gains[2], "exposure_stops": stops}
        rows.append(dict.fromkeys(COLUMNS, np.nan) | given | {"residual_steps": residual, "status": "ok"})
    rows += [dict.fromkeys(COLUMNS, np.nan) | {"frame": name, "status": "rejected"} for name in more]
    reference = Reference("A <warm>@1/1", NEUTRAL, 8000.0, 178.0, 0.001, 0.1)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return Corrections(table, matrices, slopes, {BODY: developed}, {BODY: reference}, space, ())


def applied(transform: PyOpenColorIO.Transform, pixels: np.ndarray) -> np.ndarray:
    """Apply a transform to float pixels (n, 3) as other software does, without the fast approximations."""
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
    cpu = processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    out = np.ascontiguousarray(pixels, np.float32)
    cpu.applyRGB(out)
    return out


PIXELS = np.random.default_rng(3).uniform(0.0, 4.0, (64, 3))


@pytest.mark.parametrize("space", ["lin_rec709", "lin_rec2020", "lin_ap0", "lin_ap1"])
def test_each_clf_is_the_exact_matrix(tmp_path: Path, space: str) -> None:
    found = corrections(space)
    write_corrections(found, "a job", tmp_path)
    for frame, name in (("a.dng", "a"), ("left/b & c.dng", "b & c"), ("12.dng", "12")):
        pixels = applied(PyOpenColorIO.FileTransform(str(tmp_path / "clf" / f"{name}.clf")), PIXELS)
        assert pixels == pytest.approx(PIXELS @ found.matrices[frame].T, rel=2e-6, abs=2e-6)


@pytest.mark.parametrize("space", ["lin_rec709", "lin_ap1"])
def test_each_colour_correction_is_the_slopes(tmp_path: Path, space: str) -> None:
    found = corrections(space)
    write_corrections(found, "a job", tmp_path)
    path = str(tmp_path / "corrections.ccc")
    for frame, name in (("a.dng", "a"), ("left/b & c.dng", "b & c"), ("12.dng", "12")):
        by_file = applied(PyOpenColorIO.FileTransform(path, cccId=name), PIXELS)
        by_object = applied(PyOpenColorIO.CDLTransform.CreateFromFile(path, name), PIXELS)
        assert by_file == pytest.approx(PIXELS * found.slopes[frame], rel=2e-6)
        assert by_object == pytest.approx(PIXELS * found.slopes[frame], rel=2e-6)


def test_the_frames_neutral_becomes_neutral_through_either_file(tmp_path: Path) -> None:
    """A grey card in the developed frame, sent through its file, is as grey and bright as the reference."""
    found = corrections()
    write_corrections(found, "a job", tmp_path)
    frame, (gains, stops) = "left/b & c.dng", GAINS["left/b & c.dng"]
    card = found.developed[BODY] @ (np.array(NEUTRAL) / gains) / 2.0**stops
    for transform in (
        PyOpenColorIO.FileTransform(str(tmp_path / "clf" / "b & c.clf")),
        PyOpenColorIO.FileTransform(str(tmp_path / "corrections.ccc"), cccId="b & c"),
    ):
        assert applied(transform, card[None])[0] == pytest.approx(np.ones(3), abs=3e-6)
    assert abs(card[0] / card[2] - 1) > 0.05, frame


def test_roots_carry_what_the_standards_ask_for() -> None:
    root = ElementTree.fromstring(clf_file(corrections(), "12.dng"))
    assert root.tag == "{http://www.smpte-ra.org/ns/2136-1/2024}ProcessList"
    assert root.attrib["compCLFversion"] == "3.0"
    assert root.attrib["id"].startswith("urn:uuid:")
    node = root.find("{*}Matrix")
    assert node is not None
    assert node.attrib == {"inBitDepth": "32f", "outBitDepth": "32f"}
    collection = ElementTree.fromstring(cdl_collection(corrections()))
    assert collection.tag == "{urn:ASC:CDL:v1.2}ColorCorrectionCollection"
    assert [one.attrib["id"] for one in collection.findall("{*}ColorCorrection")] == ["a", "b & c", "12"]


def test_what_is_written_in_the_files() -> None:
    """Letters of any script as they are, in UTF-8; what each frame is brought to, with its stops if there are any."""
    found = replace(corrections(), references={BODY: Reference("Gr\u00e5 \u6807", NEUTRAL, 8000.0, 178.0, 0.001, 0.1)})
    for text in (clf_file(found, "12.dng"), cdl_collection(found)):
        assert text.startswith(b"<?xml version='1.0' encoding='UTF-8'?>\n<")
        assert "Gr\u00e5 \u6807".encode() in text
        assert text.endswith(b">\n")
    root = ElementTree.fromstring(clf_file(found, "left/b & c.dng"))
    assert root.attrib["name"] == "b & c"
    said = [root.findtext(f"{{*}}{name}") for name in ("Description", "InputDescriptor", "OutputDescriptor")]
    assert said[0] == "left/b & c.dng to Gr\u00e5 \u6807, +0.250 stop"
    assert said[1] == said[2] is not None
    assert str(said[1]).endswith(", scene-linear")
    collection = ElementTree.fromstring(cdl_collection(found))
    assert collection.findtext("{*}InputDescription") == said[1]
    (first, *_) = collection.findall("{*}ColorCorrection")
    assert first.findtext("{*}Description") == "a.dng to Gr\u00e5 \u6807"
    numbers = [first.findtext(f".//{{*}}{name}") for name in ("Slope", "Offset", "Power", "Saturation")]
    assert numbers == [" ".join(repr(float(one)) for one in found.slopes["a.dng"]), "0 0 0", "1 1 1", "1"]


def test_the_same_correction_gives_the_same_bytes_and_another_another_id() -> None:
    assert clf_file(corrections(), "12.dng") == clf_file(corrections(), "12.dng")
    ids = {ElementTree.fromstring(clf_file(corrections(), name)).attrib["id"] for name in GAINS}
    ids |= {ElementTree.fromstring(clf_file(corrections("lin_ap0"), name)).attrib["id"] for name in GAINS}
    assert len(ids) == 2 * len(GAINS)


@pytest.mark.parametrize(
    ("frames", "ids"),
    [
        (["a.dng", "b.dng"], ["a", "b"]),
        (["k1/a.dng", "k2/a.dng", "b.dng"], ["k1_a.dng", "k2_a.dng", "b"]),
        (["A.dng", "a.dng"], ["A.dng", "a.dng_"]),
        (["a.dng", "A.dng"], ["a.dng", "A.dng_"]),
        (["k/a.dng", "a.nef"], ["k_a.dng", "a.nef"]),
        (["a.b.dng"], ["a.b"]),
    ],
)
def test_ids_are_stems_and_never_one_id_twice(frames: list[str], ids: list[str]) -> None:
    assert list(frame_ids(frames).values()) == ids


def test_the_document_has_the_matrix_and_the_slopes_of_each_frame_and_a_page_the_name_of_the_run(
    tmp_path: Path,
) -> None:
    found = corrections()
    document = corrections_document(found, "a job")
    assert [row["frame"] for row in document["corrections"]] == found.table["frame"].tolist()
    for row in document["corrections"]:
        for name, by_frame in (("matrix", found.matrices), ("slopes", found.slopes)):
            if row["frame"] in by_frame:
                assert row[name] == pytest.approx(by_frame[row["frame"]])
            else:
                assert row[name] is None
    wrote = write_corrections(found, "a job", tmp_path, lambda run: f"<p>{run}</p>\n")
    assert "corrections.html" in [path.name for path in wrote]
    assert (tmp_path / "corrections.html").read_text("utf-8") == f"<p>{document['run']}</p>\n"


def test_a_frame_that_lost_its_correction_loses_its_file(tmp_path: Path) -> None:
    write_corrections(corrections(more=()), "a job", tmp_path)
    (tmp_path / "clf" / "gone.clf").write_text("of last week")
    (tmp_path / "clf" / "other.clf").write_text("not ours")
    wrote = write_corrections(corrections(), "a job", tmp_path)
    assert sorted(path.name for path in (tmp_path / "clf").iterdir()) == ["12.clf", "a.clf", "b & c.clf", "other.clf"]
    assert [path.name for path in wrote] == ["corrections.csv", "corrections.json", "corrections.ccc", "clf"]
