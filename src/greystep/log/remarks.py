"""What the person is told about frames: one line a frame that cannot be used, one line a doubt that many share."""

from collections.abc import Hashable, Mapping
from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep.log.bodies import Body
from greystep.log.session import Session

#: What to do about each flag; the numbers of the frame are filled in.
_REMEDY: Final[dict[str, str]] = {
    "missing": "the log names it, but there is no such file; copy it into the frames folder or delete its row",
    "extra_frame": "no row of the log names it; add a row or take the file out of the frames folder",
    "unreadable": "cannot be read as a raw frame; copy it from the card again",
    "damaged": "its pixels cannot be what a camera wrote; copy it from the card again",
    "no_target": "no grey target in it; shoot it again, or give the place with --patch X0,Y0,X1,Y1",
    "target_moved": "the target or the camera has moved; put it back and shoot the frame again",
    "clipped": "{clipped_pct} of the patch is clipped; shoot it again one stop lower",
    "no_flash": "no flash in it{who}; shoot it again",
    "partial_flash": "{short:.2f} stop short of {expected}{who}; wait for full charge and shoot it again",
    "near_white": "the patch lies above 90 % of the range; a third of a stop less is safer",
    "too_dark": "the patch lies below 2 % of the range; give it more light at the same aperture, or more ISO",
    "uneven": "the light falls off by {gradient_pct:.0f} % over the patch; move the light back",
    "ambient_high": "{ambient_pct} % of the light is room light; switch lamps off or use the shortest sync time",
    "no_ambient": "no ambient frame at its settings; shoot one with the flash off and all else the same",
    "ambient_changed": "the room light changed from the first to the last ambient frame; fix the lamps or shut it out",
    "settings_changed": "aperture, shutter, ISO or lens unlike the other frames{who}; shoot it again at their settings",
    "black_doubtful": "its black level is in doubt at this signal; shoot an ambient and a dark frame at its ISO",
    "opcodes_ignored": "the file asks for pixel corrections that are not applied; use the camera's own raw file",
    "matrix_differs": "it carries another colour matrix than most frames of its camera, which is not used",
    "no_matrix": "no colour matrix is known for its camera, so there is no colour; give a camera.json",
    "far_from_locus": "its light is too green or pink for a colour temperature",
    "far_from_reference": "its white is more than 50 mired from the reference; the camera's matrix is fixed there",
    "tail_cut": "its shutter time {exposure_s} is shorter than the flash{who}; use a longer one",
    "outlier": "unlike its repeats{who}: {apart}; left out of the means, shoot it again",
}

#: More frames than this with the same doubt, or without a file, share one line, and more than this that cannot be used
#: for the same reason.
_OWN_LINES: Final = 3
_OWN_LINES_REJECTED: Final = 12
#: So many names of a shared line are spelt out.
_NAMED: Final = 4


def messages(table: pd.DataFrame, reasons: Mapping[str, str]) -> tuple[str, ...]:
    """Return one line for each frame that cannot be used, and for each doubt; many frames of one kind share a line.

    Parameters
    ----------
    table : DataFrame
        The readings with their flags; besides ``short`` [stops], ``alone`` (bool), ``apart`` (text) of each row.
    reasons : mapping
        By frame: what its reading said was wrong, a whole line with the remedy.
    """
    rows = table.to_dict(orient="records")
    lines: list[tuple[int, str]] = []
    told: dict[str, list[int]] = {}
    for place, row in enumerate(rows):
        present = flags.split(str(row["flags"]))
        rejecting = [name for name in present if name in flags.REJECTING]
        for name in rejecting[:1] or present:
            told.setdefault(name, []).append(place)
    for name, places in told.items():
        own_lines = _OWN_LINES if name == "missing" or name not in flags.REJECTING else _OWN_LINES_REJECTED
        if len(places) <= own_lines:
            for place in places:
                reason = reasons.get(str(rows[place]["frame"]), "") if name in ("unreadable", "damaged") else ""
                lines.append(
                    (place, reason or f"{_called(rows[place])}: {_remedy(name, rows[place], _light(rows[place]))}")
                )
        else:
            named = ", ".join(_called(rows[place]) for place in places[:_NAMED])
            more = f" and {len(places) - _NAMED} more" if len(places) > _NAMED else ""
            worst = max(places, key=lambda place: _size(name, rows[place]))
            lights = {_light(rows[place]) for place in places}
            light = lights.pop() if len(lights) == 1 else ""
            lines.append((places[0], f"{named}{more}: {_remedy(name, rows[worst], light)}"))
    return tuple(line for _, line in sorted(lines, key=lambda entry: entry[0]))


def _called(row: Mapping[Hashable, object]) -> str:
    return str(row["frame"] or f"row {row['row']}")


def _light(row: Mapping[Hashable, object]) -> str:
    """Return head and power in brackets behind a blank; nothing without a head."""
    return f" ({row['head']} at {row['power']})" if row["head"] else ""


def _remedy(name: str, row: Mapping[Hashable, object], light: str) -> str:
    if name == "missing" and not row["frame"]:
        return f"no frame is left for it{light}; shoot it or mend the log"
    time_s = float(str(row["exposure_s"]))
    return _REMEDY[name].format(
        who=light,
        expected="its setting" if row["alone"] else "its repeats",
        short=row["short"],
        apart=row["apart"],
        clipped_pct=f"{_percent(row['clipped_pct'])} %" if row["clipped_pct"] == row["clipped_pct"] else "part",
        gradient_pct=row["gradient_pct"],
        ambient_pct=_percent(row["ambient_pct"]),
        exposure_s=f"1/{1 / time_s:.0f} s" if 0 < time_s < 0.3 else f"{time_s:g} s",
    )


def _percent(value: object) -> str:
    number = float(str(value))
    return f"{number:.1f}" if number < 10 else f"{number:.0f}"


def _size(name: str, row: Mapping[Hashable, object]) -> float:
    """Return how bad a doubt is in one row, where it has a size."""
    column = {"uneven": "gradient_pct", "ambient_high": "ambient_pct"}.get(name)
    value = float(str(row[column])) if column else 0.0
    return value if np.isfinite(value) else -np.inf


def notes(
    session: Session, table: pd.DataFrame, bodies: Mapping[str, Body], stand_ins: Mapping[str, str]
) -> tuple[str, ...]:
    """Return sentences about the whole session, for the report and its summary.

    Parameters
    ----------
    session : Session
        What session.toml says.
    table : DataFrame
        The readings.
    bodies : mapping
        By label.
    stand_ins : mapping
        By label: what the matrix is fixed at where the reference was not measured, in words; else blank.
    """
    found = []
    lit = table[table["kind"].isin(["flash", "job"])]
    marks = lit["flags"].map(flags.split)
    if lit.empty:
        found.append("No flash frame is in the log: there is nothing to compare.")
    elif not (table["kind"] == "ambient").any():
        found.append(
            "No ambient frame was shot: room light is still in the readings, and the black level rests on the files."
        )
    elif any("no_ambient" in mark for mark in marks):
        found.append("Not every exposure setting has an ambient frame: room light is scaled from the nearest one.")
    if any("ambient_changed" in mark for mark in marks):
        found.append("The room light changed during the session; the weakest frames carry a part of the change.")
    if len(bodies) > 1:
        names = "; ".join(label or "unknown" for label in bodies)
        found.append(f"{len(bodies)} camera bodies took the frames ({names}): nothing is compared across them.")
    found += [line for label, body in bodies.items() for line in _body_notes(label, body, session, table, stand_ins)]
    if not any(body.anchored for body in bodies.values()) and any(body.matrix is not None for body in bodies.values()):
        found.append(
            "The absolute scale is not anchored by a meter: differences between frames hold, "
            "absolute kelvin rests on the camera's matrix."
        )
    if session.meter is not None and not any(body.anchored for body in bodies.values()):
        found.append(
            f"The metered frame {session.meter.frame} could not be used: the meter's reading counts for nothing."
        )
    if (table["shot"] >= 0).any() and (table.loc[table["shot"] >= 0, "captured"] == "").all():
        found.append("The frames carry no time of capture: their order rests on their names.")
    return tuple(found)


def _body_notes(
    label: str, body: Body, session: Session, table: pd.DataFrame, stand_ins: Mapping[str, str]
) -> list[str]:
    """Return what is to be said of one body."""
    name, first = label or "the camera", label or "The camera"  # a label stays as it is at the start of a sentence too
    found = []
    mine = table[(table["body"] == label) & table["kind"].isin(["flash", "job"])]
    if body.tags is None:
        found.append(f"No colour matrix is known for {name}: channel ratios and output stand, colours do not.")
    elif (mine["kind"] == "flash").any() and stand_ins.get(label):
        found.append(
            f"The reference could not be measured with {name}: its matrix is fixed at {stand_ins[label]} instead."
        )
    if any("matrix_differs" in flags.split(cell) for cell in mine["flags"]):
        found.append(f"Some frames of {name} carry another colour matrix: one and the same is used for all.")
    for column, what in (("f_number", "aperture"), ("iso", "ISO")):
        if len(mine) and mine[column].isna().all():
            found.append(f"{first} recorded no {what}: it is taken as the same in all frames.")
    return found
