"""A session: one folder, and what its session.toml says about target, camera, reference, tolerance and heads."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from greystep.errors import FaultsError, GreystepError
from greystep.log.power import Power, is_energy, parse_power, same_power
from greystep.log.settings import (
    TomlFile,
    check_keys,
    existing_path,
    fault,
    found,
    number_of,
    read_toml,
    table_of,
    text_of,
)
from greystep.log.sheet import nearest, read_rows

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class HeadInfo:
    """What is known of one head: its pack, serial, type, energy at full [J] and flash durations t0.1 [s] by stops."""

    pack: str
    serial: str
    max_energy_j: float | None
    t01_s: dict[float, float]
    type: str


@dataclass(frozen=True)
class Tolerance:
    """The limits that are judged; a limit that is None is not.

    `is_default` says that no colour limit was given, so that those of this tool stand.
    """

    mired: float | None
    duv: float | None
    steps: float | None
    kelvin: float | None
    output_stops: float | None
    is_default: bool


@dataclass(frozen=True)
class Meter:
    """A colour meter's reading [K] and Duv of the light of one frame."""

    frame: str
    cct_k: float
    duv: float


@dataclass(frozen=True)
class Session:
    """One session folder with everything session.toml says; what it does not say has its default.

    Attributes
    ----------
    path, frames_dir : Path
        The session's folder and the folder of its raw files, which is only read.
    patch : tuple of 4 floats or None
        The target by hand as fractions of the visible frame; None where it is to be found.
    reflectance : (ndarray, ndarray) or None
        Wavelengths [nm], rising, and the target's reflectance factor there.
    matrix : str
        ``embedded`` or the path of a camera.json.
    reference_head, reference_power : str or None
        As written; both None where nothing is said.
    reference_kit : bool
        The mean of all heads is the reference.
    """

    path: Path
    title: str
    frames_dir: Path
    patch: Box | None
    reflectance: tuple[np.ndarray, np.ndarray] | None
    matrix: str
    meter: Meter | None
    reference_head: str | None
    reference_power: str | None
    reference_kit: bool
    tolerance: Tolerance
    heads: dict[str, HeadInfo]


#: This tool's own limits, no standard: mired, Duv, stops of output.
DEFAULT_TOLERANCE: Final = Tolerance(4.0, 0.0010, None, None, 0.1, True)

#: The widest limits that make sense; they catch a number given in another unit.
_LIMITS: Final = {
    "mired": (0.01, 500.0),
    "duv": (1e-5, 0.05),
    "steps": (0.01, 500.0),
    "kelvin": (1.0, 10000.0),
    "output_stops": (0.001, 5.0),
}


def check_place(session: Session, folder: Path) -> None:
    """Refuse to write where the raw frames lie.

    Raises
    ------
    GreystepError
        If `folder` lies in the frames folder.
    """
    if folder.resolve().is_relative_to(session.frames_dir.resolve()):
        raise GreystepError(
            f"{folder}: lies in the folder of the raw frames, which is never written to; give another with --out"
        )


def load_session(path: Path) -> Session:
    """Read what a session folder says about itself; every key of session.toml and the file itself are optional.

    Parameters
    ----------
    path : Path
        The session's folder.

    Returns
    -------
    Session
        With defaults for what is not said: the folder's name as title, ``frames``, the target found, the matrix in
        the files. Any colour limit under ``[tolerance]`` replaces all default colour limits; the limit on output
        stays at its default unless it is given.

    Raises
    ------
    GreystepError
        If there is no such folder or session.toml cannot be read as TOML (with line and column).
    FaultsError
        With every wrong key and value of session.toml, each with its line and the remedy.
    """
    _check_folder(path)
    settings = read_toml(path)
    data = settings.data
    title = text_of(settings, "", data, "title")
    frames_dir = _frames_dir(settings, data)
    target = table_of(settings, "", data, "target")
    camera = table_of(settings, "", data, "camera")
    heads = _heads(settings, data)
    head, power, kit = _reference(settings, table_of(settings, "", data, "reference"), heads)
    session = Session(
        path=path,
        title=title or path.resolve().name,
        frames_dir=frames_dir,
        patch=_patch(settings, target),
        reflectance=_reflectance(settings, target),
        matrix=_matrix(settings, camera),
        meter=_meter(settings, camera),
        reference_head=head,
        reference_power=power,
        reference_kit=kit,
        tolerance=_tolerance(settings, table_of(settings, "", data, "tolerance")),
        heads=heads,
    )
    if settings.faults:
        raise FaultsError(str(path / "session.toml"), settings.faults)
    return session


def energy_of(heads: Mapping[str, HeadInfo], head: str) -> float | None:
    """Return a head's energy at full power [J]; None where it is not known."""
    return heads[head].max_energy_j if head in heads else None


def power_of(heads: Mapping[str, HeadInfo], head: str, text: str) -> Power:
    """Read a power of a head as typed, an energy too where session.toml says the head's own at full; see `parse_power`.

    Raises
    ------
    GreystepError
        If the text is no power, or an energy and that of the head at full is not known.
    """
    return parse_power(text, energy_of(heads, head), head or "NAME")


def _check_folder(path: Path) -> None:
    if path.is_dir():
        return
    if path.exists():
        raise GreystepError(f"{path}: is a file; a session is a folder, perhaps {path.parent}")
    siblings = [item.name for item in path.parent.iterdir() if item.is_dir()] if path.parent.is_dir() else []
    like = nearest(path.name, siblings)
    hint = f"did you mean {path.parent / like}?" if like else "check the name, or write one with greystep demo"
    raise GreystepError(f"{path}: no such folder; {hint}")


def _frames_dir(settings: TomlFile, data: Mapping[str, Any]) -> Path:
    value = text_of(settings, "", data, "frames")
    return existing_path(settings, "", "frames", value, folder=True) if value else settings.folder / "frames"


def _patch(settings: TomlFile, target: Mapping[str, Any]) -> Box | None:
    value = target.get("patch", "auto")
    if value == "auto":
        return None
    form = 'write "auto" or [x0, y0, x1, y1]'
    items = value if isinstance(value, list) else []
    numbers = [item for item in items if isinstance(item, int | float) and not isinstance(item, bool)]
    if len(numbers) != 4 or len(items) != 4:
        fault(settings, "target", "patch", f"found {found(value)}; {form} as fractions of the visible frame")
        return None
    x0, y0, x1, y1 = numbers
    if not all(0 <= item <= 1 for item in numbers):
        fault(settings, "target", "patch", f"{value} leaves the frame; {form} as fractions from 0 to 1, not pixels")
    elif not (x0 < x1 and y0 < y1):
        fault(settings, "target", "patch", f"{value} has no area; {form} with x0 < x1 and y0 < y1, from the top left")
    else:
        return float(x0), float(y0), float(x1), float(y1)
    return None


def _reflectance(settings: TomlFile, target: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray] | None:
    """Read the target's reflectance: wavelength [nm] and factor a row, under a header or not."""
    name = text_of(settings, "target", target, "reflectance")
    if name is None:
        return None
    path = existing_path(settings, "target", "reflectance", name, folder=False)
    if not path.is_file():
        return None
    try:
        rows = read_rows(path)
    except GreystepError as error:
        settings.faults.append(str(error))
        return None
    nm: list[float] = []
    factor: list[float] = []
    before = len(settings.faults)
    for place, (row, cells) in enumerate(rows):
        try:
            wavelength, value = (float(cell.replace(",", ".")) for cell in cells[:2])
        except ValueError:
            if place > 0:  # the first row may be a header
                settings.faults.append(f"{name} row {row}: not two numbers; write nm and factor")
            continue
        if nm and not wavelength > nm[-1]:
            settings.faults.append(f"{name} row {row}: {wavelength:g} nm after {nm[-1]:g} nm; sort wavelengths upwards")
        if not 0 < value <= 1.2:
            settings.faults.append(f"{name} row {row}: factor {value:g}; write a share of 1, such as 0.18, up to 1.2")
        nm.append(wavelength)
        factor.append(value)
    if len(settings.faults) > before:
        return None
    if len(nm) < 2 or nm[0] > 400 or nm[-1] < 700:
        covers = f"{nm[0]:g} to {nm[-1]:g} nm" if nm else "nothing"
        settings.faults.append(f"{name}: covers {covers}; 400 to 700 nm are needed")
        return None
    return np.array(nm), np.array(factor)


def _matrix(settings: TomlFile, camera: Mapping[str, Any]) -> str:
    value = text_of(settings, "camera", camera, "matrix")
    if value is None or value == "embedded":
        return "embedded"
    return str(existing_path(settings, "camera", "matrix", value, folder=False))


def _meter(settings: TomlFile, camera: Mapping[str, Any]) -> Meter | None:
    if "meter" not in camera:
        return None
    before = len(settings.faults)
    data = table_of(settings, "camera", camera, "meter")
    frame = text_of(settings, "camera.meter", data, "frame")
    cct_k = number_of(settings, "camera.meter", data, "cct_k", (1000.0, 25000.0))
    duv = number_of(settings, "camera.meter", data, "duv", (-0.05, 0.05))
    if frame is not None and cct_k is not None:
        return Meter(frame, cct_k, duv or 0.0)
    if len(settings.faults) == before:
        fault(settings, "camera", "meter", 'frame or cct_k is missing; write {frame = "f0003.dng", cct_k = 5560}')
    return None


def _heads(settings: TomlFile, data: Mapping[str, Any]) -> dict[str, HeadInfo]:
    tables = data.get("heads", {})
    if not isinstance(tables, dict):
        fault(settings, "", "heads", f"found {found(tables)}; write a table a head, such as [heads.A]")
        return {}
    heads = {}
    for head, info in tables.items():
        table = f"heads.{head}"
        if not isinstance(info, dict):
            fault(settings, "heads", head, f"found {found(info)}; write a table a head, such as [heads.A]")
            continue
        check_keys(settings, table, info, "heads.*")
        energy = number_of(settings, table, info, "max_energy_j", (1.0, 100000.0))
        heads[head] = HeadInfo(
            pack=text_of(settings, table, info, "pack") or "",
            serial=text_of(settings, table, info, "serial") or "",
            max_energy_j=energy,
            t01_s=_durations(settings, head, info, energy),
            type=text_of(settings, table, info, "type") or "",
        )
    return heads


def _durations(settings: TomlFile, head: str, info: Mapping[str, Any], energy: float | None) -> dict[float, float]:
    """Read flash durations t0.1 [s] by power: numbers, or fractions of a second as text."""
    table = f"heads.{head}"
    values = info.get("t01_s", {})
    if not isinstance(values, dict):
        fault(settings, table, "t01_s", f'found {found(values)}; write {{full = "1/150", "1/16" = "1/1200"}}')
        return {}
    durations: dict[float, float] = {}
    for label, value in values.items():
        power = _power(settings, table, "t01_s", label, energy, head)
        seconds = _seconds(value)
        if seconds is None or not 1e-6 <= seconds <= 1:
            fault(settings, table, "t01_s", f'{label} is {found(value)}; write seconds up to 1, such as "1/150"')
        elif power and any(same_power(power.stops, stops) for stops in durations):
            fault(settings, table, "t01_s", f"{label} is there twice under two names; keep one")
        elif power:
            durations[power.stops] = seconds
    return durations


def _seconds(value: object) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) if abs(value) < 1e6 else None
    if not isinstance(value, str):
        return None
    match = re.fullmatch(r"(?:(\d{1,6}) ?/ ?)?(\d{1,9}(?:[.,]\d{1,9})?) ?s?", value.strip())
    if not match:
        return None
    number = float(match[2].replace(",", "."))
    if match[1] is None:
        return number
    return float(match[1]) / number if number else None


def _power(settings: TomlFile, table: str, key: str, text: str, max_energy_j: float | None, head: str) -> Power | None:
    try:
        return parse_power(text, max_energy_j, head)
    except GreystepError as error:
        fault(settings, table, key, str(error))
        return None


def _reference(
    settings: TomlFile, reference: Mapping[str, Any], heads: Mapping[str, HeadInfo]
) -> tuple[str | None, str | None, bool]:
    """Read the reference: a head, or the whole kit, or a power alone (of the first head of the log)."""
    head = text_of(settings, "reference", reference, "head")
    power = text_of(settings, "reference", reference, "power")
    kit = reference.get("kit", False)
    if not isinstance(kit, bool):
        fault(settings, "reference", "kit", f"found {found(kit)}; write kit = true or leave it out")
        kit = False
    if kit and head is not None:
        fault(settings, "reference", "kit", f'the kit and head "{head}" cannot both be the reference; keep one')
    if power is not None and head is None and is_energy(power):
        fault(settings, "reference", "power", f'"{power}" is another power on each head; write a fraction such as 1/4')
    elif power is not None:
        energy = heads[head].max_energy_j if head is not None and head in heads else None
        _power(settings, "reference", "power", power, energy, head or "NAME")
    return head, power, kit


def _tolerance(settings: TomlFile, data: Mapping[str, Any]) -> Tolerance:
    given = {key: number_of(settings, "tolerance", data, key, limits) for key, limits in _LIMITS.items()}
    output = DEFAULT_TOLERANCE.output_stops if given["output_stops"] is None else given["output_stops"]
    if not any(key in data for key in ("mired", "duv", "steps", "kelvin")):
        return Tolerance(DEFAULT_TOLERANCE.mired, DEFAULT_TOLERANCE.duv, None, None, output, True)
    return Tolerance(given["mired"], given["duv"], given["steps"], given["kelvin"], output, False)
