"""Corrections in files that other programs read: a table, JSON, an ASC CDL collection, one Common LUT file a frame."""

import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from greystep.arrays import Floats
from greystep.columns import CorrectionRow, rows_of
from greystep.correct.gains import Corrections
from greystep.documents import document_of, json_bytes, records, table_bytes, text_bytes
from greystep.generation import run_of, write_set
from greystep.words import visible

#: ASC CDL 1.2; readers ignore it, some writers put 1.01.
_CDL_NAMESPACE: Final = "urn:ASC:CDL:v1.2"
#: SMPTE ST 2136-1:2024, beside the version attribute of the Academy's Common LUT Format 3.0: readers want either.
_CLF_NAMESPACE: Final = "http://www.smpte-ra.org/ns/2136-1/2024"
_CLF_VERSION: Final = "3.0"
#: Names of the working spaces for people.
SPACE_NAMES: Final = {
    "lin_rec709": "linear Rec.709",
    "lin_rec2020": "linear Rec.2020",
    "lin_ap0": "ACES AP0, linear",
    "lin_ap1": "ACES AP1, linear",
}


def frame_ids(frames: Iterable[str]) -> dict[str, str]:
    """Return the name by which each frame goes in other files: its stem.

    Where two frames share a stem (letter case aside, for disks that do not tell it) it is the path below the frames
    folder with ``/`` as ``_``.
    """
    names = list(dict.fromkeys(frames))
    stems = Counter(Path(name).stem.casefold() for name in names)
    ids: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        stem = Path(name).stem
        found = stem if stems[stem.casefold()] == 1 else name.replace("/", "_")
        while found.casefold() in taken:
            found += "_"
        taken.add(found.casefold())
        ids[name] = found
    return ids


def corrections_document(corrections: Corrections, session_title: str) -> dict[str, Any]:
    """Return corrections.json as plain data.

    Args:
        corrections: What `greystep.correct.gains` found.
        session_title: Title of the corrected session.

    Returns: ``schema``, ``greystep``, ``session``, ``space``, ``references`` (one a camera body, with its A) and
        ``corrections``: the rows of corrections.csv with the matrix and the slopes of each frame, null where there is
        none; and ``run``, the name of the run, which follows from all of these.
    """
    rows = records(corrections.table)
    for row in rows:
        row["matrix"] = corrections.matrices.get(row["frame"])
        row["slopes"] = corrections.slopes.get(row["frame"])
    references = [
        {
            "body": body,
            "reference": reference.label,
            "neutral": reference.neutral,
            "mired": reference.mired,
            "duv": reference.duv,
            "u_mired": reference.u_mired,
            "camera_to_space": corrections.developed[body],
        }
        for body, reference in corrections.references.items()
    ]
    content = {
        "session": session_title,
        "space": corrections.space,
        "references": references,
        "corrections": rows,
    }
    content = document_of(content)
    return content | {"run": run_of({"corrections.json": json_bytes(content)})}


def cdl_collection(corrections: Corrections) -> bytes:
    """Return corrections.ccc: an ASC CDL collection, one ColorCorrection a frame, its id the frame's stem.

    The slopes are those of the working space: exact for neutrals, and for scene-linear images in that space alone.
    """
    root = ElementTree.Element("ColorCorrectionCollection", {"xmlns": _CDL_NAMESPACE})
    _text(root, "InputDescription", f"{SPACE_NAMES[corrections.space]}, scene-linear")
    ids = frame_ids(corrections.table["frame"])
    for frame, slopes in corrections.slopes.items():
        one = ElementTree.SubElement(root, "ColorCorrection", {"id": visible(ids[frame])})
        _text(one, "Description", _said(corrections, frame))
        sop = ElementTree.SubElement(one, "SOPNode")
        _text(sop, "Slope", _numbers(slopes))
        _text(sop, "Offset", "0 0 0")
        _text(sop, "Power", "1 1 1")
        _text(ElementTree.SubElement(one, "SatNode"), "Saturation", "1")
    return _xml(root)


def clf_file(corrections: Corrections, frame: str) -> bytes:
    """Return the Common LUT Format file of one frame: its exact 3x3 matrix, 32-bit float in and out."""
    matrix = corrections.matrices[frame]
    said = _said(corrections, frame)
    # The same correction keeps its id; another one gets another.
    known_as = uuid.uuid5(uuid.NAMESPACE_URL, f"{visible(said)} {_numbers(matrix.ravel())}").urn
    attributes = {
        "xmlns": _CLF_NAMESPACE,
        "id": known_as,
        "name": visible(Path(frame).stem),
        "compCLFversion": _CLF_VERSION,
    }
    root = ElementTree.Element("ProcessList", attributes)
    space = f"{SPACE_NAMES[corrections.space]}, scene-linear"
    _text(root, "Description", said)
    _text(root, "InputDescriptor", space)
    _text(root, "OutputDescriptor", space)
    node = ElementTree.SubElement(root, "Matrix", {"inBitDepth": "32f", "outBitDepth": "32f"})
    _text(node, "Array", "\n" + "".join(f"{_numbers(row)}\n" for row in matrix)).set("dim", "3 3")
    return _xml(root)


def write_corrections(
    corrections: Corrections, session_title: str, folder: Path, page: Callable[[str], str] | None = None
) -> list[Path]:
    """Write corrections.csv, .json, .ccc and clf/STEM.clf to `folder` as one generation.

    A clf file that an earlier run left for a frame that now has no correction is removed.

    Args:
        page: Gives corrections.html of a run by its name; without it none is written.

    Returns: What was written; the folder stands for the files in clf/.
    """
    document, ids = corrections_document(corrections, session_title), frame_ids(corrections.table["frame"])
    files = {"corrections.csv": table_bytes(corrections.table), "corrections.ccc": cdl_collection(corrections)}
    files |= {f"clf/{ids[frame]}.clf": clf_file(corrections, frame) for frame in ids if frame in corrections.matrices}
    files["corrections.json"] = json_bytes(document)
    kinds: tuple[str, ...] = ("csv", "json", "ccc")
    if page is not None:
        files["corrections.html"], kinds = text_bytes(".html", page(document["run"])), (*kinds, "html")
    gone = [f"clf/{name}.clf" for frame, name in ids.items() if frame not in corrections.matrices]
    write_set(folder, "corrections", document["run"], files, gone=gone)
    wrote = [folder / f"corrections.{kind}" for kind in kinds]
    return [*wrote, folder / "clf"] if corrections.matrices else wrote


def _said(corrections: Corrections, frame: str) -> str:
    """Say which frame is brought to what."""
    row = rows_of(corrections.table[corrections.table["frame"] == frame], CorrectionRow)[0]
    labels = list(dict.fromkeys(reference.label for reference in corrections.references.values()))
    stops = f", {row.exposure_stops:+.3f} stop" if row.exposure_stops else ""
    return f"{frame} to {' or '.join(labels)}{stops}"


def _numbers(values: Floats | Sequence[float]) -> str:
    return " ".join(repr(float(value)) for value in values)


def _text(parent: ElementTree.Element, name: str, text: str) -> ElementTree.Element:
    element = ElementTree.SubElement(parent, name)
    element.text = visible(text)
    return element


def _xml(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)) + b"\n"
