"""Linear images as files and back: 16-bit TIFF and half-float OpenEXR, with what the camera recorded."""

import io
import struct
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep import __version__
from greystep.arrays import Floats
from greystep.dng_writer import exif_time
from greystep.errors import FrameError, GreystepError
from greystep.files import BeforeLanding, write_bytes
from greystep.measure import chromaticity
from greystep.raw.exposure import Exposure, quiet

#: Tags of text that a raw file in a TIFF may hold and that are its owner's: description, artist, copyright.
_DESCRIPTION, _ARTIST, _COPYRIGHT = 270, 315, 33432
#: Bytes of an ICC profile before its table of tags.
_ICC_HEADER: Final = 128
#: Orientation (EXIF) -> (quarter turns to the left, then mirrored left to right) that make the picture upright; 1 is.
_TURNS: Final = {
    2: (0, True),
    3: (2, False),
    4: (2, True),
    5: (3, True),
    6: (3, False),
    7: (1, True),
    8: (1, False),
}


@dataclass(frozen=True)
class Origin:
    """Where an image comes from: what its raw file recorded, and the space of its numbers.

    Attributes:
        frame: Name of the raw file.
        space, space_name: Linear working space, for programs and for people.
        texts: Description, artist and copyright by their TIFF tags, where the raw file has them.
    """

    frame: str
    exposure: Exposure
    space: str
    space_name: str
    texts: Mapping[int, str] = field(default_factory=dict)


def linear_profile(space: str, name: str) -> bytes:
    """Return the ICC profile (version 4) of a linear working space: its primaries, adapted to D50, and no curve.

    Args:
        space: Of `greystep.measure.chromaticity.SPACES`.
    """
    corners = np.insert(_corners(space), 2, 1.0, axis=1)  # x, y and Y = 1
    primaries, white = corners[:3].ravel().tolist(), corners[3].tolist()
    profile = bytes(imagecodecs.cms_profile("rgb", whitepoint=white, primaries=primaries, gamma=1.0))
    # The library names every profile alike and writes the time: the space's own name goes behind as the description
    # (multiLocalizedUnicodeType, ICC.1:2010 10.15, from memory), and a fixed date makes equal spaces equal bytes.
    text = name.encode("utf-16-be")
    described = b"mluc" + struct.pack(">III2s2sII", 0, 1, 12, b"en", b"US", len(text), 28) + text
    described += bytes(-len(described) % 4)
    changed = bytearray(profile + described)
    struct.pack_into(">II", changed, profile.index(b"desc", _ICC_HEADER) + 4, len(profile), 28 + len(text))
    struct.pack_into(">I", changed, 0, len(changed))
    struct.pack_into(">6H", changed, 24, 2020, 1, 1, 0, 0, 0)
    return bytes(changed)


def owner_texts(path: Path) -> dict[int, str]:
    """Return description, artist and copyright of a raw file that is a TIFF by its structure; else nothing."""
    quiet("tifffile")
    try:
        with tifffile.TiffFile(path) as tif:
            tags = tif.pages.first.tags
            found = {code: tags.valueof(code) for code in (_DESCRIPTION, _ARTIST, _COPYRIGHT)}
    except Exception:  # a parser of foreign files; a missing line of text never stops an image
        return {}
    return {code: text.strip("\0 ") for code, text in found.items() if isinstance(text, str) and text.strip("\0 ")}


def write_tiff(path: Path, image: NDArray[np.uint16], origin: Origin, before: BeforeLanding | None = None) -> None:
    """Write a 16-bit TIFF, uncompressed, pixels as stored with the orientation beside them, and the space's profile.

    Exposure data stand in the first directory, as TIFF/EP (ISO 12234-2) has them.

    Args:
        image: Array uint16 (h, w, 3). 65535 is 1.
        before: See `greystep.files.write_bytes`.

    Raises:
        GreystepError: If it cannot be written.
    """
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream, byteorder="<") as writer:
        writer.write(
            image,
            photometric="rgb",
            metadata=None,
            software=f"greystep {__version__}",
            iccprofile=linear_profile(origin.space, origin.space_name),
            extratags=_tiff_tags(origin),
        )
    write_bytes(path, stream.getvalue(), before)


def write_exr(path: Path, image: NDArray[np.float16], origin: Origin, before: BeforeLanding | None = None) -> None:
    """Write a half-float OpenEXR (ZIP), turned upright because the format knows no orientation.

    Args:
        image: Array float16 (h, w, 3). Pixels as stored in the raw file.
        before: See `greystep.files.write_bytes`.

    Raises:
        GreystepError: If it cannot be written, or the OpenEXR package is missing.
    """
    library = exr_library()
    if any("\ud800" <= sign <= "\udfff" for sign in str(path)):  # bytes that are no UTF-8, which the library asks for
        raise GreystepError(f"{path}: an EXR file needs a path in UTF-8; give another folder with --out")
    header = {"compression": library.ZIP_COMPRESSION, "type": library.scanlineimage, **_exr_attributes(origin)}
    upright = np.ascontiguousarray(turned(image, origin.exposure.orientation))
    try:
        # The library writes by name only, and where the disk is full leaves a part: so under another name first.
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name}.", suffix=".part") as folder:
            part = Path(folder) / "part.exr"
            with library.File(header, {"RGB": upright}) as file:
                file.write(str(part))
            data = part.read_bytes()
    except (OSError, RuntimeError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).strip().rstrip(".")
        raise GreystepError(
            f"{path}: cannot be written ({reason}); free the disk or give a folder that can be written with --out"
        ) from error
    write_bytes(path, data, before)


def read_image(path: Path, orientation: int) -> tuple[NDArray[Any], float]:
    """Read back what `write_tiff` or `write_exr` wrote.

    Args:
        orientation: EXIF orientation of the raw file.

    Returns:
        image: array (h, w, 3). As in the file, pixels as stored in the raw file.
        white: What stands for 1.

    Raises:
        FrameError: If it cannot be read.
    """
    try:
        if path.suffix == ".exr":
            with exr_library().File(str(path)) as file:
                return turned_back(np.asarray(file.channels()["RGB"].pixels), orientation), 1.0
        return np.asarray(tifffile.imread(path)), 65535.0
    except (OSError, RuntimeError, ValueError, KeyError, tifffile.TiffFileError) as error:
        raise FrameError(f"{path}: cannot be read back ({error}); render it again") from error


def exr_library() -> ModuleType:
    """Open the door to OpenEXR, which is installed only where it is wanted.

    Raises:
        GreystepError: If it is missing.
    """
    try:
        import OpenEXR
    except ImportError as error:
        raise GreystepError(
            "OpenEXR files need the package OpenEXR, which is not installed; install greystep with its extra: "
            "pip install 'greystep[exr]', or use --as tiff"
        ) from error
    return OpenEXR  # type: ignore[no-any-return]


def turned(image: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return an image (h, w, ...) as it is to be looked at, from its EXIF orientation."""
    quarters, mirrored = _TURNS.get(orientation, (0, False))
    upright = np.rot90(image, quarters)
    return upright[:, ::-1] if mirrored else upright


def turned_back(image: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Undo `turned`."""
    quarters, mirrored = _TURNS.get(orientation, (0, False))
    return np.rot90(image[:, ::-1] if mirrored else image, -quarters)


def _corners(space: str) -> Floats:
    """Return CIE 1931 xy (4, 2) of red, green, blue and white of a working space."""
    from_xyz, white = chromaticity.working_space(space)
    return chromaticity.xyz_to_xy([*np.linalg.inv(from_xyz).T, white])


def _tiff_tags(origin: Origin) -> list[tuple[int, str, int, Any, bool]]:
    exposure = origin.exposure
    captured, fraction = exif_time(exposure.captured)
    texts = {
        **origin.texts,
        269: origin.frame,  # DocumentName
        271: exposure.make,
        272: exposure.model,
        306: captured,  # DateTime
        36867: captured,  # DateTimeOriginal
        37521: fraction,  # SubSecTimeOriginal
        42033: exposure.serial,  # BodySerialNumber
        42036: exposure.lens,  # LensModel
    }
    ratios = {33434: exposure.exposure_s, 33437: exposure.f_number, 37386: exposure.focal_mm}
    tags: list[tuple[int, str, int, Any, bool]] = [(274, "H", 1, exposure.orientation, True)]
    tags += [(code, "s", 0, text.encode("utf-8", "backslashreplace"), True) for code, text in texts.items() if text]
    for code, value in ratios.items():
        if value is not None:
            ratio = Fraction(value).limit_denominator(1_000_000)
            tags.append((code, "2I", 1, (ratio.numerator, ratio.denominator), True))
    if exposure.iso is not None:
        tags.append((34855, "H", 1, min(round(exposure.iso), 65535), True))
    return sorted(tags)


def _exr_attributes(origin: Origin) -> dict[str, Any]:
    exposure = origin.exposure
    corners = _corners(origin.space)
    captured, _ = exif_time(exposure.captured)
    values = {
        "cameraMake": exposure.make,
        "cameraModel": exposure.model,
        "cameraSerialNumber": exposure.serial,
        "lensModel": exposure.lens,
        "capDate": captured,
        "expTime": exposure.exposure_s,
        "aperture": exposure.f_number,
        "isoSpeed": exposure.iso,
        "nominalFocalLength": exposure.focal_mm,
        "owner": origin.texts.get(_COPYRIGHT) or origin.texts.get(_ARTIST),
        "comments": origin.texts.get(_DESCRIPTION),
        "imageName": origin.frame,
    }
    return {
        "chromaticities": tuple(float(value) for value in corners.ravel()),
        "adoptedNeutral": corners[3].astype(np.float32),
        "software": f"greystep {__version__}",
        **{name: value for name, value in values.items() if value},
    }
