"""Invented sessions, written whole: raw frames, log, session file, and the true answers beside them."""

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep.arrays import Floats
from greystep.demo import dngfile, sensor, spectra
from greystep.demo.kit import CameraSettings, HeadCharacter, Kit, Shot, light, shoot, usable, warm_slope
from greystep.documents import records
from greystep.errors import GreystepError
from greystep.files import new_folder, write_bytes, write_json, write_table, write_toml
from greystep.flags import Flag, join
from greystep.session.power import parse_power
from greystep.terms import LIT, Kind, Order

_START: Final = datetime.datetime(2025, 9, 1, 8, 30, 0)
#: The light that the camera's white balance is set to, and that `level` of the kit is reckoned for.
_PRESET: Final = (178.6, 0.0005)

_HIRE_HEADS: Final = (
    HeadCharacter(
        "A", "P1", "1071", t01_s=(("full", "1/400"), ("1/16", "1/900")), mired=178.6, mired_per_stop=0.15,
        warmup_mired=0.8, scatter_mired=0.25, output_error_per_stop=0.004,
    ),
    HeadCharacter(
        "B", "P1", "1072", t01_s=(("full", "1/400"), ("1/16", "1/250")), mired=177.6, mired_per_stop=2.5,
        warmup_mired=1.0, output_stops=-0.06, output_error_per_stop=-0.015,
    ),
    HeadCharacter(
        "C", "P2", "2038", t01_s=(("full", "1/400"), ("1/16", "1/2500")), mired=179.4, mired_per_stop=-2.2,
        warmup_mired=1.2, output_stops=-0.03, output_error_per_stop=0.012,
    ),
    HeadCharacter(
        "D", "P2", "2041", t01_s=(("full", "1/400"), ("1/16", "1/900")), mired=178.9, mired_per_stop=0.1, duv=0.0040,
        warmup_mired=4.0, scatter_mired=0.7, scatter_duv=0.00015, scatter_stops=0.02, output_stops=-0.10,
    ),
)  # fmt: skip

#: The set-up of the scenario with three lights: role, head, power, share.
_THREE_LIGHTS_SETUP: Final = (("key", "A", "1/4", 0.6), ("fill", "B", "1/16", 0.25), ("background", "C", "1/1", 0.15))


def write_demo(folder: Path, scenario: str = "hire-kit", camera: str = "measured", seed: int = 1) -> None:
    """Write an invented session.

    Args:
        folder: Made if it is not there; must be empty.
        scenario: ``hire-kit``: four heads, five powers, three repeats; ``stack``: twelve job frames of a focus stack;
            ``three-lights``: a test of three heads and a set-up made of them; ``faults``: everything that can go wrong.
        camera: ``measured`` or ``exact``, see `greystep.demo.spectra.camera`.
        seed: Another number makes another session of the same kind.

    Raises:
        GreystepError: If the folder holds anything, or the scenario or camera is not known.
    """
    makers = {"hire-kit": _hire_kit, "stack": _stack, "three-lights": _three_lights, "faults": _faults}
    if scenario not in makers:
        raise GreystepError(f"scenario '{scenario}': not known; use {', '.join(makers)}")
    kit, shots = makers[scenario](camera, seed)
    setup = _THREE_LIGHTS_SETUP if scenario == "three-lights" else ()
    write_session(folder, kit, shots, seed, setup)


def write_session(
    folder: Path, kit: Kit, shots: Sequence[Shot], seed: int, setup: Sequence[tuple[str, str, str, float]] = ()
) -> None:
    """Write the session of a kit: session.toml, shots.csv, grey.csv, frames/ and truth.json, all or nothing.

    Args:
        setup: Rows of a SETUP.csv beside them: role, head, power, share; none is written without any.

    Raises:
        GreystepError: If `folder` exists and holds anything, or the kit's frame cannot be written.
    """
    named = [replace(shot, name=shot.name or f"f{place + 1:04d}.dng") for place, shot in enumerate(shots)]
    packs = {head.head: head.pack for head in kit.heads}
    rows = [(s.name, s.head, s.power, s.kind, packs.get(s.head, ""), s.note) for s in named if s.logged]
    log = pd.DataFrame(rows, columns=["frame", "head", "power", "kind", "pack", "note"])
    with new_folder(folder) as made:
        for shot, (mosaic, picture) in zip(named, frames(kit, named, seed), strict=True):
            if shot.written:
                data = dngfile.dng_bytes(mosaic, picture, kit.compressed)
                write_bytes(made / "frames" / shot.name, data[: shot.cut_to_bytes])
        write_table(made / "grey.csv", pd.DataFrame(spectra.GREY_CARD, columns=["nm", "factor"]))
        write_table(made / "shots.csv", log)
        write_toml(made / "session.toml", session_document(kit))
        write_json(made / "truth.json", truth(kit, named))
        if setup:
            write_table(made / "SETUP.csv", pd.DataFrame(setup, columns=["role", "head", "power", "share"]))


def frames(kit: Kit, shots: Sequence[Shot], seed: int) -> Iterator[tuple[NDArray[np.uint16], dngfile.Picture]]:
    """Yield the raw counts and the metadata of each shot, one frame at a time.

    Args:
        shots: With their light, see `greystep.demo.kit.shoot`.
        seed: Draws scene, sensor and noise; each frame has a noise of its own that does not depend on the others.

    Yields: array of uint16, shape (height, width), and Picture
    """
    camera = spectra.camera(kit.camera)
    surfaces = np.stack([spectra.grey_card() if m == "card" else spectra.surface(m) for m in sensor.MATERIALS])
    preset = surfaces * spectra.flash(*(np.array([value]) for value in _PRESET)) @ camera.sensitivities
    scale = sensor.electrons_at(kit.sensor, kit.level) / preset[sensor.CARD, 1]
    neutral = preset[sensor.CARD] / preset[sensor.CARD].max()
    room = surfaces * spectra.room_light() @ camera.sensitivities * scale
    fixed = sensor.chip(kit.sensor, np.random.default_rng([seed, 2]))

    @lru_cache(maxsize=2)  # nearly all frames see one scene
    def scene_of(gradient: float, shift: float) -> sensor.Scene:
        return sensor.table_top(kit.sensor, np.random.default_rng([seed, 1]), gradient, shift, flat=kit.flat_target)

    for place, (shot, spectrum) in enumerate(zip(shots, lights(shots), strict=True)):
        gradient = kit.gradient + shot.extra_gradient
        scene = scene_of(gradient, shot.shift)
        opened = stops_of(kit.settings.f_number) - stops_of(shot.settings.f_number)
        longer = np.log2(shutter_s(shot.settings.shutter) / shutter_s(kit.settings.shutter))
        mosaic = sensor.expose(
            kit.sensor, fixed, scene,
            flash_e=surfaces * spectrum @ camera.sensitivities * scale * 2.0**opened,
            room_e=room * (kit.ambient_share + shot.lamp) * 2.0 ** (opened + longer) * (shot.kind != Kind.DARK),
            rng=np.random.default_rng([seed, 3, place]), iso=shot.settings.iso, focus=shot.focus,
        )  # fmt: skip
        if shot.zeroed:
            y, x = int(sensor.CARD_BOX[1] * kit.sensor.height), int(sensor.CARD_BOX[0] * kit.sensor.width)
            mosaic[y : y + 8, x : x + 8] = 0
        other = np.diag([1.05, 1.0, 0.95]) if shot.other_matrix else np.eye(3)
        yield mosaic, dngfile.Picture(
            captured=_START + datetime.timedelta(seconds=round(shot.time_s, 2)),
            exposure_s=Fraction(shot.settings.shutter), f_number=shot.settings.f_number, iso=shot.settings.iso,
            focal_mm=shot.settings.focal_mm, fired=shot.kind in LIT,
            matrix_a=other @ camera.matrix_a, matrix_d65=other @ camera.matrix_d65,
            neutral=(float(neutral[0]), float(neutral[1]), float(neutral[2])),
            black=_shifted(kit.sensor.black, shot.tag_black), white=kit.sensor.white,
        )  # fmt: skip


def lights(shots: Sequence[Shot]) -> Floats:
    """Return the spectrum of the flash in each shot, shape (shots, nm): luminance 2**output_stops, 0 without flash."""
    lit = np.array([np.isfinite(shot.mired) for shot in shots])
    spectrum = np.zeros((len(shots), len(spectra.NM)))
    if lit.any():
        columns = np.array([(shot.mired, shot.duv, shot.output_stops) for shot in shots])[lit].T
        spectrum[lit] = spectra.flash(columns[0], columns[1]) * 2.0 ** columns[2][:, None]
    return spectrum


def truth(kit: Kit, shots: Sequence[Shot]) -> dict[str, Any]:
    """Return the true answers of a session in the names of truth.json.

    Colours are those of the flash alone, not of the room and not off the card, from its spectrum. output_stops is
    what the camera's green sees of it, as in readings.csv; 0 is the brightest cell mean at the highest power tested.
    """
    spectrum = lights(shots)
    lit = np.asarray(spectrum.any(axis=1))
    table = pd.DataFrame([{"frame": s.name, "head": s.head, "power": s.power, "kind": s.kind} for s in shots])
    colour = spectra.true_colour(spectrum[lit])
    for name in ("cct_k", "duv", "mired", "u_prime", "v_prime"):
        table.loc[lit, name] = getattr(colour, name)
    green = spectrum @ (spectra.grey_card() * spectra.camera(kit.camera).sensitivities[:, 1])
    table.loc[lit, "output_stops"] = np.log2(green[lit])
    stops = np.array([shot.stops if usable(shot) and seen else np.inf for shot, seen in zip(shots, lit, strict=True)])
    at_top = table[stops == stops.min()]
    table["output_stops"] -= at_top.groupby("head")["output_stops"].mean().max()
    table["flags"] = [join(shot.flags) for shot in shots]
    heads = [
        {"head": head.head, "slope_mired_per_stop": warm_slope(head, shots), "warmup_mired": head.warmup_mired}
        for head in kit.heads
    ]
    return {"schema": 1, "frames": records(table), "heads": heads}


def stops_of(f_number: float) -> float:
    """Return 2 log2 of an f-number, on the exact third stop that its marking stands for."""
    return round(6.0 * math.log2(f_number)) / 3.0


def shutter_s(marking: str) -> float:
    """Return the exact time [s] that a shutter marking such as ``1/125`` stands for."""
    return math.exp2(round(3.0 * math.log2(Fraction(marking))) / 3.0)


def _shifted(black: tuple[float, float, float, float], counts: float) -> tuple[float, float, float, float]:
    return (black[0] + counts, black[1] + counts, black[2] + counts, black[3] + counts)


def session_document(kit: Kit) -> dict[str, Any]:
    """Return what session.toml says of a kit."""
    heads = {
        head.head: {"pack": head.pack, "serial": head.serial, "max_energy_j": head.max_energy_j}
        | ({"t01_s": dict(head.t01_s)} if head.t01_s else {})
        for head in kit.heads
    }
    return {
        "title": kit.title,
        "target": {"patch": [0.1, 0.1, 0.9, 0.9] if kit.flat_target else "auto", "reflectance": "grey.csv"},
        "camera": {"matrix": "embedded"},
        "reference": {"head": kit.heads[0].head, "power": "full"},
        "heads": heads,
    }


def _hire_kit(camera: str, seed: int) -> tuple[Kit, tuple[Shot, ...]]:
    kit = Kit(_HIRE_HEADS, title="Hire kit, prep day", camera=camera)
    return kit, shoot(kit, seed)


def _three_lights(camera: str, seed: int) -> tuple[Kit, tuple[Shot, ...]]:
    """Rigged as they will stand: the heads take turns, so that their rounds watch camera and mains between them."""
    powers, order = ("1/1", "1/4", "1/16"), Order.SHUFFLED
    kit = Kit(_HIRE_HEADS[:3], title="Test of three lights", camera=camera, powers=powers, order=order)
    return kit, shoot(kit, seed)


def _stack(camera: str, seed: int) -> tuple[Kit, tuple[Shot, ...]]:
    """Twelve planes of focus from front to back, 60 K and 0.06 stop from frame to frame, one ambient frame before."""
    head = HeadCharacter("A", "P1", "1071", mired=178.6, scatter_mired=1.9, scatter_duv=0.0002, scatter_stops=0.06)
    # The pack stands at 1/4, so the level at full, which is never shot, lies two stops above the range.
    kit = Kit((head,), title="Focus stack", camera=camera, level=2.8, ambient_share=0.00005)
    rng = np.random.default_rng([seed, 0])
    jobs = [
        light(head, Shot("A", "1/4", 2.0, Kind.JOB, 10.0 + 6.0 * plane, heat=1.0, focus=0.95 - plane * 0.08), rng)
        for plane in range(12)
    ]
    return kit, (Shot("", "", np.nan, Kind.AMBIENT, 0.0), *jobs)


#: What happens to which frame in `_faults`: (head, power, repeat) -> what is changed; output and mired are added.
_MISHAPS: Final[dict[tuple[str, str, int], dict[str, Any]]] = {
    ("A", "1/1", 1): {"output_stops": 0.7, "flags": (Flag.CLIPPED, Flag.NEAR_WHITE)},
    ("A", "1/1", 3): {"output_stops": -0.4, "flags": (Flag.PARTIAL_FLASH,)},
    ("A", "1/4", 0): {"mired": np.nan, "duv": np.nan, "output_stops": np.nan, "flags": (Flag.NO_FLASH,)},
    ("A", "1/4", 2): {"settings": CameraSettings(f_number=8.0), "flags": (Flag.SETTINGS_CHANGED,)},
    ("A", "1/4", 4): {"extra_gradient": 0.25, "flags": (Flag.UNEVEN,)},
    ("A", "1/16", 1): {"mired": 8.0, "flags": (Flag.OUTLIER,)},
    ("A", "1/16", 3): {"zeroed": True, "flags": (Flag.DAMAGED,)},
    ("B", "1/1", 2): {"shift": 0.25, "flags": (Flag.TARGET_MOVED,)},
    ("B", "1/1", 4): {"other_matrix": True, "flags": (Flag.MATRIX_DIFFERS,)},
    ("B", "1/4", 1): {"cut_to_bytes": 200, "flags": (Flag.UNREADABLE,)},
    ("B", "1/4", 3): {"settings": CameraSettings(iso=200), "flags": (Flag.SETTINGS_CHANGED, Flag.NO_AMBIENT)},
    ("B", "1/16", 0): {"written": False, "flags": (Flag.MISSING,)},
    ("B", "1/16", 2): {"tag_black": 3.0, "flags": (Flag.BLACK_DOUBTFUL,)},
}


def _faults(camera: str, seed: int) -> tuple[Kit, tuple[Shot, ...]]:
    """Two heads with a mishap in every kind of frame, and two more whose settings are the fault."""
    heads = (
        HeadCharacter("A", "P1", "1071"),
        HeadCharacter("B", "P1", "1072", mired=177.9),
        HeadCharacter("C", "P2", "2038", output_stops=0.33),
        HeadCharacter("D", "P2", "2041", t01_s=(("full", "1/60"), ("1/4", "1/400"))),
    )
    kit = Kit(
        heads[:2], title="Everything that can go wrong", camera=camera, powers=("1/1", "1/4", "1/16"), repeats=6,
        ambient_share=0.00025,
    )  # fmt: skip
    seen: dict[tuple[str, str], int] = {}
    shots = []
    for shot in shoot(kit, seed):
        cell = (shot.head, shot.power)
        change = dict(_MISHAPS.get((*cell, seen.get(cell, 0)), {}))
        for added in {"mired", "duv", "output_stops"} & set(change):
            change[added] += getattr(shot, added)
        shots.append(replace(shot, **change))
        seen[cell] = seen.get(cell, 0) + 1
    rng = np.random.default_rng([seed, 4])
    late: list[tuple[int, str, dict[str, Any]]] = [
        (1, "1/32", {"flags": (Flag.AMBIENT_HIGH,)}),
        (2, "1/1", {"flags": (Flag.NEAR_WHITE,)}),
        (2, "1/64", {"flags": (Flag.TOO_DARK, Flag.AMBIENT_HIGH)}),
        (3, "1/1", {"flags": (Flag.TAIL_CUT,)}),
        (3, "1/4", {}),
        (0, "1/4", {"name": "test_pop.dng", "logged": False, "flags": (Flag.EXTRA_FRAME,)}),
    ]
    at = shots[-1].time_s
    for number, power, change in late:
        at += 60.0
        shot = Shot(heads[number].head, power, parse_power(power).stops, Kind.FLASH, at, heat=1.0, **change)
        shot = light(heads[number], shot, rng)
        if Flag.TAIL_CUT in shot.flags:  # the warm tail is lost: bluer, and a little less light
            shot = replace(shot, mired=shot.mired - 6.0, output_stops=shot.output_stops - 0.2)
        shots.append(shot)
    wide = CameraSettings(f_number=8.0)
    shots += [
        Shot("", "", np.nan, Kind.DARK, at + 60.0, note="lens cap on"),
        Shot("", "", np.nan, Kind.AMBIENT, at + 70.0, note="for the frame at f/8", settings=wide),
        Shot("", "", np.nan, Kind.AMBIENT, at + 80.0),
    ]
    return replace(kit, heads=heads), tuple(shots)
