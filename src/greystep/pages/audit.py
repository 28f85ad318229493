"""The audit of a set-up as one HTML file: every text and number made ready here, laid out by ``audit.html``."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import numpy as np

from greystep import __version__
from greystep import words as say
from greystep.arrays import Floats
from greystep.files import plain
from greystep.measure import chromaticity
from greystep.mix.audit import Audit
from greystep.mix.casts import Casts, WorstPair
from greystep.mix.changes import Plates
from greystep.mix.gels import Gel
from greystep.mix.lights import White
from greystep.mix.remedies import Remedy
from greystep.mix.shutter import Cut
from greystep.pages import formats as words
from greystep.pages.report import render
from greystep.pages.setup_figures import draw_pairs, draw_paths, draw_washes, magnification
from greystep.pages.svg import data_uri
from greystep.sentences import setups

Columns = list[tuple[str, str]]
Rows = list[tuple[str, ...]]

_AMOUNTS: Final = {
    "share": "the shares of SETUP.csv",
    "reads": "the meter readings of SETUP.csv (a digit behind a full aperture is tenths of a stop)",
    "stops": "the stops of SETUP.csv",
    "equal": "equal shares, because SETUP.csv gives none",
    "measured": "as measured, light by light",
}
_CUT: Final = {
    Cut.WHOLE: "whole",
    Cut.TAIL: "its tail is lost",
    Cut.SHORT: "cut short",
    Cut.UNKNOWN: "not known: no t0.1 in session.toml",
}


def audit_document(audit: Audit) -> dict[str, Any]:
    """Return the object of audit.json, with None for every number that is not known."""
    now, check = audit.now, audit.shutter
    content = {
        "schema": 1,
        "greystep": __version__,
        "setup": audit.name,
        "session": audit.session,
        "tolerance": setups.tolerance(audit),
        "amounts": audit.setup.amounts,
        "lights": [asdict(light) for light in now.lights],
        "mixture": asdict(now.mixture),
        "balance": asdict(now.balance),
        "worst_pair": _worst_document(now.worst),
        "pairs": [asdict(pair) for pair in now.pairs],
        "path": [asdict(point) for point in now.path[::5]],
        "chart": [asdict(patch) for patch in now.chart],
        "verdict": now.verdict,
        "remedies": [_remedy_document(one) for one in audit.remedies],
        "cheapest": _remedy_document(audit.cheapest) if audit.cheapest else None,
        "maybe": _remedy_document(audit.maybe) if audit.maybe else None,
        "after": _after_document(audit.after) if audit.after else None,
        "shutter": {
            "shutter_s": check.shutter_s,
            "given": check.given,
            "flashes": [asdict(flash) for flash in check.flashes],
            "slowest": asdict(check.slowest) if check.slowest else None,
            "least_shutter": check.least_shutter or None,
        },
        "ambient": {
            "ambient_pct": check.ambient_pct,
            "high": check.ambient_high,
            "lights": [asdict(share) for share in check.room],
        },
        "wholes": [asdict(whole) for whole in audit.wholes],
        "not_additive": setups.not_additive(audit.wholes),
        "gels": [_gel_document(gel) for gel in audit.gels],
        "notes": setups.notes(audit),
    }
    made: dict[str, Any] = plain(content)
    return made


def _worst_document(worst: WorstPair) -> dict[str, Any]:
    content = asdict(worst)
    pair: dict[str, Any] = content.pop("pair")
    return pair | content


def _remedy_document(one: Remedy) -> dict[str, Any]:
    content: dict[str, Any] = {"kind": one.kind, "role": say.listed(one.roles), "what": setups.what(one.change)}
    for name in ("residual_steps", "u_residual_steps", "residual_k", "residual_mired", "residual_duv", "cost_stops"):
        content[name] = getattr(one, name)
    content["verdict"] = one.verdict
    if isinstance(one.change, Plates):
        content["corrections"] = [asdict(plate) for plate in one.change.plates]
    return content


def _after_document(casts: Casts) -> dict[str, Any]:
    return {
        "lights": [asdict(light) for light in casts.lights],
        "balance": asdict(casts.balance),
        "worst_pair": _worst_document(casts.worst),
        "verdict": casts.verdict,
    }


def _gel_document(gel: Gel) -> dict[str, Any]:
    (_, mired, duv), *_ = gel.doubts
    return {
        "name": gel.name,
        "mired_shift": gel.mired_shift,
        "duv_shift": gel.duv_shift,
        "stops": gel.stops,
        "spread_mired": 2.0 * mired,
        "spread_duv": 2.0 * duv,
        "own": gel.own,
    }


def audit_drawings(audit: Audit) -> dict[str, str]:
    """Return the figures of an audit as SVG text, by name."""
    now = audit.now
    roles = [light.role for light in now.lights]
    states = {name: (upvp, balance) for name, upvp, balance in _states(audit)}
    times = magnification(list(states.values()))
    return {
        **{name: draw_washes(roles, upvp, balance, times) for name, (upvp, balance) in states.items()},
        "pairs": draw_pairs(roles, now.pairs),
        "paths": draw_paths(now.lights, now.balance, now.mixture),
    }


def audit_page(audit: Audit, drawings: Mapping[str, str]) -> str:
    """Return the audit as HTML text that asks for nothing outside itself; the same input gives the same bytes."""
    worst, pair = audit.now.worst, setups.farthest(audit)
    context = {
        "version": __version__,
        "title": audit.name,
        "facts": [f"test session: {audit.session}", words.counted(len(audit.now.lights), "light")],
        "headline": setups.headline(audit),
        "verdict_name": audit.now.verdict,
        "verdicts": words.VERDICTS,
        "difference": setups.difference(pair),
        "seen": setups.seen(pair),
        "apart": f"{words.give_or_take(worst.pair.delta_steps, worst.pair.u_delta_steps, 1)} steps",
        "balance": setups.balance(audit),
        "todo": setups.to_do(audit),
        "caution": say.CAUTION if setups.needs_care(audit) else "",
        "notes": setups.notes(audit),
        "limits": setups.limits(audit),
        "drawings": {name: data_uri(svg) for name, svg in drawings.items()},
        "washes": _wash_captions(audit),
        "wash_columns": _wash_columns(audit),
        "wash_rows": _wash_rows(audit),
        "light_columns": _LIGHT_COLUMNS,
        "light_rows": _light_rows(audit),
        "amounts": _AMOUNTS[audit.setup.amounts],
        "mixture": _mixture(audit.now.mixture),
        "pair_columns": _PAIR_COLUMNS,
        "pair_rows": _pair_rows(audit),
        "path_caption": f"From {worst.pair.role_a} alone to {worst.pair.role_b} alone",
        "path_columns": _PATH_COLUMNS,
        "path_rows": _path_rows(audit),
        "largest_cast": setups.largest_cast(worst),
        "chart_columns": [("Patch", "text"), ("dE 2000", "num")] * _ABREAST,
        "chart_rows": _chart_rows(audit),
        "worst": worst,
        "remedy_columns": _REMEDY_COLUMNS,
        "remedy_rows": _remedy_rows(audit),
        "plate_columns": _PLATE_COLUMNS,
        "plate_rows": _plate_rows(audit),
        "whole_columns": _WHOLE_COLUMNS,
        "whole_rows": _whole_rows(audit),
        "shutter_columns": _SHUTTER_COLUMNS,
        "shutter_rows": _shutter_rows(audit),
        "shutter": setups.shutter_facts(audit.shutter),
        "gel_columns": _GEL_COLUMNS,
        "gel_rows": _gel_rows(audit),
        "gels_own": all(gel.own for gel in audit.gels),
    }
    return render("audit.html", context)


def _mixture(light: White) -> str:
    return f"{light.cct_k:.0f} K, {light.mired:.1f} mired, Duv {words.number(light.duv, 4)}"


def _states(audit: Audit) -> list[tuple[str, Floats, Floats]]:
    """Return name, u'v' of the lights and of the balance: balanced on the first light, at best, after the remedy."""
    now = _upvp(audit.now)
    states = [("before", now, now[0]), ("balanced", now, audit.now.balance.upvp)]
    if audit.after:
        states.append(("after", _upvp(audit.after), audit.after.balance.upvp))
    elif audit.cheapest or audit.maybe:  # plates: each light is brought to the first
        states.append(("after", np.tile(now[0], (len(now), 1)), now[0]))
    return states


def _upvp(casts: Casts) -> Floats:
    return np.array([(light.u_prime, light.v_prime) for light in casts.lights])


def _wash_captions(audit: Audit) -> list[tuple[str, str, str]]:
    first, best = audit.now.lights[0].role, audit.cheapest or audit.maybe
    captions = [
        ("before", "As it stands", f"White balance on {first}, as with a card held in that light."),
        (
            "balanced",
            "Best common balance",
            "Between the lights: the largest cast anywhere is as small as one can get.",
        ),
    ]
    if best:
        plates = isinstance(best.change, Plates)
        task = "one plate a light, each with its own correction" if plates else setups.what(best.change)
        captions.append(("after", "After the remedy", f"{task[:1].upper()}{task[1:]}."))
    return captions


def _wash_columns(audit: Audit) -> Columns:
    names = {"before": "As it stands", "balanced": "Best balance", "after": "After the remedy"}
    return [("Where only", "text"), *((f"{names[name]}, steps", "num") for name, *_ in _states(audit))]


def _wash_rows(audit: Audit) -> Rows:
    casts = [chromaticity.steps(upvp, balance) for _, upvp, balance in _states(audit)]
    return [
        (light.role, *(words.number(float(cast[place]), 1) for cast in casts))
        for place, light in enumerate(audit.now.lights)
    ]


_LIGHT_COLUMNS: Final[Columns] = [
    ("Light", "text"), ("Head", "text"), ("Power", "text"), ("Gel", "text"), ("Share", "num"), ("Kelvin", "num"),
    ("Mired", "num"), ("Duv", "num"), ("Off the balance, K", "num"), ("mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("dE 2000 on grey", "num"),
]  # fmt: skip


def _light_rows(audit: Audit) -> Rows:
    return [
        (
            light.role, light.head, light.power, light.gel or words.EMPTY,
            f"{100.0 * light.share:.0f} %", words.number(light.cct_k, 0),
            words.give_or_take(light.mired, light.u_mired, 1), words.number(light.duv, 4),
            words.number(light.delta_k, 0, True), words.number(light.delta_mired, 1, True),
            words.number(light.delta_duv, 4, True), words.number(light.cast_steps, 1),
            words.number(light.cast_delta_e_2000, 1),
        )
        for light in audit.now.lights
    ]  # fmt: skip


_PAIR_COLUMNS: Final[Columns] = [
    ("This light", "text"), ("against", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("dE 2000 on grey", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _pair_rows(audit: Audit) -> Rows:
    return [
        (
            row.role_b, row.role_a, words.number(row.delta_k, 0, True),
            words.give_or_take(row.delta_mired, row.u_delta_mired, 1, True),
            words.give_or_take(row.delta_duv, row.u_delta_duv, 4, True),
            words.give_or_take(row.delta_steps, row.u_delta_steps, 1),
            words.number(row.delta_e_2000, 1), row.verdict,
        )
        for row in sorted(audit.now.pairs, key=lambda row: -row.delta_steps)
    ]  # fmt: skip


_PATH_COLUMNS: Final[Columns] = [
    ("Share of the second", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Off the best balance, steps", "num"),
]  # fmt: skip


def _path_rows(audit: Audit) -> Rows:
    return [
        (
            f"{100.0 * row.share_b:.0f} %", words.number(row.cct_k, 0), words.number(row.mired, 1),
            words.number(row.duv, 4), words.number(row.cast_steps, 1),
        )
        for row in audit.now.path[::25]
    ]  # fmt: skip


#: Patches side by side in the table of them.
_ABREAST: Final = 5


def _chart_rows(audit: Audit) -> Rows:
    cells = [cell for row in audit.now.chart for cell in (row.patch, words.number(row.delta_e_2000, 1))]
    return [tuple(cells[at : at + 2 * _ABREAST]) for at in range(0, len(cells), 2 * _ABREAST)]


_REMEDY_COLUMNS: Final[Columns] = [
    ("Remedy", "text"), ("What to do", "long"), ("Leaves, K", "num"), ("mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("Light lost, stops", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _remedy_rows(audit: Audit) -> Rows:
    return [
        (
            setups.KINDS[one.kind], setups.what(one.change), words.number(one.residual_k, 0),
            words.number(one.residual_mired, 1), words.number(one.residual_duv, 4),
            words.give_or_take(one.residual_steps, one.u_residual_steps, 1),
            words.number(one.cost_stops, 1), one.verdict,
        )
        for one in audit.remedies
    ]  # fmt: skip


_PLATE_COLUMNS: Final[Columns] = [
    ("Plate", "text"), ("Gain red", "num"), ("green", "num"), ("blue", "num"), ("Mired", "num"), ("Duv", "num"),
]  # fmt: skip


def _plate_rows(audit: Audit) -> Rows:
    return [
        (
            plate.role, words.number(plate.gain_r, 4), words.number(plate.gain_g, 4),
            words.number(plate.gain_b, 4), words.number(plate.mired_shift, 1, True),
            words.number(plate.duv_shift, 4, True),
        )
        for one in audit.remedies
        if isinstance(one.change, Plates)
        for plate in one.change.plates
    ]  # fmt: skip


_WHOLE_COLUMNS: Final[Columns] = [
    ("Frame", "text"), ("Lights", "text"), ("Off the sum, stops", "num"), ("Steps", "num"), ("Adds up", "text"),
]  # fmt: skip


def _whole_rows(audit: Audit) -> Rows:
    return [
        (
            row.frame, row.lights, words.number(row.stops_off, 2, True), words.number(row.steps_off, 1),
            "no" if row.not_additive else "yes",
        )
        for row in audit.wholes
    ]  # fmt: skip


_SHUTTER_COLUMNS: Final[Columns] = [
    ("Light", "text"), ("Head", "text"), ("Power", "text"), ("t0.1", "num"), ("Flash", "text"),
    ("Room light where it alone falls", "num"),
]  # fmt: skip


def _shutter_rows(audit: Audit) -> Rows:
    room = {share.role: share.ambient_pct for share in audit.shutter.room}
    return [
        (
            row.role, row.head, row.power,
            say.shutter(row.t01_s) if words.known(row.t01_s) else words.EMPTY, _CUT[row.cut],
            f"{room[row.role]:.2f} %" if words.known(room[row.role]) else words.EMPTY,
        )
        for row in audit.shutter.flashes
    ]  # fmt: skip


_GEL_COLUMNS: Final[Columns] = [("Gel", "text"), ("Mired", "num"), ("Duv", "num"), ("Light lost, stops", "num")]


def _gel_rows(audit: Audit) -> Rows:
    return [
        (
            gel.name, words.give_or_take(gel.mired_shift, 2.0 * mired or None, 1, True),
            words.give_or_take(gel.duv_shift, 2.0 * duv or None, 4, True), words.number(gel.stops, 2),
        )
        for gel in audit.gels
        for _, mired, duv in gel.doubts[:1]
    ]  # fmt: skip
