"""The log of a session: which frame is which head at which power, from shots.csv or from how the files are named."""

import math
import posixpath
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Final

import pandas as pd

from greystep.arrays import Booleans
from greystep.errors import FaultsError, GreystepError
from greystep.session.csvfile import nearest, read_rows
from greystep.session.file_names import by_folder, by_name, folder_fault
from greystep.session.log_columns import checked_columns, named_columns
from greystep.session.power import Power, is_energy, parse_power_name, same_power
from greystep.session.raw_files import frame_files, list_raw
from greystep.session.settings import Settings, energy_of, power_of
from greystep.session.spreadsheet_dates import undated
from greystep.terms import LIT, TESTED, Kind

KINDS: Final = [kind.value for kind in Kind]

#: What the note of a check frame of kind flash holds: it tells of the room, and enters no mean of a light that was
#: tested itself, as a row of kind check does.
CHECK_NOTE: Final = "check frame"

#: The columns that a log has once frames were placed as they came: how each row came to its frame, and the number of
#: the row in the plan. Rows without a frame say why.
PLACED: Final = "placed"
BOX: Final = "box"
NOT_SHOT: Final = "not shot yet"
SKIPPED: Final = "skipped"
SET_ASIDE: Final = "set aside: "
WARM_UP: Final = "warm-up"


@dataclass(frozen=True)
class PutBack:
    """Rows in which a spreadsheet made a date of a power: what stands there, and the only power it can have been."""

    rows: tuple[int, ...]
    dates: tuple[str, ...]
    powers: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Log:
    """The log as a table, see `read_shots`, and what there is to say of it.

    Attributes:
        files: The raw files where their names are the log, in natural order; None where it is a file of its own.
    """

    shots: pd.DataFrame
    notes: tuple[PutBack, ...] = ()
    files: tuple[str, ...] | None = None


def read_log(settings: Settings, stack: bool = False) -> Log:
    """Read the log of a session with what there is to say of it; errors as of `read_shots`.

    Args:
        stack: Without a log, and where not every frame's name says head and power, all frames are those of a job.
    """
    path = _log_path(settings.path)
    log = _from_folders(settings, stack) if path is None else _from_csv(settings, path)
    return replace(log, shots=_one_label(log.shots))


def read_shots(settings: Settings) -> pd.DataFrame:
    """Read the log of a session: shots.csv, or folders ``HEAD/POWER/`` or file names ``HEAD_POWER_*``.

    Returns: One row a frame, in log order: frame (path below the frames folder; blank in every row if the log names
        none), head, pack, power, stops (below full, NaN where no power is known), kind, note, row (of the spreadsheet;
        0 without one), then further columns of the log as typed. All text is of dtype ``str``. Equal powers carry the
        label and the value that come first in the log; an energy is the label of its own head only.

    Raises:
        FaultsError: With every fault of the log, each with its row and the remedy.
        GreystepError: If there is no log, or nothing in it.
    """
    return read_log(settings).shots


# --- shots.csv ------------------------------------------------------------------------------------------------------


def _log_path(folder: Path) -> Path | None:
    names = sorted(item.name for item in folder.iterdir() if item.name.casefold() == "shots.csv")
    return folder / ("shots.csv" if "shots.csv" in names else names[0]) if names else None


def _from_csv(settings: Settings, path: Path) -> Log:
    rows = read_rows(path)
    if len(rows) < 2:
        raise GreystepError(f"{path}: names no frame; write the header frame,head,power and below it one row a frame")
    faults: list[str] = []
    (first, header), body = rows[0], rows[1:]
    columns = named_columns(header, body, faults, first)
    columns = checked_columns(columns, header, body, faults, first)
    cells = [{name: row[at] if at < len(row) else "" for name, at in columns.items()} for _, row in body]
    notes = _put_back(cells, [number for number, _ in body], settings.dial)
    files = list_raw(settings.frames_dir)
    by_fold: dict[str, set[str]] = {}  # files by what a log may call them: any letter case, with or without extension
    for name in files:
        for spelling in (name, str(PurePosixPath(name).with_suffix(""))):
            by_fold.setdefault(_fold(spelling), set()).add(name)
    named = any(values.get("frame", "").strip() for values in cells)
    seen: dict[str, int] = {}
    records = []
    for (number, row), values in zip(body, cells, strict=True):
        here: list[str] = []
        if any(map(str.strip, row[len(header) :])):
            here.append(f"{len(row)} cells under {len(header)} columns; put a cell that holds a comma in quotes")
        try:
            frame = _inside(values.get("frame", ""))
            meant = by_fold.get(_fold(frame), set())
            frame = next(iter(meant)) if len(meant) == 1 else frame
        except GreystepError as error:
            frame = ""
            here.append(str(error))
        else:
            if named and not frame and values.get(PLACED, "") not in (NOT_SHOT, SKIPPED):
                here.append("no frame, where other rows name theirs; name the file in all rows or in none")
            elif frame and (earlier := seen.setdefault(frame if frame in files else _fold(frame), number)) != number:
                here.append(f'frame "{frame}" is in row {earlier} too; each frame has one row')
        records.append(_record(settings, frame, values, columns, here) | {"row": number})
        faults.extend(f"row {number}: {message}" for message in here)
    table = _table(records, [name for name in columns if name not in _BASE])
    _check_session(settings, table, faults)
    if faults:
        raise FaultsError(str(path), faults)
    return Log(table, notes)


def _put_back(cells: Sequence[dict[str, str]], rows: Sequence[int], dial: float | None) -> tuple[PutBack, ...]:
    """Write the power in place of a date that a spreadsheet can have made of no other; the file stays as it is."""
    powers = {values.get("power", "") for values in cells}
    found = [(row, values, values.get("power", "").strip()) for row, values in zip(rows, cells, strict=True)]
    back = [(row, values, text, power) for row, values, text in found if (power := undated(text, powers, dial))]
    for _, values, _, power in back:
        values["power"] = power
    told = tuple(zip(*((row, text, power) for row, _, text, power in back), strict=True))
    return (PutBack(*told),) if told else ()


def _inside(cell: str) -> str:
    """Return a frame's path below the frames folder in one spelling; it must not lead out of the folder."""
    typed = cell.strip()
    if not typed:
        return ""
    name = posixpath.normpath(typed.replace("\\", "/"))
    if name.startswith(("/", "../")) or name in (".", "..") or re.match(r"[A-Za-z]:", name):
        raise GreystepError(
            f'frame "{typed}" leads out of the frames folder; name a file in it, or set frames = "PATH" in session.toml'
        )
    return name


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _record(
    settings: Settings, frame: str, values: dict[str, str], columns: dict[str, int], faults: list[str]
) -> dict[str, object]:
    """Check one row and return its cells."""
    head, label = values.get("head", "").strip(), values.get("power", "").strip()
    kind = values.get("kind", "").strip().casefold() or Kind.FLASH.value
    if kind not in KINDS:
        like = nearest(kind, KINDS)
        faults.append(f'kind "{kind}" is not known; {f"did you mean {like}?" if like else "write " + ", ".join(KINDS)}')
        kind = like or kind
    if kind in TESTED and "head" in columns and not head:
        faults.append("no head; name the head that fired, or write the kind: ambient, dark, card or job")
    stops = math.nan
    if kind in TESTED and "power" in columns and not label:
        faults.append("no power; write full, 1/16, -4 or 200 J, or the kind: ambient, dark, card or job")
    elif kind in LIT and label:
        try:
            stops = power_of(settings, head, label).stops
        except GreystepError as error:
            faults.append(str(error))
    pack = values.get("pack", "").strip() or (settings.heads[head].pack if head in settings.heads else "")
    known = {"frame": frame, "head": head, "pack": pack, "power": label, "stops": stops, "kind": kind}
    return {"note": "", **values, **known}


_BASE: Final = ["frame", "head", "pack", "power", "stops", "kind", "note", "row"]


def _table(records: Sequence[dict[str, object]], extra: Sequence[str]) -> pd.DataFrame:
    dtypes = dict.fromkeys([*_BASE, *extra], "str") | {"stops": "float64", "row": "int64"}
    return pd.DataFrame(
        {name: pd.Series([record[name] for record in records], dtype=dtype) for name, dtype in dtypes.items()}
    )


def _check_session(settings: Settings, table: pd.DataFrame, faults: list[str]) -> None:
    """Note what session.toml says of heads and frames that the log does not have."""
    heads = list(dict.fromkeys(name for name in table.loc[table["kind"].isin(TESTED), "head"] if name))
    reference = settings.reference_head
    if heads and reference is not None and reference not in heads:
        faults.append(f'session.toml, [reference] head "{reference}" is in no flash row; heads are {", ".join(heads)}')
    for name in settings.heads:
        twin = next((head for head in heads if head.casefold() == name.casefold()), name)
        if name not in heads and twin not in settings.heads:
            faults.append(f'session.toml calls a head "{name}" that the log calls "{twin}"; write it the same way')
    frames = [name for name in table["frame"].tolist() if name]
    if settings.meter is not None and frames and settings.meter.frame not in frames:
        like = nearest(settings.meter.frame, frames)
        remedy = f"did you mean {like}?" if like else "name a frame of the log"
        faults.append(f'session.toml, [camera] meter frame "{settings.meter.frame}" is in no row; {remedy}')


def row_names(log: pd.DataFrame) -> list[str]:
    """Return what a person calls each row: ``box 7`` of its shot sheet, else ``row 8`` of the spreadsheet."""
    boxes = log["box"].tolist() if "box" in log else []
    numbered = bool(boxes) and all(str(box).isdigit() for box in boxes) and len(set(boxes)) == len(boxes)
    return [f"box {box}" for box in boxes] if numbered else [f"row {row}" for row in log["row"]]


def check_rows(log: pd.DataFrame) -> Booleans:
    """Return which rows of a log, or of readings, are check frames: by their kind, or as flashes by their note."""
    noted = log["kind"] == Kind.CHECK
    if "note" in log:
        told = log["note"].astype("str").str.contains(CHECK_NOTE, case=False, regex=False, na=False)
        noted |= (log["kind"] == Kind.FLASH) & told
    return noted.to_numpy(dtype=bool)


def aside_rows(log: pd.DataFrame, why: str = "") -> Booleans:
    """Return which rows of a log are frames that were set aside when a plan was shot, for any reason or for this."""
    placed = log[PLACED] if PLACED in log else pd.Series("", index=log.index)
    return placed.astype("str").str.startswith(f"{SET_ASIDE}{why}").to_numpy(dtype=bool)


# --- folders and file names -----------------------------------------------------------------------------------------


def _from_folders(settings: Settings, stack: bool) -> Log:
    files = frame_files(settings, None)
    powers: dict[tuple[str, str], Power] = {}  # of a head, by label: most frames share theirs
    faults: list[str] = []
    records: list[dict[str, object]] = []
    for name in files:
        path = PurePosixPath(name)
        place = by_folder(path.parent.parts, settings.dial)
        if place in (None, (Kind.CARD, "", "")):  # a folder "card" may be that of a memory card
            place = by_name(path.stem, settings.dial) or place
        if place is None:
            if len(path.parts) > 2:  # HEAD/POWER/ with a power that cannot be read; once a folder
                faults.append(folder_fault(path))
            continue
        kind, head, label = place
        power = Power("", math.nan)
        try:
            energy = energy_of(settings.heads, head)
            if label and (head, label) not in powers:
                powers[head, label] = parse_power_name(label, energy, head or "NAME", settings.dial)
            power = powers.get((head, label), power)
        except GreystepError as error:
            faults.append(f"{path.parent if len(path.parts) > 1 else name}: {error}")
        pack = settings.heads[head].pack if head in settings.heads else ""
        cells = {"frame": name, "head": head, "pack": pack, "kind": kind, "note": "", "row": 0}
        records.append({**cells, "power": power.label, "stops": power.stops})
    if stack and len(records) < len(files):
        blank = {"head": "", "pack": "", "power": "", "stops": math.nan, "kind": Kind.JOB.value, "note": "", "row": 0}
        return Log(_table([{"frame": name, **blank} for name in files], []), files=tuple(files))
    if not records:
        sheet = next((item.name for item in sorted(settings.path.glob("shots.*"))), None)
        raise GreystepError(
            f"{settings.path}: no shots.csv, and no file name in {settings.frames_dir} says head and power; "
            + (f"save {sheet} as CSV UTF-8, " if sheet else "write shots.csv with the columns frame,head,power, ")
            + "or name files A/1-16/NAME or A_1-16_NAME"
        )
    table = _table(records, [])
    _check_session(settings, table, faults)
    if faults:
        raise FaultsError(str(settings.frames_dir), list(dict.fromkeys(faults)))
    return Log(table, files=tuple(files))


# --- one label a power ----------------------------------------------------------------------------------------------


def _one_label(table: pd.DataFrame) -> pd.DataFrame:
    """Give equal powers the value and the label that come first; an energy labels its own head only."""
    values: list[float] = []
    spellings: list[tuple[float, str, str | None]] = []  # stops, label, the only head it speaks for
    stops, labels = table["stops"].tolist(), table["power"].tolist()
    for place, (value, label, head) in enumerate(zip(stops, labels, table["head"], strict=True)):
        if math.isnan(value):
            continue
        first = next((known for known in values if same_power(known, value)), None)
        if first is None:
            values.append(first := value)
        spelt = next((text for known, text, owner in spellings if known == first and owner in (None, head)), None)
        if spelt is None:
            spelt = label
            spellings.append((first, label, head if is_energy(label) else None))
        stops[place], labels[place] = first, spelt
    return table.assign(stops=pd.array(stops, dtype="float64"), power=pd.array(labels, dtype="str"))
