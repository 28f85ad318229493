"""Frame against frame: what no frame shows alone, found among the frames of one log by the contract's limits.

Every function takes the joined table, one row a frame, and returns one boolean a row.
"""

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep.arrays import Booleans, Floats
from greystep.constants import MARKING_TOLERANCE_STOPS
from greystep.measure.uncertainty import student_factor
from greystep.session.ambient import settings_of
from greystep.session.repeats import Repeats, pooled_sd
from greystep.session.settings import HeadInfo
from greystep.terms import DECLARED, LIT, PARTS, TESTED

#: What makes a cell, as far as the log has it: frames of one cell are repeats of each other.
CELL: Final = ("body", "head", *PARTS, "power")
#: A frame is no flash within this many standard uncertainties of room light, or below this share of its cell.
NO_FLASH_SD: Final = 3.0
NO_FLASH_SHARE: Final = 0.1
#: A frame fired short this far below its cell [stop]; below its setting where it has no repeats.
PARTIAL_STOPS: Final = 0.2
PARTIAL_STOPS_ALONE: Final = 0.5
#: Distance from the cell's median, in pooled standard deviations, beyond which chance is no reason.
OUTLIER_SD: Final = 5.0
#: A head whose other cells, at least so many with repeats, scatter so many times more than the session is judged by
#: their deviation: to call its scatter outliers would hide what the test is for.
RESTLESS: Final = 1.5
RESTLESS_CELLS: Final = 2
#: With few repeats the pooled deviation is itself uncertain: Student's factor at this chance where it is larger.
OUTLIER_CHANCE: Final = 1e-4
#: From so many degrees of freedom on Student's factor at that chance is below `OUTLIER_SD`: 4.966 at 18 (computed).
_DOF_OF_OUTLIER_SD: Final = 18
#: Focal lengths nearer than this share are one: zooms report what their encoder reads.
_SAME_FOCAL: Final = 0.01


def cells(table: pd.DataFrame) -> NDArray[np.int64]:
    """Return the number of each row's cell, in the order of the table."""
    if "cell" in table:  # it is asked for thirty times
        return table["cell"].to_numpy(dtype=np.int64)
    return _numbers(table, [name for name in CELL if name in table])


def limit_sd(dof: int) -> float:
    """Return the number of pooled standard deviations that chance may reach; infinite without degrees of freedom."""
    if not dof:
        return float("inf")
    if dof >= _DOF_OF_OUTLIER_SD:  # what tells more precisely takes a tenth of a second to import
        return OUTLIER_SD
    return max(OUTLIER_SD, student_factor(dof, OUTLIER_CHANCE))


def settings_changed(table: pd.DataFrame, black_known: Booleans) -> Booleans:
    """Aperture, shutter, lens or focal length unlike most flash frames of that head.

    ISO counts only where no ambient or dark frame at that ISO is there to take its black level off.

    Args:
        table: With body, head, kind, exposure_s, f_number, iso, lens, focal_mm; unknown settings are not compared.
        black_known: Array (n,). Rows at whose ISO there is an ambient or dark frame.
    """
    exact = settings_of(table)
    found = np.zeros(len(table), dtype=bool)
    flash = table["kind"].isin(TESTED).to_numpy()
    lens, focal = table["lens"].tolist(), table["focal_mm"].to_numpy(dtype=np.float64)
    for rows in _places(table, ["body", "head"], flash):
        for column in (0, 1):
            found[rows] |= _unlike([exact[row][column] for row in rows])
        found[rows] |= _unlike([exact[row][2] for row in rows]) & ~black_known[rows]
        found[rows] |= _unlike([lens[row] or None for row in rows])
        known = rows[np.isfinite(focal[rows])]
        if len(known):
            usual = Counter(focal[known].tolist()).most_common(1)[0][0]
            found[known] |= np.abs(focal[known] / usual - 1.0) > _SAME_FOCAL
    return found


def no_flash(table: pd.DataFrame, sound: Booleans) -> Booleans:
    """No light of the flash: within three standard uncertainties of room light, or below a tenth of its cell.

    Args:
        table: With the columns of a cell, kind, stops, ``green`` and ``u_green``: signal above black and room light and
            its standard uncertainty [raw counts], and ``level`` [stops], its log2 with the exposure settings taken out.
        sound: Array (n,). Rows whose light counts for the others.
    """
    due = table["kind"].isin(DECLARED).to_numpy()
    green, u_green = table["green"].to_numpy(dtype=np.float64), table["u_green"].to_numpy(dtype=np.float64)
    none = due & (green < NO_FLASH_SD * u_green)
    short = shortfall(table, sound & ~none)[0]
    return np.asarray(none | (short > -np.log2(NO_FLASH_SHARE)))


def partial_flash(table: pd.DataFrame, sound: Booleans) -> Booleans:
    """Fired short: more than 0.2 stop and 5 pooled standard deviations below its cell, or 0.5 stop below its setting.

    The setting counts where the cell has no other frame. Arguments are those of `no_flash`, `sound` without the frames
    that did not fire.
    """
    short, alone = shortfall(table, sound)
    sd, dof = pooled_sd(np.where(sound, table["level"].to_numpy(dtype=np.float64), np.nan), cells(table))
    apart = short > max(PARTIAL_STOPS, limit_sd(dof) * sd) if dof else np.zeros(len(table), dtype=bool)
    return np.asarray(np.where(alone, short > PARTIAL_STOPS_ALONE, apart) & sound)


def shortfall(table: pd.DataFrame, sound: Booleans) -> tuple[Floats, Booleans]:
    """Return how far each flash frame lies below what is expected of it [stops], and where it has no repeats.

    Expected is the median of the cell's sound frames; of an even number the upper of the two in the middle, because
    a flash falls short, but does not overshoot; the lower one where these two disagree and only it fits the power that
    was set. Where a cell has no other sound frame: the head's other cells at their settings. NaN where nothing is
    expected.
    """
    expected, alone, _ = _expected(table, sound)
    return expected - table["level"].to_numpy(dtype=np.float64), alone


def overshot(table: pd.DataFrame, sound: Booleans) -> Booleans:
    """Brighter than the power that was set, where no majority of repeats says that the head is so: another row's frame.

    That is the frame that fits the set power worse of two that disagree, and one more than 0.5 stop above its setting
    that no repeat is left of. Arguments are those of `partial_flash`.
    """
    expected, alone, torn = _expected(table, sound)
    above = table["level"].to_numpy(dtype=np.float64) - expected
    flash = table["kind"].isin(TESTED).to_numpy()
    number = cells(table)
    lost = alone & (np.bincount(number[flash], minlength=number.max(initial=0) + 1)[number] > 1)
    return np.asarray(sound & flash & ((torn & (above > PARTIAL_STOPS)) | (lost & (above > PARTIAL_STOPS_ALONE))))


def _expected(table: pd.DataFrame, sound: Booleans) -> tuple[Floats, Booleans, Booleans]:
    """Return the level expected of each flash frame, where it has no repeats, and where the set power chose the level.

    The set power is that of the head's other cells at their settings: output falls by a stop a stop.
    """
    level = table["level"].to_numpy(dtype=np.float64)
    flash = table["kind"].isin(TESTED).to_numpy() & np.isfinite(level)
    counted = flash & sound
    number = cells(table)
    stops = table["stops"].to_numpy(dtype=np.float64)
    expected, alone, torn = np.full(len(table), np.nan), np.zeros(len(table), dtype=bool), np.zeros(len(table), bool)
    middle: dict[int, tuple[float, float]] = {}  # the lower and the upper of the two in the middle
    for cell in np.unique(number[flash]):
        inside = np.sort(level[counted & (number == cell)])
        if len(inside):
            middle[int(cell)] = float(inside[(len(inside) - 1) // 2]), float(inside[len(inside) // 2])
        rows = flash & (number == cell)
        alone |= rows & (len(inside) - counted < 1)
    for rows in _places(table, ["body", "head"], flash):
        of_head = {cell: stops[row] for row in rows if (cell := int(number[row])) in middle}
        for cell in np.unique(number[rows]).tolist():
            others = [
                middle[other][1] + at
                for other, at in of_head.items()
                if other != cell and middle[other][1] - middle[other][0] <= PARTIAL_STOPS
            ]
            mine = rows[number[rows] == cell]
            as_set = float(np.median(others)) - stops[mine] if others else np.full(len(mine), np.nan)
            lower, upper = middle.get(cell, (np.nan, np.nan))
            above = upper - as_set
            torn[mine] = (above > PARTIAL_STOPS_ALONE) & (np.abs(lower - as_set) < above - PARTIAL_STOPS)
            expected[mine] = np.where(alone[mine], as_set, np.where(torn[mine], lower, upper))
    return expected, alone, torn & ~alone


def tail_cut(table: pd.DataFrame, heads: Mapping[str, HeadInfo]) -> Booleans:
    """Shutter shorter than the flash: the recorded time is below t0.1 of that head at that power.

    A marking is rounded by up to a tenth of a stop, so that much is no difference.

    Args:
        table: With head, stops, kind and exposure_s.
        heads: What session.toml says of the heads; those without t0.1 are not judged.
    """
    found = np.zeros(len(table), dtype=bool)
    lit = table["kind"].isin(LIT).to_numpy()
    stops, time_s = (table[name].to_numpy(dtype=np.float64) for name in ("stops", "exposure_s"))
    for head, info in heads.items():
        rows = lit & (table["head"] == head).to_numpy() & np.isfinite(stops) & np.isfinite(time_s)
        found[rows] = time_s[rows] < info.t01_at(stops[rows]) * 2.0**-MARKING_TOLERANCE_STOPS
    return found


def too_soon(table: pd.DataFrame, fired: Booleans, recycle_s: float | None) -> Booleans:
    """Shot sooner than the recycle time after the flash before it of its pack, or of its head where no pack is known.

    Only where the clock proves it: times are cut at the last digit that the camera wrote.

    Args:
        table: With body, head, pack and captured.
        fired: Array (n,). Rows in which a flash fired.
        recycle_s: From flash to flash at least [s]; None where it is not watched.
    """
    found = np.zeros(len(table), dtype=bool)
    if recycle_s is None:
        return found
    captured = table["captured"].tolist()
    clock = pd.to_datetime(table["captured"], format="ISO8601", errors="coerce").to_numpy("datetime64[us]")
    digit = np.array([10.0 ** -len(text.partition(".")[2]) for text in captured])
    charge = table.assign(charge=table["pack"].where(table["pack"] != "", "head " + table["head"]))
    for rows in _places(charge, ["body", "charge"], fired & ~np.isnat(clock) & (table["head"] != "").to_numpy()):
        rows = rows[np.argsort(clock[rows], kind="stable")]
        gap = np.diff(clock[rows]) / np.timedelta64(1, "s")
        found[rows[1:]] = gap + np.maximum(digit[rows[1:]], digit[rows[:-1]]) <= recycle_s + 1e-9
    return found


def outlier(table: pd.DataFrame, used: Booleans) -> Booleans:
    """More than 5 standard deviations from the cell's median in mired, Duv or output.

    The deviation is pooled robustly over the session, or over the head's other cells where these scatter clearly more,
    and never below the frame's own noise.

    Args:
        table: With the columns of a cell, mired, duv, level [stops] and the frames' own noise, k = 1: ``noise_mired``,
            ``noise_duv``, ``noise_level``.
        used: Array (n,). Rows that count: flash frames that are not rejected.
    """
    apart = [np.abs(from_median(table, name, used)) > _limit(table, name, used) for name in ("mired", "duv", "level")]
    return np.asarray(np.any(apart, axis=0) & used)


def at_odds(table: pd.DataFrame, used: Booleans) -> Booleans:
    """The two frames of a cell whose colours lie farther apart than an outlier from its median: one of them is wrong.

    Arguments are those of `outlier`.
    """
    number = cells(table)
    two = used & (np.bincount(number[used], minlength=number.max(initial=0) + 1)[number] == 2)
    if not two.any():
        return np.zeros(len(table), dtype=bool)
    apart = [2.0 * np.abs(from_median(table, name, two)) > _limit(table, name, used) for name in ("mired", "duv")]
    return np.asarray(np.any(apart, axis=0) & two)


def _limit(table: pd.DataFrame, name: str, used: Booleans) -> Floats:
    """Return how far each row may lie from the median of its cell in column `name`; infinite without repeats."""
    number = cells(table)
    values = np.where(used, table[name].to_numpy(dtype=np.float64), np.nan)
    session_sd, dof = pooled_sd(values, number)
    if not dof:
        return np.full(len(table), np.inf)
    limit = np.full(len(table), limit_sd(dof) * session_sd)
    for rows in _places(table, ["body", "head"], used):
        own, (numbers, counts) = Repeats.of(values[rows], number[rows]), np.unique(number[rows], return_counts=True)
        for cell in numbers.tolist():
            head_sd, head_dof = own.without(cell).pooled_sd()
            repeated = np.count_nonzero(counts[numbers != cell] > 1)
            if head_sd > RESTLESS * session_sd and repeated >= RESTLESS_CELLS:
                limit[number == cell] = limit_sd(head_dof) * head_sd
    return np.asarray(np.fmax(limit, OUTLIER_SD * table[f"noise_{name}"].to_numpy(dtype=np.float64)))


def from_median(table: pd.DataFrame, name: str, used: Booleans) -> Floats:
    """Return how far each row lies above the median of its cell in column `name`; `used` as in `outlier`."""
    median = table[name].where(used).groupby(cells(table)).transform("median")
    return np.asarray((table[name] - median).to_numpy(dtype=np.float64))


def _places(table: pd.DataFrame, keys: list[str], among: Booleans) -> list[NDArray[np.int64]]:
    """Return the places of each group's rows, of those in `among`."""
    numbers = _numbers(table, keys)
    return [np.flatnonzero(among & (numbers == number)) for number in np.unique(numbers[among])]


def _numbers(table: pd.DataFrame, keys: Sequence[str]) -> NDArray[np.int64]:
    """Number the rows by their text in some columns, in the order of the table; what is missing is one text."""
    rows = zip(*([None if cell != cell else cell for cell in table[key].tolist()] for key in keys), strict=True)
    known: dict[tuple[object, ...], int] = {}  # an ingest asks 30 times: pandas takes ten times as long for it
    return np.array([known.setdefault(row, len(known)) for row in rows], dtype=np.int64)


def _unlike(values: Sequence[Hashable]) -> Booleans:
    """Say which known values differ from the commonest known one, ties to the first."""
    known = [value for value in values if value is not None]
    if not known:
        return np.zeros(len(values), dtype=bool)
    usual = Counter(known).most_common(1)[0][0]
    return np.array([value is not None and value != usual for value in values])
