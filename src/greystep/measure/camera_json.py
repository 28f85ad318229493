"""A camera's calibration as a ``camera.json``."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from greystep.arrays import Floats
from greystep.constants import LIGHT_SOURCE_K
from greystep.doors import read_json
from greystep.errors import FaultsError, GreystepError
from greystep.measure.camera import has_inverse, sees_daylight
from greystep.raw.dng import ColourTags

#: The largest element of a camera.json's matrix lies between these; the makers' own are near 1.
_ELEMENTS: Final = (1e-3, 1e3)


def read_camera_json(path: Path) -> ColourTags:
    """Read the colour calibration of a camera from a ``camera.json``; further keys are left alone.

    Its keys: ``schema`` (1), ``matrix_1`` (3x3, XYZ to camera RGB), ``illuminant_1`` (EXIF LightSource code), and
    optionally ``matrix_2`` with ``illuminant_2``.

    Raises:
        GreystepError: If the file cannot be read; as `FaultsError`, with all its faults, if what it says cannot be
            used.
    """
    try:
        content = read_json(path)
    except GreystepError as error:
        raise GreystepError(f'{error}; give a camera.json, or matrix = "embedded"') from error
    if not isinstance(content, dict) or content.get("schema") != 1:
        raise GreystepError(f'{path}: "schema" is not 1; make the file again from a frame of a colour chart')

    faults: list[str] = []
    matrix_1 = _matrix(content, "matrix_1", faults)
    matrix_2 = _matrix(content, "matrix_2", faults) if content.get("matrix_2") is not None else None
    two = matrix_2 is not None
    illuminant_1 = _illuminant(content, "illuminant_1", two, faults)
    illuminant_2 = _illuminant(content, "illuminant_2", True, faults) if two else 0
    if faults or matrix_1 is None:
        raise FaultsError(str(path), faults)
    return ColourTags(matrix_1, matrix_2, illuminant_1, illuminant_2, source="camera.json")


def calibrated_under(path: Path) -> str:
    """Return how the light of a ``camera.json`` was known: ``given``, ``file``, ``assumed``; blank if it does not say.

    Raises:
        GreystepError: If the file cannot be read.
    """
    light = read_json(path).get("light")
    return str(light.get("from", "")) if isinstance(light, dict) else ""


def _matrix(content: Mapping[str, Any], key: str, faults: list[str]) -> Floats | None:
    """Return the 3x3 matrix under `key`; what is wrong with it is added to `faults`."""
    try:
        matrix = np.array(content.get(key), dtype=np.float64)
    except (TypeError, ValueError):
        matrix = np.empty(0)
    if matrix.shape != (3, 3) or not _ELEMENTS[0] <= np.abs(matrix).max() <= _ELEMENTS[1]:
        faults.append(f"{key}: three rows of three numbers up to {_ELEMENTS[1]:g} are needed, XYZ to camera RGB")
        return None
    if not has_inverse(matrix):
        faults.append(f"{key}: it cannot be inverted; make the file again from a frame of a colour chart")
        return None
    if not sees_daylight(matrix):
        faults.append(
            f"{key}: a camera RGB of daylight (D50) would be negative; give XYZ to camera RGB, not its inverse"
        )
        return None
    return matrix


def _illuminant(content: Mapping[str, Any], key: str, needed: bool, faults: list[str]) -> int:
    """Return the EXIF LightSource code under `key`, 0 if unknown; two matrices need it, one does not."""
    code = content.get(key) or 0
    if type(code) is int and (code in LIGHT_SOURCE_K or (code == 0 and not needed)):
        return code
    faults.append(f"{key}: {code!r} is no EXIF light source with a known temperature, such as 17 (A) or 21 (D65)")
    return 0
