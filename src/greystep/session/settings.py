"""A session: one folder, and what its session.toml says about target, camera, reference, tolerance and heads."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from cattrs import Converter

from greystep.arrays import Floats
from greystep.doors import DIAL, ENERGY_J, LIMITS, MOST_LOOKS, RECYCLE_S, name_of
from greystep.errors import FaultsError, GreystepError
from greystep.files import check_folder, keep_out
from greystep.session.csvfile import nearest
from greystep.session.power import Power, is_energy, parse_power, same_power
from greystep.session.reflectance import read_reflectance
from greystep.session.toml_file import Limits, TomlFile, existing_path, fault, found, read_toml, reader, structured

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class HeadInfo:
    """What is known of one head: its pack, serial, type, energy at full [J] and flash durations t0.1 [s] by stops."""

    pack: str = ""
    serial: str = ""
    max_energy_j: Annotated[float, Limits(*ENERGY_J)] | None = None
    t01_s: dict[float, float] = field(default_factory=dict)
    type: str = ""

    def t01_at(self, stops: npt.ArrayLike) -> Floats:
        """Return t0.1 [s] at powers (...) [stops below full]; NaN where nothing is known of it.

        Between powers that are known its logarithm is straight in stops; beyond them the nearest one stands.
        """
        known = sorted(self.t01_s)
        if not known:
            return np.full(np.shape(stops), np.nan)
        return np.asarray(np.exp(np.interp(np.asarray(stops), known, np.log([self.t01_s[at] for at in known]))))


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
class Settings:
    """One session folder with everything session.toml says; what it does not say has its default.

    Attributes:
        path, frames_dir: The session's folder and the folder of its raw files, which is only read.
        patch: Tuple of 4 floats or None. The target by hand as fractions of the visible frame; None where it is to be
            found.
        reflectance: (ndarray, ndarray) or None. Wavelengths [nm], rising, and the target's reflectance factor there.
        matrix: ``embedded`` or the path of a camera.json.
        reference_head, reference_power: As written; both None where nothing is said.
        reference_kit: The mean of all heads is the reference.
        looks: How often the test may be judged while it is shot, a round at a time; 1 where it is judged at its end.
        recycle_s: From flash to flash of a head or pack at least [s], where it is to be watched.
        dial: What the dial of the packs shows at full, where powers are numbers of it.
        tested_by, place: Who tested, and where; blank where nothing is said.
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
    looks: int = 1
    dial: float | None = None
    recycle_s: float | None = None
    tested_by: str = ""
    place: str = ""


#: This tool's own limits, no standard: mired, Duv, stops of output.
DEFAULT_TOLERANCE: Final = Tolerance(4.0, 0.0010, None, None, 0.1, True)


def check_place(settings: Settings, folder: Path) -> None:
    """Refuse to write where raw frames lie: those of this session, and of any other that this process has opened.

    Raises:
        GreystepError: If `folder`, links resolved, lies in a folder of frames.
    """
    keep_out(settings.frames_dir)
    check_folder(folder)


def load_settings(path: Path) -> Settings:
    """Read what a session folder says about itself; every key of session.toml and the file itself are optional.

    Returns: With defaults for what is not said: the folder's name as title, ``frames``, the target found, the matrix in
        the files. Any colour limit under ``[tolerance]`` replaces all default colour limits; the limit on output stays
        at its default unless it is given.

    Raises:
        GreystepError: If there is no such folder or session.toml cannot be read as TOML (with line and column).
        FaultsError: With every wrong key and value of session.toml, each with its line and the remedy.
    """
    _check_folder(path)
    toml = read_toml(path)
    said = structured(toml, _Document, _reader())
    heads = {
        head: replace(info, t01_s=_durations(toml, head, info.max_energy_j, said.dial))
        for head, info in said.heads.items()
    }
    reference, matrix, at = said.reference, said.camera.matrix, ("camera", "matrix")
    _check_reference(toml, reference, heads, said.dial)
    session = Settings(
        path=path,
        title=said.title or name_of(path),
        frames_dir=existing_path(toml, ("frames",), said.frames, folder=True) if said.frames else path / "frames",
        patch=said.target.patch,
        reflectance=read_reflectance(toml, said.target.reflectance),
        matrix="embedded" if matrix in ("", "embedded") else str(existing_path(toml, at, matrix, folder=False)),
        meter=_meter(toml, said.camera.meter),
        reference_head=reference.head or None,
        reference_power=reference.power or None,
        reference_kit=reference.kit,
        tolerance=_tolerance(said.tolerance),
        heads=heads,
        looks=said.test.looks,
        dial=said.dial,
        recycle_s=said.recycle_s,
        tested_by=said.tested_by,
        place=said.place,
    )
    if toml.faults:
        raise FaultsError(str(path / "session.toml"), toml.faults)
    keep_out(session.frames_dir)
    return session


def energy_of(heads: Mapping[str, HeadInfo], head: str) -> float | None:
    """Return a head's energy at full power [J]; None where it is not known."""
    return heads[head].max_energy_j if head in heads else None


def power_of(settings: Settings, head: str, text: str) -> Power:
    """Read a power of a head as typed, with what session.toml says of its energy and of the dial; see `parse_power`.

    Raises:
        GreystepError: If the text is no power, or an energy and that of the head at full is not known.
    """
    return parse_power(text, energy_of(settings.heads, head), head or "NAME", settings.dial)


def flash_seconds(value: object) -> float | None:
    """Read a time [s], a number or as it is marked: ``1/150``, ``0.0067``, ``1/150 s``.

    None where it is no time from 1 microsecond to 1 second.
    """
    try:
        if isinstance(value, str):
            top, fraction, bottom = value.strip().removesuffix("s").replace(",", ".").rpartition("/")
            value = float(top) / float(bottom) if fraction else float(bottom)
        if isinstance(value, int | float) and not isinstance(value, bool) and 1e-6 <= value <= 1.0:
            return float(value)
    except (ValueError, ZeroDivisionError):
        pass
    return None


def _check_folder(path: Path) -> None:
    if os.path.isdir(path):
        return
    if os.path.lexists(path):
        raise GreystepError(f"{path}: is a file; a session is a folder, perhaps {path.parent}")
    siblings = [item.name for item in path.parent.iterdir() if item.is_dir()] if os.path.isdir(path.parent) else []
    like = nearest(path.name, siblings)
    hint = f"did you mean {path.parent / like}?" if like else "check the name, or write one with greystep demo"
    raise GreystepError(f"{path}: no such folder; {hint}")


# --- what session.toml says -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Target:
    patch: Box | None = None
    reflectance: str = ""


@dataclass(frozen=True)
class _Meter:
    frame: str = ""
    cct_k: Annotated[float, Limits(1000.0, 25000.0)] | None = None
    duv: Annotated[float, Limits(-0.05, 0.05)] = 0.0


@dataclass(frozen=True)
class _Camera:
    matrix: str = ""
    meter: _Meter | None = None


@dataclass(frozen=True)
class _Reference:
    head: str = ""
    power: str = ""
    kit: bool = False


@dataclass(frozen=True)
class _Tolerance:
    mired: Annotated[float, Limits(*LIMITS["mired"])] | None = None
    duv: Annotated[float, Limits(*LIMITS["duv"])] | None = None
    steps: Annotated[float, Limits(*LIMITS["steps"])] | None = None
    kelvin: Annotated[float, Limits(*LIMITS["kelvin"])] | None = None
    output_stops: Annotated[float, Limits(*LIMITS["output_stops"])] | None = DEFAULT_TOLERANCE.output_stops


@dataclass(frozen=True)
class _Test:
    looks: Annotated[int, Limits(1, MOST_LOOKS)] = 1


@dataclass(frozen=True)
class _Document:
    title: str = ""
    tested_by: str = ""
    place: str = ""
    frames: str = ""
    dial: Annotated[float, Limits(*DIAL)] | None = None
    recycle_s: Annotated[float, Limits(*RECYCLE_S)] | None = None
    target: _Target = _Target()
    camera: _Camera = _Camera()
    reference: _Reference = _Reference()
    tolerance: _Tolerance = _Tolerance()
    test: _Test = _Test()
    heads: dict[str, HeadInfo] = field(default_factory=dict)


@cache
def _reader() -> Converter:
    # The powers of t01_s need the energy of their head: `_durations` reads them from the table itself.
    return reader({Box | None: _patch, dict[float, float]: lambda *_: {}})


def _patch(value: object, _: object) -> Box | None:
    if value == "auto":
        return None
    form = 'write "auto" or [x0, y0, x1, y1]'
    items = value if isinstance(value, list) else []
    numbers = [item for item in items if isinstance(item, int | float) and not isinstance(item, bool)]
    if len(numbers) != 4 or len(items) != 4:
        raise ValueError(value, f"{form} as fractions of the visible frame")
    x0, y0, x1, y1 = numbers
    if not all(0 <= item <= 1 for item in numbers):
        said = ", ".join(found(item) for item in numbers)
        raise ValueError(f"[{said}] leaves the frame; {form} as fractions from 0 to 1, not pixels")
    if not (x0 < x1 and y0 < y1):
        raise ValueError(f"{value} has no area; {form} with x0 < x1 and y0 < y1, from the top left")
    return float(x0), float(y0), float(x1), float(y1)


def _meter(toml: TomlFile, meter: _Meter | None) -> Meter | None:
    if meter is None:
        return None
    if meter.frame and meter.cct_k:
        return Meter(meter.frame, meter.cct_k, meter.duv)
    if not any("[camera.meter]" in line for line in toml.faults):
        fault(toml, ("camera", "meter"), 'frame or cct_k is missing; write {frame = "f0003.dng", cct_k = 5560}')
    return None


def _durations(toml: TomlFile, head: str, energy: float | None, dial: float | None) -> dict[float, float]:
    """Read the flash durations t0.1 [s] of a head by power: numbers, or fractions of a second as text."""
    path = ("heads", head, "t01_s")
    values = toml.data["heads"][head].get("t01_s", {})
    if not isinstance(values, dict):
        fault(toml, path, f'found {found(values)}; write {{full = "1/150", "1/16" = "1/1200"}}')
        return {}
    durations: dict[float, float] = {}
    for label, value in values.items():
        power = _power(toml, path, label, energy, head, dial)
        time_s = flash_seconds(value)
        if time_s is None:
            fault(toml, path, f'{label} is {found(value)}; write seconds up to 1, such as "1/150"')
        elif power and any(same_power(power.stops, stops) for stops in durations):
            fault(toml, path, f"{label} is there twice under two names; keep one")
        elif power:
            durations[power.stops] = time_s
    return durations


def _power(
    toml: TomlFile, path: tuple[str, ...], text: str, max_energy_j: float | None, head: str, dial: float | None
) -> Power | None:
    try:
        return parse_power(text, max_energy_j, head, dial)
    except GreystepError as error:
        fault(toml, path, str(error))
        return None


def _check_reference(toml: TomlFile, reference: _Reference, heads: Mapping[str, HeadInfo], dial: float | None) -> None:
    """Check the reference: a head, or the whole kit, or a power alone (of the first head of the log)."""
    head, power, path = reference.head, reference.power, ("reference", "power")
    if reference.kit and head:
        fault(toml, ("reference", "kit"), f'the kit and head "{head}" cannot both be the reference; keep one')
    if power and not head and is_energy(power):
        fault(toml, path, f'"{power}" is another power on each head; write a fraction such as 1/4')
    elif power:
        _power(toml, path, power, energy_of(heads, head), head or "NAME", dial)


def _tolerance(said: _Tolerance) -> Tolerance:
    colour = (said.mired, said.duv, said.steps, said.kelvin)
    if colour == (None, None, None, None):
        return replace(DEFAULT_TOLERANCE, output_stops=said.output_stops)
    return Tolerance(*colour, said.output_stops, False)
