"""The report as one HTML file: every text and number made ready here, laid out by ``report.html``."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import __version__
from greystep import words as say
from greystep.compare.limits import COLUMN
from greystep.show import words
from greystep.show.canvas import data_uri, thumbnail_uri
from greystep.show.series import with_series

#: The longest table of pairs that the page carries; pairs.csv holds all.
PAIRS_SHOWN: Final = 12
#: All thumbnails of a page together, in pixels; more frames make them smaller, down to `SMALLEST`.
THUMBNAIL_PIXELS: Final = 3.2e6
LARGEST: Final = 256
SMALLEST: Final = 96

_SCALE: Final = {
    "dng": "the one colour matrix that the raw files carry",
    "dng-2": "the two colour matrices that the raw files carry, interpolated",
    "library": "the raw library's matrix for this camera model",
    "camera.json": "camera.json, made from a chart frame",
}


def report_page(
    summary: Mapping[str, Any],
    readings: pd.DataFrame,
    powers: pd.DataFrame,
    heads: pd.DataFrame,
    pairs: pd.DataFrame,
    drawings: Mapping[str, str],
    thumbnails: Mapping[str, np.ndarray],
) -> str:
    """Return the report as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Parameters
    ----------
    summary : mapping
        summary.json's object.
    readings, powers, heads, pairs : DataFrame
        The tables of the contract, with verdicts.
    drawings : mapping of name to SVG text
        From `greystep.show.figures.drawings`; empty where nothing could be drawn.
    thumbnails : mapping of frame to uint8 (h, w, 3)
        A small picture of each frame that has one.
    """
    tolerance, reference = summary["tolerance"], summary["reference"]
    title, why = words.headline(summary)
    todo = summary["todo"]
    flash = readings[readings["kind"] == "flash"]
    claim, claim_rows = words.claim(heads)
    packs = flash.groupby("head", sort=False)["pack"].agg(lambda names: ", ".join(dict.fromkeys(n for n in names if n)))
    context = {
        "version": __version__,
        "title": summary["session"],
        "headline": title,
        "why": why,
        "worst": words.worst_pair(summary["worst_pair"]),
        "kit_verdict": summary["kit_verdict"],
        "facts": _facts(readings, heads, powers),
        "todo": [line.replace(say.CAUTION, "").strip() for line in todo],
        "caution": say.CAUTION if any(say.CAUTION in line for line in todo) else "",
        "notes": summary["notes"],
        "verdicts": words.VERDICTS,
        "limits": words.limits(tolerance, reference["mired"]),
        "band": {
            "mired": f"{tolerance['mired']:g} mired" if words.known(tolerance.get("mired")) else "",
            "duv": f"{tolerance['duv']:.4f}" if words.known(tolerance.get("duv")) else "",
            "output": f"{tolerance['output_stops']:g} stop" if words.known(tolerance.get("output_stops")) else "",
        },
        "reference": words.reference(reference),
        "cards": [
            {
                "head": words.head_label(row),
                "pack": f"pack {packs[row['head']]}" if packs.get(row["head"]) else "",
                "verdict": "" if words.one_power(row) else row["verdict"],
                "back": words.head_label(row) in summary["back"],
                "sentence": summary["sentences"][words.head_label(row)],
                "facts": _head_facts(row, _cells_of(row, powers), pairs),
                "gauge": None
                if words.one_power(row)
                else _gauge(row["span_mired"], row["u_span_mired"], tolerance.get("mired")),
            }
            for row in heads.to_dict("records")
        ],
        "claim": claim,
        "claim_columns": _CLAIM_COLUMNS,
        "claim_rows": [
            (head, shots, words.CLAIMS[at_one], reach, words.CLAIMS.get(over, words.EMPTY))
            for head, shots, at_one, reach, over in claim_rows
        ],
        "drawings": {name: data_uri(svg) for name, svg in drawings.items()},
        "cell_columns": _CELL_COLUMNS,
        "cell_rows": _cell_rows(powers),
        "pair_caption": _pair_caption(pairs),
        "pair_columns": _PAIR_COLUMNS,
        "pair_rows": _pair_rows(pairs, tolerance),
        "uncertainty_columns": _UNCERTAINTY_COLUMNS,
        "uncertainty_rows": _telling(_uncertainty_rows(flash, heads, powers)),
        "order_columns": _ORDER_COLUMNS,
        "order_rows": _telling(_order_rows(heads, powers)),
        "scale": _scale(readings, summary),
        "frame_counts": words.frame_counts(summary["frames"]),
        "flag_columns": [("Frame", "text"), ("What", "text"), ("Status", "text"), ("Why", "text")],
        "flag_rows": [
            (words.frames_named(rows), ", ".join(dict.fromkeys(map(words.frame_label, rows))), status, said)
            for rows, status, said in words.frames_by_fault(readings)
        ],
        "sheet": _sheet(readings, thumbnails),
    }
    return render("report.html", context)


def render(template: str, context: Mapping[str, Any]) -> str:
    """Return a page of this folder's templates as HTML text; a value that it asks for and does not get is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("greystep", "show")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.get_template(template).render(context)


def _facts(readings: pd.DataFrame, heads: pd.DataFrame, powers: pd.DataFrame) -> list[str]:
    days = sorted({text[:10] for text in readings["captured"] if isinstance(text, str) and text})
    shown = days if len(days) < 2 else [f"{days[0]} to {days[-1]}"]
    return [
        *shown,
        words.counted(len(heads), "head"),
        words.counted(powers["stops"].round(2).nunique(), "power"),
        words.counted(len(readings), "frame"),
    ]


def _cells_of(row: Mapping[Any, Any], powers: pd.DataFrame) -> pd.DataFrame:
    """Return the cells of one row of the heads; two camera bodies may have seen heads of the same name."""
    keys = [name for name in ("body", "head") if name in row and name in powers]
    return powers.loc[np.all([powers[name] == row[name] for name in keys], axis=0)]


def _head_facts(row: Mapping[Any, Any], cells: pd.DataFrame, pairs: pd.DataFrame) -> list[tuple[str, str]]:
    facts = []
    if words.known(row["span_mired"]) and not words.one_power(row):
        facts.append(("Warmth", words.kelvin_mired(row["span_k"], row["span_mired"], row["u_span_mired"])))
        facts.append(("Green to pink", words.give_or_take(row["span_duv"], row.get("u_span_duv"), 4)))
    if cells["output_error_stops"].notna().any():
        worst = cells.sort_values("output_error_stops", key=abs, kind="stable", na_position="first").iloc[-1]
        facts.append(("Output", words.output_at(worst["output_error_stops"], worst["power"])))
    if words.known(row["repeatability_mired"]):
        facts.append(("Shot to shot", words.kelvin_mired(row["repeatability_k"], row["repeatability_mired"])))
    if words.known(row["warmup_mired"]) and row.get("warmup_kept", True):
        warmup = words.give_or_take(abs(row["warmup_mired"]), row["u_warmup_mired"], 1)
        facts.append(("First shots", f"{warmup} mired {'cooler' if row['warmup_mired'] > 0 else 'warmer'}"))
    if others := words.mismatches(row, pairs):
        facts.append(("Does not match", say.listed(others)))
    return facts


def _gauge(value: Any, u: Any, limit: Any) -> dict[str, float] | None:
    """Return the places, in 200 units of width, of a value and its interval on a scale that holds the limit."""
    if not (words.known(value) and words.known(limit) and limit > 0):
        return None
    half = u if words.known(u) else 0.0
    unit = 194 / max(2 * limit, value + half)
    places = {"low": 2 + max(value - half, 0) * unit, "high": 2 + (value + half) * unit, "value": 2 + value * unit}
    return {k: round(v, 2) for k, v in {**places, "limit": limit * unit, "limit_at": 2 + limit * unit}.items()}


_CLAIM_COLUMNS: Final = [
    ("Head", "text"), ("95 of 100 shots at one power, within", "num"), ("At one power the claim", "text"),
    ("Its powers, within", "num"), ("Over its powers the claim", "text"),
]  # fmt: skip

_CELL_COLUMNS: Final = [
    ("Head", "text"), ("Power", "text"), ("Frames", "num"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("To reference, K", "num"), ("mired", "num"), ("Duv", "num"), ("Steps", "num"), ("Output, stops", "num"),
]  # fmt: skip


def _cell_rows(powers: pd.DataFrame) -> list[tuple[str, ...]]:
    return [
        (
            cell["series"], cell["power"], str(cell["n"]), words.give_or_take(cell["cct_k"], cell["u_cct_k"], 0),
            words.give_or_take(cell["mired"], cell["u_mired"], 1), words.give_or_take(cell["duv"], cell["u_duv"], 4),
            words.number(cell["ref_delta_k"], 0, True), words.number(cell["ref_delta_mired"], 1, True),
            words.number(cell["ref_delta_duv"], 4, True), words.number(cell["ref_delta_steps"], 1),
            words.give_or_take(cell["output_error_stops"], cell["u_output_error_stops"], 2),
        )
        for cell in with_series(powers).to_dict("records")
    ]  # fmt: skip


_PAIR_COLUMNS: Final = [
    ("This light", "text"), ("against", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _pair_caption(pairs: pd.DataFrame) -> str:
    if len(pairs) <= PAIRS_SHOWN:
        return "Every two lights of different heads"
    return f"The {PAIRS_SHOWN} of {len(pairs)} pairs of different heads that take most of the limits (all in pairs.csv)"


def _pair_rows(pairs: pd.DataFrame, tolerance: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """Return the pairs that take most of a limit, first the worst pair of the summary; without limits the widest."""
    given = {f"delta_{column}": tolerance.get(name) for name, column in COLUMN.items()}
    limits = {column: limit for column, limit in given.items() if words.known(limit)} or {"delta_steps": 1.0}
    worst = (pairs[list(limits)].abs() / pd.Series(limits)).max(axis=1)
    farthest = pairs.loc[worst.sort_values(ascending=False, kind="stable").index[:PAIRS_SHOWN]]
    return [
        (
            words.cell(row["head_b"], row["power_b"]), words.cell(row["head_a"], row["power_a"]),
            words.number(row["delta_k"], 0, True),
            words.give_or_take(row["delta_mired"], row["u_delta_mired"], 1, True),
            words.give_or_take(row["delta_duv"], row["u_delta_duv"], 4, True),
            words.number(row["delta_steps"], 1), row["verdict"],
        )
        for row in farthest.to_dict("records")
    ]  # fmt: skip


_UNCERTAINTY_COLUMNS: Final = [
    ("Head", "text"), ("One frame's noise, \N{PLUS-MINUS SIGN}", "num"),
    ("Shot to shot, sd", "num"), ("Mean at one power, \N{PLUS-MINUS SIGN}", "num"),
]  # fmt: skip


def _uncertainty_rows(flash: pd.DataFrame, heads: pd.DataFrame, powers: pd.DataFrame) -> list[tuple[str, ...]]:
    noise = flash.groupby("head")["u_mired"].median()
    mean = powers.groupby("head")["u_mired"].median()
    return [
        (
            words.head_label(row), words.number(noise.get(row["head"]), 2), words.number(row["repeatability_mired"], 2),
            words.number(mean.get(row["head"]), 2),
        )
        for row in heads.to_dict("records")
    ]  # fmt: skip


_ORDER_COLUMNS: Final = [
    ("Head", "text"), ("Each frame with the next", "num"), ("Way up less way down at each power, mired", "text"),
]  # fmt: skip


def _order_rows(heads: pd.DataFrame, powers: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return what the order of shooting left: the correlation of neighbours, and the two ways through the powers."""
    rows: list[tuple[str, ...]] = []
    for row in heads.to_dict("records"):
        cells = _cells_of(row, powers).to_dict("records")
        legs = [(cell["power"], cell.get("up_less_down_mired")) for cell in cells]
        said = [f"{power}: {words.number(value, 1, True)}" for power, value in legs if words.known(value)]
        rows.append((words.head_label(row), words.number(row.get("lag1"), 2, True), ", ".join(said) or words.EMPTY))
    return rows


def _telling(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return the rows of a table, none where nothing stands behind any name."""
    return rows if any(value != words.EMPTY for row in rows for value in row[1:]) else []


def _scale(readings: pd.DataFrame, summary: Mapping[str, Any]) -> str:
    sources = [name for name in dict.fromkeys(readings["colour_from"]) if name in _SCALE]
    if not sources:
        return "No colour matrix is known for this camera, so that no colour temperature is given."
    text = f"Kelvin rests on {say.listed([_SCALE[name] for name in sources])}"
    if any(body.get("anchored") for body in summary["bodies"]):
        return f"{text}, set right by the meter reading in session.toml."
    return f"{text}; no meter has set it right, so that it may be tens to hundreds of kelvin out."


def _sheet(readings: pd.DataFrame, thumbnails: Mapping[str, np.ndarray]) -> list[dict[str, Any]]:
    longest = int(np.clip(np.sqrt(THUMBNAIL_PIXELS / max(len(thumbnails), 1)), SMALLEST, LARGEST))
    shots = []
    for row in readings.to_dict("records"):
        picture = thumbnails.get(row["frame"])
        edges = [row[f"patch_{edge}"] for edge in ("x0", "y0", "x1", "y1")]
        x0, y0, x1, y1 = (100 * edge for edge in edges)
        box = [round(v, 2) for v in (x0, y0, x1 - x0, y1 - y0)] if all(map(words.known, edges)) else None
        shots.append(
            {
                "frame": row["frame"],
                "label": words.frame_label(row),
                "status": row["status"],
                "said": ""
                if row["status"] == "ok"
                else f"{row['status']}: {'; '.join(words.flags_said(row['flags']))}",
                "picture": thumbnail_uri(picture, longest) if picture is not None else "",
                "height": 0 if picture is None else picture.shape[0],
                "width": 0 if picture is None else picture.shape[1],
                "box": box,
            }
        )
    return shots
