"""The planned session as a folder: session.toml, the log of the frames to come, and what goes on from earlier ones."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from greystep.arrays import Indices
from greystep.files import new_folder, write_table, write_text, write_toml
from greystep.planning.cells import Cell
from greystep.planning.order import FRAMES, Action, Step
from greystep.session.power import SAME_STOPS
from greystep.session.toml_file import read_toml
from greystep.terms import TESTED, Kind, Order
from greystep.words import shutter


@dataclass(frozen=True)
class Draft:
    """A planned session.

    Attributes:
        reference: The head that the others are compared with, on a stand of its own; empty without one.
        earlier: Rows of the session that this one continues, in capture order.
    """

    title: str
    order: Order
    seed: int
    steps: tuple[Step, ...]
    document: Mapping[str, Any]
    reference: str
    earlier: pd.DataFrame | None = None


def shots_table(steps: Sequence[Step]) -> pd.DataFrame:
    """Return the log of the frames to come; their names are blank, so that they are matched in capture order."""
    frames = [step for step in steps if step.what in FRAMES]
    several = len({step.iso for step in frames}) > 1
    further = list(dict.fromkeys(name for step in frames for name, _ in step.parts))
    rows = []
    for step in frames:
        note = "; ".join(filter(None, [step.note, f"ISO {step.iso}" if several and step.iso else ""]))
        kind = str(Kind.FLASH if step.what == Action.CHECK else step.what)
        parts = dict(step.parts)
        rows.append(["", step.head, step.power, kind, step.pack, note, *(parts.get(name, "") for name in further)])
    table = pd.DataFrame(rows, columns=["frame", "head", "power", "kind", "pack", "note", *further], dtype="str")
    return _numbered(table)


def _numbered(shots: pd.DataFrame) -> pd.DataFrame:
    """Return a log with the number of each row's box on the shot sheet, by which people speak of it."""
    return shots.drop(columns="box", errors="ignore").assign(box=[f"{n}" for n in range(1, len(shots) + 1)])


def session_document(
    title: str,
    heads: Sequence[str],
    packs: Mapping[str, str] | None = None,
    serials: Mapping[str, str] | None = None,
    t01: Mapping[str, Mapping[str, str]] | None = None,
    max_energy_j: float | None = None,
    reference: tuple[str, str] | None = None,
    dial: float | None = None,
    recycle_s: float | None = None,
) -> dict[str, Any]:
    """Return what session.toml says of a planned test; `reference` is (head, power), the mappings are by head."""
    known = {"pack": packs, "serial": serials, "t01_s": t01}
    numbers = {"dial": dial, "recycle_s": recycle_s}
    document: dict[str, Any] = {"title": title, **{name: value for name, value in numbers.items() if value}}
    document["target"] = {"patch": "auto"}
    if reference is not None:
        document["reference"] = dict(zip(("head", "power"), reference, strict=True))
    tables = {}
    for head in heads:
        table: dict[str, Any] = {name: values[head] for name, values in known.items() if values and values.get(head)}
        tables[head] = table | ({"max_energy_j": max_energy_j} if max_energy_j else {})
    return document | {"heads": {head: table for head, table in tables.items() if table}}


def continued_document(session: Path, folder: Path, title: str) -> dict[str, Any]:
    """Return session.toml of a session that goes on in another folder: the same frames, paths seen from there."""
    document = dict(read_toml(session).data)

    def seen(path: str) -> str:
        there = os.path.normpath(session / os.path.expanduser(path))
        try:
            return Path(os.path.relpath(there, folder)).as_posix()
        except ValueError:  # another drive
            return str(there)

    document |= {"title": title, "frames": seen(document.get("frames", "frames"))}
    for table, key in (("target", "reflectance"), ("camera", "matrix")):
        value = document.get(table, {}).get(key, "embedded")
        if value != "embedded":
            document[table] = {**document[table], key: seen(value)}
    return document


def continued_shots(shots: pd.DataFrame, readings: pd.DataFrame) -> pd.DataFrame:
    """Return the log of a session in capture order with blank frames, so that more frames can follow.

    Args:
        readings: Of the same session: first the log's rows, then frames that it does not name; those become kind
            ``job``, which enters no mean. Rows without a file are left out.
    """
    own = [name for name in shots if name not in ("frame", "stops", "row")]
    first = [name for name in ("head", "power", "kind", "pack", "note") if name in own]
    columns = [*first, *(name for name in own if name not in first)]
    extra = len(readings) - len(shots)
    unnamed = pd.DataFrame(
        {name: [""] * extra for name in columns} | {"kind": Kind.JOB.value, "note": "not in the log"}
    )
    table = pd.concat([shots[columns], unnamed[columns]], ignore_index=True)
    table.insert(0, "frame", "")
    shot = readings["shot"].to_numpy()
    order = np.argsort(shot, kind="stable")
    return table.iloc[order[shot[order] >= 0]].reset_index(drop=True).astype("str")


def further_cells(table: pd.DataFrame, readings: pd.DataFrame, rounds: Indices) -> tuple[Cell, ...]:
    """Return the lights of a test that are to be shot again, at the ISO that most of their frames have.

    Args:
        table: One row a light: head, power, stops, and what tells the lights of a head apart further (pack, channel,
            ...).
        rounds: Int array. Further frames of each light; where there are none the light is left out.
    """
    flash = readings[readings["kind"].isin(TESTED)]
    packs = {head: rows["pack"].iloc[0] for head, rows in flash.groupby("head", sort=False)}
    cells = []
    for light, number in zip(table.to_dict(orient="records"), rounds.tolist(), strict=True):
        if number:
            here = flash[(flash["head"] == light["head"]) & (flash["stops"] - light["stops"]).abs().le(SAME_STOPS)]
            iso = here["iso"].dropna().mode()
            parts = tuple((name, light[name]) for name in ("channel", "with", "modifier") if name in light)
            pack = light.get("pack", packs.get(light["head"], ""))
            asked_iso = int(iso.iloc[0]) if len(iso) else 0
            cells.append(Cell(light["head"], light["power"], light["stops"], pack, asked_iso, number, parts))
    return tuple(cells)


def camera_settings(readings: pd.DataFrame) -> str:
    """Return the shutter and aperture of most flash frames, such as ``1/125 s at f/11``."""
    flash = readings[readings["kind"].isin(TESTED)]
    said = []
    for name, form in (("exposure_s", shutter), ("f_number", "f/{:g}".format)):
        usual = flash[name].dropna().mode()
        said += [form(usual.iloc[0])] if len(usual) else []
    return " at ".join(said) or "as before"


def write_draft(folder: Path, draft: Draft, sheet: str) -> list[Path]:
    """Write a planned session: session.toml, shots.csv, the shot sheet, and an empty folder for the frames.

    It is made whole or not at all.

    Args:
        folder: Made if it is not there; must be empty.
        draft: What is written.
        sheet: The page to print.

    Raises:
        GreystepError: If `folder` holds anything, or cannot be written.
    """
    shots = shots_table(draft.steps)
    if draft.earlier is not None:
        shots = _numbered(pd.concat([draft.earlier, shots], ignore_index=True).fillna(""))
    names = ("session.toml", "shots.csv", "shotsheet.html")
    with new_folder(folder) as made:
        write_toml(made / names[0], draft.document)
        write_table(made / names[1], shots)
        write_text(made / names[2], sheet)
        if "frames" not in draft.document:
            (made / "frames").mkdir()
    return [folder / name for name in names]
