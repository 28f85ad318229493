"""The audit of a set-up as one HTML file: every text and number made ready here, laid out by ``audit.html``."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import numpy as np

from greystep import words as say
from greystep.arrays import Floats
from greystep.documents import document_of
from greystep.measure import chromaticity
from greystep.mix.audit import Audit
from greystep.mix.casts import Casts, WorstPair
from greystep.mix.changes import Plates
from greystep.mix.gels import Gel
from greystep.mix.remedies import Remedy
from greystep.mix.shutter import Cut
from greystep.pages import formats as words
from greystep.pages import strips
from greystep.pages.formats import Column, Table, table
from greystep.pages.report import render
from greystep.pages.setup_figures import draw_pairs, draw_washes, draw_whites, magnification
from greystep.sentences import remedies, setups
from greystep.sentences.green_pink import green_pink
from greystep.sentences.shutter import shutter_facts
from greystep.terms import Verdict

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
        "after": casts_document(audit.after) if audit.after else None,
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
    return document_of(content)


def _worst_document(worst: WorstPair) -> dict[str, Any]:
    content = asdict(worst)
    pair: dict[str, Any] = content.pop("pair")
    return pair | content


def _remedy_document(one: Remedy) -> dict[str, Any]:
    content: dict[str, Any] = {"kind": one.kind, "role": say.listed(one.roles), "what": remedies.what(one.change)}
    for name in ("residual_steps", "u_residual_steps", "residual_k", "residual_mired", "residual_duv", "cost_stops"):
        content[name] = getattr(one, name)
    content["verdict"] = one.verdict
    if isinstance(one.change, Plates):
        content["corrections"] = [asdict(plate) for plate in one.change.plates]
    return content


def casts_document(casts: Casts) -> dict[str, Any]:
    """Return what audit.json says of a set-up after a remedy."""
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
    headings = {name: heading for name, heading, _ in _wash_captions(audit)}
    return {
        **{name: draw_washes(roles, *state, times, headings[name]) for name, state in states.items()},
        "pairs": draw_pairs(now.lights, now.pairs, audit.tolerance),
        "whites": draw_whites(now.lights, now.balance, now.mixture),
    }


#: The state of the page by the verdict on its set-up.
_PAGE_STATES: Final = {Verdict.WITHIN: "go", Verdict.OUTSIDE: "back", Verdict.UNDECIDED: "again"}


def audit_page(audit: Audit, drawings: Mapping[str, str]) -> str:
    """Return the audit as HTML text that asks for nothing outside itself; the same input gives the same bytes."""
    now, pair, mixture = audit.now, setups.farthest(audit), audit.now.mixture
    worst = now.worst
    plates = [plate for one in audit.remedies if isinstance(one.change, Plates) for plate in one.change.plates]
    headline = setups.headline(audit)
    lights, times = _lights(audit)
    context = {
        "size": "few" if len(now.lights) <= 4 else "",
        "title": audit.name,
        "running": f"{audit.name}: {headline}",
        "strip": [
            ("Set-up", audit.name),
            ("Test session", audit.session),
            ("Lights", f"{len(now.lights)}"),
            ("All together", f"{mixture.cct_k:.0f} K"),
        ],
        "state": _PAGE_STATES[Verdict(now.verdict)],
        "headline": headline,
        "proof": f"{setups.difference(pair)} {setups.seen(pair)}",
        "balance": setups.balance(audit),
        "lights": lights,
        "times": times,
        "todo": setups.to_do(audit),
        "other": setups.other_ways(audit),
        "caution": say.CAUTION if setups.needs_care(audit) else "",
        "notes": setups.notes(audit, beside_steps=True),
        "limits": setups.limits(audit),
        "apart": f"{words.give_or_take(worst.pair.delta_steps, worst.pair.u_delta_steps, 1)} steps",
        "drawn": drawings,
        "captions": _wash_captions(audit),
        "washes": _washes(audit),
        "light_values": table(_LIGHTS, now.lights),
        "amounts": _AMOUNTS[audit.setup.amounts],
        "mixture": f"{mixture.cct_k:.0f} K, {mixture.mired:.1f} mired, Duv {words.number(mixture.duv, 4)}",
        "pairs": table(_PAIRS, sorted(now.pairs, key=lambda row: -row.delta_steps)),
        "path_caption": f"From {worst.pair.role_a} alone to {worst.pair.role_b} alone",
        "path": table(_PATH, now.path[::25]),
        "largest_cast": setups.largest_cast(worst),
        "chart": _chart(audit),
        "worst": worst,
        "remedies": table(_REMEDIES, audit.remedies),
        "plates": table(_PLATES, plates),
        "wholes": table(_WHOLES, audit.wholes),
        "flashes": _shutter(audit),
        "shutter": shutter_facts(audit.shutter),
        "gels": table(_GELS, audit.gels),
        "gels_own": all(gel.own for gel in audit.gels),
    }
    return render("audit.html", context)


def _lights(audit: Audit) -> tuple[list[dict[str, object]], int]:
    """Return each light as page one has it, under the best common balance, and by how much its cast is magnified."""
    now = audit.now
    neutrals = strips.balanced(_upvp(now), now.balance.upvp)
    times = strips.magnification([neutrals])
    clashing = {role for pair in now.pairs if pair.verdict == Verdict.OUTSIDE for role in (pair.role_a, pair.role_b)}
    swatches = zip(strips.hex_codes(neutrals, 1), strips.hex_codes(neutrals, times), strict=True)
    return [
        {
            "role": light.role,
            "head": say.cell(light.head, light.power),
            "gel": light.gel,
            "clashes": light.role in clashing,
            "share": f"{100.0 * light.share:.0f} %",
            "kelvin": f"{light.cct_k:.0f} K",
            "off": f"{say.kelvin(light.delta_k)} ({abs(light.delta_mired):.1f} mired) "
            f"{'warmer' if light.delta_mired > 0 else 'cooler'}",
            "tint": green_pink(light.delta_duv),
            "swatches": pair,
        }
        for light, pair in zip(now.lights, swatches, strict=True)
    ], times


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
        task = "one plate a light, each with its own correction" if plates else remedies.what(best.change)
        captions.append(("after", "After the remedy", f"{say.capital(task)}."))
    return captions


_LIGHTS: Final = (
    Column("Light", "role"), Column("Head", "head"), Column("Power", "power"), Column("Gel", "gel"),
    Column("Share", lambda light: f"{100.0 * light.share:.0f} %", kind="num"), Column("Kelvin", "cct_k", 0),
    Column("Mired", "mired", 1, u="u_mired"), Column("Duv", "duv", 4),
    Column("Off the balance, K", lambda light: words.kelvin_way(light.delta_k, light.delta_mired), kind="num"),
    Column("mired", "delta_mired", 1, True),
    Column("Duv", "delta_duv", 4, True), Column("Steps", "cast_steps", 1),
    Column("dE 2000 on grey", "cast_delta_e_2000", 1),
)  # fmt: skip
_PAIRS: Final = (
    Column("This light", "role_b"), Column("against", "role_a"),
    Column("Kelvin", lambda row: words.kelvin_way(row.delta_k, row.delta_mired), kind="num"),
    Column("Mired", "delta_mired", 1, True, "u_delta_mired"), Column("Duv", "delta_duv", 4, True, "u_delta_duv"),
    Column("Steps", "delta_steps", 1, u="u_delta_steps"), Column("dE 2000 on grey", "delta_e_2000", 1),
    Column("Verdict", "verdict", kind="verdict"),
)  # fmt: skip
_PATH: Final = (
    Column("Share of the second", lambda point: f"{100.0 * point.share_b:.0f} %"), Column("Kelvin", "cct_k", 0),
    Column("Mired", "mired", 1), Column("Duv", "duv", 4), Column("Off the best balance, steps", "cast_steps", 1),
)  # fmt: skip
_REMEDIES: Final = (
    Column("Remedy", lambda one: remedies.KINDS[one.kind]),
    Column("What to do", lambda one: remedies.what(one.change), kind="long"), Column("Leaves, K", "residual_k", 0),
    Column("mired", "residual_mired", 1), Column("Duv", "residual_duv", 4),
    Column("Steps", "residual_steps", 1, u="u_residual_steps"), Column("Light lost, stops", "cost_stops", 1),
    Column("Verdict", "verdict", kind="verdict"),
)  # fmt: skip
_PLATES: Final = (
    Column("Plate", "role"), Column("Gain red", "gain_r", 4), Column("green", "gain_g", 4), Column("blue", "gain_b", 4),
    Column("Mired", "mired_shift", 1, True), Column("Duv", "duv_shift", 4, True),
)  # fmt: skip
_WHOLES: Final = (
    Column("Frame", "frame"), Column("Lights", "lights"), Column("Off the sum, stops", "stops_off", 2, True),
    Column("Steps", "steps_off", 1), Column("Adds up", lambda whole: "no" if whole.not_additive else "yes"),
)  # fmt: skip
_GELS: Final = (
    Column("Gel", "name"), Column("Mired", "mired_shift", 1, True, lambda gel: 2.0 * gel.doubts[0][1] or None),
    Column("Duv", "duv_shift", 4, True, lambda gel: 2.0 * gel.doubts[0][2] or None),
    Column("Light lost, stops", "stops", 2),
)  # fmt: skip
#: Patches side by side in the table of them.
_ABREAST: Final = 5


def _washes(audit: Audit) -> Table:
    names = {"before": "As it stands", "balanced": "Best balance", "after": "After the remedy"}
    casts = {name: chromaticity.steps(upvp, balance) for name, upvp, balance in _states(audit)}
    return Table(
        [("Where only", "text"), *((f"{names[name]}, steps", "num") for name in casts)],
        [
            (light.role, *(words.number(float(cast[place]), 1) for cast in casts.values()))
            for place, light in enumerate(audit.now.lights)
        ],
    )


def _chart(audit: Audit) -> Table:
    cells = [cell for row in audit.now.chart for cell in (row.patch, words.number(row.delta_e_2000, 1))]
    rows = [tuple(cells[at : at + 2 * _ABREAST]) for at in range(0, len(cells), 2 * _ABREAST)]
    return Table([("Colour", "text"), ("dE 2000", "num")] * _ABREAST, rows)


def _shutter(audit: Audit) -> Table:
    room = {share.role: share.ambient_pct for share in audit.shutter.room}
    columns = (
        Column("Light", "role"), Column("Head", "head"), Column("Power", "power"),
        Column("t0.1", lambda one: say.shutter(one.t01_s) if words.known(one.t01_s) else words.EMPTY, kind="num"),
        Column("Flash", lambda one: _CUT[one.cut]),
        Column(
            "Room light where it alone falls",
            lambda one: f"{room[one.role]:.2f} %" if words.known(room[one.role]) else words.EMPTY, kind="num",
        ),
    )  # fmt: skip
    return table(columns, audit.shutter.flashes)
