"""The audit of a set-up as one HTML file: every text and number made ready here, laid out by ``audit.html``."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import __version__
from greystep import words as say
from greystep.show import mixed, words
from greystep.show.canvas import data_uri
from greystep.show.page import render
from greystep.show.washes import draw_pairs, draw_paths, draw_washes, magnification

Columns = list[tuple[str, str]]
Rows = list[tuple[str, ...]]

_AMOUNTS: Final = {
    "share": "the shares of SETUP.csv",
    "reads": "the meter readings of SETUP.csv (a digit behind a full aperture is tenths of a stop)",
    "stops": "the stops of SETUP.csv",
    "equal": "equal shares, for SETUP.csv gives none",
    "measured": "as measured, light by light",
}
_CUT: Final = {
    "whole": "whole",
    "tail": "its tail is lost",
    "cut": "cut short",
    "": "not known: no t0.1 in session.toml",
}


def audit_drawings(audit: Mapping[str, Any]) -> dict[str, str]:
    """Return the figures of an audit as SVG text, by name, from audit.json's object."""
    lights, pairs = pd.DataFrame(audit["lights"]), pd.DataFrame(audit["pairs"])
    roles = lights["role"].to_list()
    states = {name: (upvp, balance) for name, upvp, balance in _states(audit)}
    times = magnification(list(states.values()))
    return {
        **{name: draw_washes(roles, upvp, balance, times) for name, (upvp, balance) in states.items()},
        "pairs": draw_pairs(roles, pairs),
        "paths": draw_paths(lights, audit["balance"], audit["mixture"]),
    }


def audit_page(audit: Mapping[str, Any], drawings: Mapping[str, str]) -> str:
    """Return the audit as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Parameters
    ----------
    audit : mapping
        audit.json's object.
    drawings : mapping of name to SVG text
        From `audit_drawings`.
    """
    pair, cheapest = audit["worst_pair"], audit["cheapest"] or audit["maybe"]
    context = {
        "version": __version__,
        "title": audit["setup"],
        "facts": [f"test session: {audit['session']}", words.counted(len(audit["lights"]), "light")],
        "headline": mixed.headline(audit),
        "verdict_name": audit["verdict"],
        "verdicts": words.VERDICTS,
        "difference": mixed.difference(mixed.farthest(audit)),
        "seen": mixed.seen(mixed.farthest(audit)),
        "apart": f"{words.give_or_take(pair['delta_steps'], pair['u_delta_steps'], 1)} steps",
        "balance": mixed.balance(audit),
        "todo": mixed.todo(audit),
        "caution": say.CAUTION if mixed.needs_care(audit) else "",
        "notes": audit["notes"],
        "limits": mixed.limits(audit),
        "drawings": {name: data_uri(svg) for name, svg in drawings.items()},
        "washes": _wash_captions(audit, cheapest),
        "wash_columns": _wash_columns(audit),
        "wash_rows": _wash_rows(audit),
        "light_columns": _LIGHT_COLUMNS,
        "light_rows": _light_rows(audit),
        "amounts": _AMOUNTS[audit["amounts"]],
        "mixture": _mixture(audit["mixture"]),
        "pair_columns": _PAIR_COLUMNS,
        "pair_rows": _pair_rows(audit),
        "path_caption": f"From {pair['role_a']} alone to {pair['role_b']} alone",
        "path_columns": _PATH_COLUMNS,
        "path_rows": _path_rows(audit),
        "worst_share": _worst_share(pair),
        "chart_columns": [("Patch", "text"), ("dE 2000", "num")] * _ABREAST,
        "chart_rows": _chart_rows(audit),
        "chart": pair,
        "remedy_columns": _REMEDY_COLUMNS,
        "remedy_rows": _remedy_rows(audit),
        "plate_columns": _PLATE_COLUMNS,
        "plate_rows": _plate_rows(audit),
        "whole_columns": _WHOLE_COLUMNS,
        "whole_rows": _whole_rows(audit),
        "shutter_columns": _SHUTTER_COLUMNS,
        "shutter_rows": _shutter_rows(audit),
        "shutter": _shutter_said(audit),
        "gel_columns": _GEL_COLUMNS,
        "gel_rows": _gel_rows(audit),
        "gels_own": all(gel["own"] for gel in audit["gels"]),
    }
    return render("audit.html", context)


def _mixture(light: Mapping[str, Any]) -> str:
    numbers = (words.number(light[name], digits) for name, digits in (("cct_k", 0), ("mired", 1), ("duv", 4)))
    return "{} K, {} mired, Duv {}".format(*numbers)


def _states(audit: Mapping[str, Any]) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Return name, u'v' of the lights and of the balance: balanced on the first light, at best, after the remedy."""
    now = _upvp(audit["lights"])
    best = np.array([audit["balance"]["u_prime"], audit["balance"]["v_prime"]])
    states = [("before", now, now[0]), ("balanced", now, best)]
    if audit["after"]:
        white = audit["after"]["balance"]
        states.append(("after", _upvp(audit["after"]["lights"]), np.array([white["u_prime"], white["v_prime"]])))
    elif audit["cheapest"] or audit["maybe"]:  # plates: each light is brought to the first
        states.append(("after", np.tile(now[0], (len(now), 1)), now[0]))
    return states


def _upvp(lights: Any) -> np.ndarray:
    return np.array([(light["u_prime"], light["v_prime"]) for light in lights])


def _wash_captions(audit: Mapping[str, Any], cheapest: Mapping[str, Any] | None) -> list[tuple[str, str, str]]:
    first = audit["lights"][0]["role"]
    captions = [
        ("before", "As it stands", f"White balance on {first}, as with a card held in that light."),
        (
            "balanced",
            "Best common balance",
            "Between the lights: the largest cast anywhere is as small as one can get.",
        ),
    ]
    if cheapest:
        what = cheapest["what"] if cheapest["kind"] != "plates" else "one plate a light, each with its own correction"
        captions.append(("after", "After the remedy", f"{what[:1].upper()}{what[1:]}."))
    return captions


def _wash_columns(audit: Mapping[str, Any]) -> Columns:
    names = {"before": "As it stands", "balanced": "Best balance", "after": "After the remedy"}
    return [("Where only", "text"), *((f"{names[name]}, steps", "num") for name, *_ in _states(audit))]


def _wash_rows(audit: Mapping[str, Any]) -> Rows:
    casts = [np.hypot(*(upvp - balance).T) / 0.0011 for _, upvp, balance in _states(audit)]
    roles = [light["role"] for light in audit["lights"]]
    return [(role, *(words.number(cast[place], 1) for cast in casts)) for place, role in enumerate(roles)]


_LIGHT_COLUMNS: Final[Columns] = [
    ("Light", "text"), ("Head", "text"), ("Power", "text"), ("Gel", "text"), ("Share", "num"), ("Kelvin", "num"),
    ("Mired", "num"), ("Duv", "num"), ("Off the balance, K", "num"), ("mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("dE 2000 on grey", "num"),
]  # fmt: skip


def _light_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            light["role"], light["head"], light["power"], light["gel"] or words.EMPTY,
            f"{100.0 * light['share']:.0f} %", words.number(light["cct_k"], 0),
            words.give_or_take(light["mired"], light["u_mired"], 1), words.number(light["duv"], 4),
            words.number(light["delta_k"], 0, True), words.number(light["delta_mired"], 1, True),
            words.number(light["delta_duv"], 4, True), words.number(light["cast_steps"], 1),
            words.number(light["cast_delta_e_2000"], 1),
        )
        for light in audit["lights"]
    ]  # fmt: skip


_PAIR_COLUMNS: Final[Columns] = [
    ("This light", "text"), ("against", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("dE 2000 on grey", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _pair_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            row["role_b"], row["role_a"], words.number(row["delta_k"], 0, True),
            words.give_or_take(row["delta_mired"], row["u_delta_mired"], 1, True),
            words.give_or_take(row["delta_duv"], row["u_delta_duv"], 4, True),
            words.give_or_take(row["delta_steps"], row["u_delta_steps"], 1),
            words.number(row["delta_e_2000"], 1), row["verdict"],
        )
        for row in sorted(audit["pairs"], key=lambda row: -row["delta_steps"])
    ]  # fmt: skip


_PATH_COLUMNS: Final[Columns] = [
    ("Share of the second", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Off the best balance, steps", "num"),
]  # fmt: skip


def _path_rows(audit: Mapping[str, Any]) -> Rows:
    chosen = audit["path"][::5]
    return [
        (
            f"{100.0 * row['share_b']:.0f} %", words.number(row["cct_k"], 0), words.number(row["mired"], 1),
            words.number(row["duv"], 4), words.number(row["cast_steps"], 1),
        )
        for row in chosen
    ]  # fmt: skip


def _worst_share(pair: Mapping[str, Any]) -> str:
    """Say where on the way from one light to the other the best balance leaves most."""

    def place(share: float) -> str:
        if share in (0.0, 1.0):
            return f"where only {pair['role_b' if share else 'role_a']} falls"
        return f"where {100.0 * share:.0f} % of the light is {pair['role_b']}"

    where = place(pair["share"])
    if pair["share_too"] is not None:
        where += f", and as much {place(pair['share_too'])}"
    return f"{pair['cast_steps']:.1f} steps {where}"


#: Patches side by side in the table of them.
_ABREAST: Final = 5


def _chart_rows(audit: Mapping[str, Any]) -> Rows:
    cells = [cell for row in audit["chart"] for cell in (row["patch"], words.number(row["delta_e_2000"], 1))]
    return [tuple(cells[at : at + 2 * _ABREAST]) for at in range(0, len(cells), 2 * _ABREAST)]


_REMEDY_COLUMNS: Final[Columns] = [
    ("Remedy", "text"), ("What to do", "long"), ("Leaves, K", "num"), ("mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("Light lost, stops", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _remedy_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            mixed.KINDS[one["kind"]], one["what"], words.number(one["residual_k"], 0),
            words.number(one["residual_mired"], 1), words.number(one["residual_duv"], 4),
            words.give_or_take(one["residual_steps"], one["u_residual_steps"], 1),
            words.number(one["cost_stops"], 1), one["verdict"],
        )
        for one in audit["remedies"]
    ]  # fmt: skip


_PLATE_COLUMNS: Final[Columns] = [
    ("Plate", "text"), ("Gain red", "num"), ("green", "num"), ("blue", "num"), ("Mired", "num"), ("Duv", "num"),
]  # fmt: skip


def _plate_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            plate["role"], words.number(plate["gain_r"], 4), words.number(plate["gain_g"], 4),
            words.number(plate["gain_b"], 4), words.number(plate["mired_shift"], 1, True),
            words.number(plate["duv_shift"], 4, True),
        )
        for one in audit["remedies"]
        for plate in one.get("corrections", ())
    ]  # fmt: skip


_WHOLE_COLUMNS: Final[Columns] = [
    ("Frame", "text"), ("Lights", "text"), ("Off the sum, stops", "num"), ("Steps", "num"), ("Adds up", "text"),
]  # fmt: skip


def _whole_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            row["frame"], row["lights"], words.number(row["stops_off"], 2, True), words.number(row["steps_off"], 1),
            "no" if row["not_additive"] else "yes",
        )
        for row in audit["wholes"]
    ]  # fmt: skip


_SHUTTER_COLUMNS: Final[Columns] = [
    ("Light", "text"), ("Head", "text"), ("Power", "text"), ("t0.1", "num"), ("Flash", "text"),
    ("Room light where it alone falls", "num"),
]  # fmt: skip


def _shutter_rows(audit: Mapping[str, Any]) -> Rows:
    room = {row["role"]: row["ambient_pct"] for row in audit["ambient"]["lights"]}
    return [
        (
            row["role"], row["head"], row["power"], mixed.time(row["t01_s"]), _CUT[row["cut"]],
            f"{room[row['role']]:.2f} %" if words.known(room.get(row["role"])) else words.EMPTY,
        )
        for row in audit["shutter"]["flashes"]
    ]  # fmt: skip


def _shutter_said(audit: Mapping[str, Any]) -> str:
    check, ambient = audit["shutter"], audit["ambient"]["ambient_pct"]
    said = []
    if words.known(check["shutter_s"]):
        planned = "planned" if check["given"] else "that of the test; give another with --shutter"
        said.append(f"Shutter {mixed.shutter_time(check['shutter_s'])} ({planned}).")
    if check["slowest"]:
        slow = check["slowest"]
        said.append(
            f"The slowest flash is {slow['role']}, {slow['head']} at {slow['power']}: {mixed.time(slow['t01_s'])}."
        )
    if check["least_shutter"]:
        said.append(f"{check['least_shutter']} s is the shortest shutter that lets every flash end, tail and all.")
    if words.known(ambient):
        said.append(
            f"Room light makes {ambient:.2f} % of the whole, if the room is as bright as at the test and the strongest "
            "light stands as far off as it did there."
        )
    return " ".join(said)


_GEL_COLUMNS: Final[Columns] = [("Gel", "text"), ("Mired", "num"), ("Duv", "num"), ("Light lost, stops", "num")]


def _gel_rows(audit: Mapping[str, Any]) -> Rows:
    return [
        (
            gel["name"], words.give_or_take(gel["mired_shift"], gel["spread_mired"] or None, 1, True),
            words.give_or_take(gel["duv_shift"], gel["spread_duv"] or None, 4, True), words.number(gel["stops"], 2),
        )
        for gel in audit["gels"]
    ]  # fmt: skip
