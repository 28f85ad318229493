"""What the camera wrote about a frame's exposure, and the exact thirds of a stop behind its markings."""

import io
import logging
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, Final

from greystep.constants import ISO_NOT_IN_TAG, MARKING_TOLERANCE_STOPS, DngTag
from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.raw.containers import Tags, blocks
from greystep.words import camera_name

#: exifread names the tags it has no name for by their number.
_DNG_SERIAL: Final = f"Image Tag 0x{DngTag.CAMERA_SERIAL_NUMBER:04X}"
_DNG_MODEL: Final = f"Image Tag 0x{DngTag.UNIQUE_CAMERA_MODEL:04X}"
#: Those of the sensitivity in an RW2, the second where the value is too large for the first (from memory).
_RW2_ISO: Final = ("Image Tag 0x0017", "Image Tag 0x0037")
#: Where a time stands, and its fraction.
_TIMES: Final = (
    ("DateTimeOriginal", "SubSecTimeOriginal"),
    ("DateTimeDigitized", "SubSecTimeDigitized"),
    ("DateTime", "SubSecTime"),
)
#: What every camera's file tells; of a file that has told it all nothing more is asked.
_TOLD_BY_ALL: Final = ("exposure_s", "f_number", "iso", "captured", "make", "model", "serial")
_QUIET: Final = logging.NullHandler()
_DATE: Final = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)")


@dataclass(frozen=True)
class Exposure:
    """One frame's settings as recorded; what is zero, missing or absurd is None or blank.

    Attributes:
        exposure_s: Shutter time [s].
        captured: ISO 8601 by the camera's clock, without zone, with the fraction that the file has; blank if unknown.
        focal_mm: Focal length [mm].
        orientation: EXIF orientation, 1 to 8; 1 if unknown.
    """

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    captured: str = ""
    make: str = ""
    model: str = ""
    serial: str = ""
    lens: str = ""
    focal_mm: float | None = None
    orientation: int = 1


def read_exposure(path: Path) -> Exposure:
    """Read a frame's exposure data from its EXIF; a format without any that can be read gives an empty `Exposure`.

    Returns: What the file tells.

    Raises:
        FrameError: Where the file itself cannot be read.
    """
    quiet("exifread")
    quiet("tifffile")
    try:
        with path.open("rb") as file:
            found = Exposure()
            for block in _blocks(file):
                found = filled_in(found, _exposure(block))
                if all(getattr(found, name) for name in _TOLD_BY_ALL):
                    break
            return found
    except OSError as error:
        reason = error.strerror or type(error).__name__
        gone = isinstance(error, FileNotFoundError) and not path.is_symlink()
        if path.is_symlink() and not path.exists():
            reason = "a link to a file that is not there"
        raise FrameError(
            f"{path.name}: cannot be read ({reason}); copy it from the card again",
            Flag.MISSING if gone else Flag.UNREADABLE,
        ) from error


def filled_in(recorded: Exposure, other: Exposure) -> Exposure:
    """Return exposure data with what is unknown in them taken from others, field by field.

    A time takes the fraction of the same second from the other.
    """
    unknown = Exposure()
    missing = [item.name for item in fields(Exposure) if getattr(recorded, item.name) == getattr(unknown, item.name)]
    captured = other.captured if other.captured.startswith(recorded.captured) else recorded.captured
    return replace(recorded, **{name: getattr(other, name) for name in missing} | {"captured": captured})


def body_label(exposure: Exposure) -> str:
    """Return make, model and serial as one label; blank where nothing is known."""
    return " ".join(part for part in (camera_name(exposure.make, exposure.model), exposure.serial) if part)


@lru_cache(maxsize=1024)  # frames of a session share a few
def nominal_f_number(f_number: float) -> float:
    """Return the exact f-number behind a marking: f/11 is 11.31, ``2 ** (k / 6)``.

    Source: third-stop series, Av = 2 log2 N (EXIF / APEX).
    """
    return math.exp2(_step(2.0 * math.log2(f_number)) / 2.0)


@lru_cache(maxsize=1024)
def nominal_time(exposure_s: float) -> float:
    """Return the exact time [s] behind a marking: 1/60 is 1/64, ``2 ** (-k / 3)``.

    Source: third-stop series, Tv = -log2 T (EXIF / APEX).
    """
    return math.exp2(_step(math.log2(exposure_s)))


@lru_cache(maxsize=1024)
def nominal_iso(iso: float) -> float:
    """Return the exact sensitivity behind a marking: ISO 640 is 635, ``100 * 2 ** (k / 3)``."""
    return 100.0 * math.exp2(_step(math.log2(iso / 100.0)))


def relative_exposure_stops(f_number: float, iso: float) -> float:
    """Return log2(N^2 / ISO) [stops] of the exact settings: what is added to a signal's log2 to take them out.

    The shutter time is not in it: a flash is shorter than the shutter.
    """
    return 2.0 * math.log2(nominal_f_number(f_number)) - math.log2(nominal_iso(iso))


def within(value: float | None, low: float, high: float) -> float | None:
    """Return the value if it is a number between the two limits, else None: zero and absurd values are unknown."""
    return value if value is not None and math.isfinite(value) and low <= value <= high else None


def is_moment(text: str) -> bool:
    """Say whether an ISO 8601 text is a time that a camera can have written; a clock at 1970 was never set."""
    try:
        return datetime.fromisoformat(text).year > 1970
    except ValueError:
        return False


def quiet(library: str) -> None:
    """Keep what a library logs about foreign files off the terminal."""
    logging.getLogger(library).addHandler(_QUIET)


def _step(stops: float) -> float:
    # Half-stop markings (f/6.7, 1/90) lie a sixth of a stop from any third; no third's marking is that far out.
    third = round(3.0 * stops) / 3.0
    return third if abs(stops - third) <= MARKING_TOLERANCE_STOPS else round(2.0 * stops) / 2.0


def _blocks(file: BinaryIO) -> list[Tags | BinaryIO]:
    """Return what holds exposure data, the best first: tags, or streams for exifread; the file itself if it is one."""
    try:
        found = blocks(file)
    except Exception:  # a damaged container; metadata never stops a measurement
        found = []
    return [io.BytesIO(block) if isinstance(block, bytes) else block for block in found]


def _exposure(block: Tags | BinaryIO) -> Exposure:
    tags = block if isinstance(block, Mapping) else _tags(block, details=False)
    serial = _text(tags, "EXIF BodySerialNumber", "Image BodySerialNumber", "Image CameraSerialNumber", _DNG_SERIAL)
    if tags and not serial and not isinstance(block, Mapping):
        # Older cameras write it in the maker's notes alone; without it two bodies of a model are one.
        serial = _text(_tags(block, details=True), "MakerNote SerialNumber", "MakerNote InternalSerialNumber")
    return Exposure(
        exposure_s=within(_number(tags, "EXIF ExposureTime", "Image ExposureTime"), 1e-6, 1e5),
        f_number=within(_number(tags, "EXIF FNumber", "Image FNumber"), 0.5, 256.0),
        iso=_iso(tags),
        captured=_captured(tags),
        make=_text(tags, "Image Make"),
        model=_text(tags, "Image Model", "Image UniqueCameraModel", _DNG_MODEL),
        serial=serial,
        lens=_text(tags, "EXIF LensModel", "Image LensModel"),
        focal_mm=within(_number(tags, "EXIF FocalLength", "Image FocalLength"), 0.5, 1e5),
        orientation=int(within(_number(tags, "Image Orientation"), 1, 8) or 1),
    )


def _tags(file: BinaryIO, *, details: bool) -> Tags:
    import exifread  # where all frames are known, nothing asks for it

    try:
        found = exifread.process_file(file, details=details, extract_thumbnail=False)
        return {name: tag.values for name, tag in found.items()}
    except Exception:  # a parser of foreign files
        return {}


def _text(tags: Tags, *names: str) -> str:
    for name in names:
        if name in tags:
            values = tags[name]
            text = values if isinstance(values, str) else " ".join(str(value) for value in values)
            text = " ".join(text.replace("\0", " ").split())
            if text:
                return text
    return ""


def _number(tags: Tags, *names: str) -> float | None:
    for name in names:
        if name in tags:
            try:
                return float(tags[name][0])
            except (ArithmeticError, IndexError, TypeError, ValueError):
                continue  # 0/0, an empty tag, text
    return None


def _iso(tags: Tags) -> float | None:
    # 65535 says that the value does not fit the old tag and stands in one of the newer ones.
    for names in (("EXIF ISOSpeedRatings", "Image ISOSpeedRatings"), _RW2_ISO[:1]):
        old = within(_number(tags, *names), 1.0, 1e7)
        if old is not None and old < ISO_NOT_IN_TAG:
            return old
    newer = ("RecommendedExposureIndex", "ISOSpeed")
    found = [_number(tags, name) for tag in newer for name in (f"EXIF {tag}", f"Image {tag}")]
    found.append(_number(tags, _RW2_ISO[1]))
    return next((iso for iso in found if within(iso, 1.0, 1e7) is not None), None)


def _captured(tags: Tags) -> str:
    for date, fraction in _TIMES:
        for group in ("EXIF", "Image"):
            found = _DATE.match(_text(tags, f"{group} {date}"))
            if found and is_moment(moment := f"{found[1]}-{found[2]}-{found[3]}T{found[4]}"):
                digits = _text(tags, f"EXIF {fraction}", f"Image {fraction}")
                return f"{moment}.{digits}" if digits.isdecimal() else moment
    return ""
