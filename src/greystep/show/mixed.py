"""What is said of a set-up: whether its lights go together, what a photographer would see, and what mends it."""

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, Final

from greystep import words as say
from greystep.log.rig import SHUTTERS
from greystep.log.session import Tolerance
from greystep.published import MARKING_TOLERANCE_STOPS, STEPS_SEEN
from greystep.sentences import kit
from greystep.show import words

KINDS: Final = {
    "power": "another power",
    "gel": "gel",
    "level": "one power for all",
    "swap": "swap heads",
    "head": "another head",
    "plates": "plates",
}


def headline(audit: Mapping[str, Any]) -> str:
    """Return what the person reads first."""
    if audit["verdict"] == "within":
        return "These lights go together"
    pair, lone = farthest(audit), odd(audit)
    if audit["verdict"] == "undecided":
        return f"Cannot call it: {say.listed([pair['role_a'], pair['role_b']])}"
    if lone and len(audit["lights"]) > 2:
        others = [light["role"] for light in audit["lights"] if light["role"] in _clashing(audit) - {lone}]
        return f"{lone[:1].upper()}{lone[1:]} clashes with {say.listed(others)}"
    roles = [light["role"] for light in audit["lights"] if light["role"] in _clashing(audit)]
    clash = say.listed(roles)
    return f"{clash[:1].upper()}{clash[1:]} clash"


def odd(audit: Mapping[str, Any]) -> str:
    """Return the one light that has part in every clash, of two the second; blank where there is none."""
    pairs = [{row["role_a"], row["role_b"]} for row in audit["pairs"] if row["verdict"] == "outside"]
    common = set.intersection(*pairs) if pairs else set()
    return next((light["role"] for light in reversed(audit["lights"]) if light["role"] in common), "")


def farthest(audit: Mapping[str, Any]) -> dict[str, Any]:
    """Return the pair of lights farthest apart, so turned that the odd one comes second."""
    pair: dict[str, Any] = dict(audit["worst_pair"])
    if odd(audit) == pair["role_a"]:
        pair |= {"role_a": pair["role_b"], "role_b": pair["role_a"]}
        pair |= {name: -pair[name] for name in ("delta_k", "delta_mired", "delta_duv")}
    return pair


def _clashing(audit: Mapping[str, Any]) -> set[str]:
    return {row[side] for row in audit["pairs"] if row["verdict"] == "outside" for side in ("role_a", "role_b")}


def difference(pair: Mapping[str, Any]) -> str:
    """Return how two lights differ."""
    gap = say.gap(pair["delta_k"], pair["delta_mired"], pair["delta_duv"])
    return f"Where only {pair['role_b']} falls the light is {gap} than where only {pair['role_a']} falls."


def seen(pair: Mapping[str, Any]) -> str:
    """Return what a photographer would see of the two lights farthest apart."""
    steps = pair["delta_steps"]
    if steps < 1.0:
        return "Nobody will see that."
    if steps < STEPS_SEEN:
        return "Only a trained eye will see that, on an even grey or white where the two lights meet."
    side = []
    if abs(pair["delta_mired"]) >= 1.0:
        side.append("warmer" if pair["delta_mired"] > 0 else "cooler")
    if abs(pair["delta_duv"]) >= 0.0005:
        side.append("greener" if pair["delta_duv"] > 0 else "pinker")
    how = f": {pair['role_b']} looks {' and '.join(side)}" if side else ""
    if steps < 2 * STEPS_SEEN:
        return f"On white, grey and skin it shows side by side{how}. On strong colours and in shadow it shows less."
    return f"Anyone will see two colours of light in one picture{how}."


def balance(audit: Mapping[str, Any]) -> str:
    """Return what the best common white balance leaves."""
    pair = farthest(audit)
    if pair["delta_steps"] < 1.0:
        return ""
    ends = [next(light for light in audit["lights"] if light["role"] == pair[key]) for key in ("role_a", "role_b")]
    left = [
        f"{light['role']} is still {say.gap(light['delta_k'], light['delta_mired'], light['delta_duv'])} than neutral"
        for light in ends
    ]
    white = f"{audit['balance']['cct_k']:.0f} K"
    return f"One white balance cannot mend it. With the best common one ({white}), {'; '.join(left)}."


def remedy(one: Mapping[str, Any]) -> str:
    """Return a remedy in a sentence: what to do, what it leaves, the light it costs."""
    what = f"{one['what'][:1].upper()}{one['what'][1:]}"
    if one["kind"] == "plates":
        return f"{what}. No cast stays but what the test does not know; the subject must hold still."
    left = f"{words.kelvin_mired(one['residual_k'], one['residual_mired'])} and {one['residual_duv']:.4f} green to pink"
    stops = f"{one['cost_stops']:.1f} stop{'s' if one['cost_stops'] >= 1.05 else ''}"
    unused = f" {stops} of flash is not used there."  # brighter than wanted, and taken off by distance or scrim
    cost = unused if one["kind"] in ("power", "level") else f" It costs {stops} of light there."
    return f"{what}. That leaves {left}.{cost if one['cost_stops'] >= 0.05 else ''}"


def todo(audit: Mapping[str, Any]) -> list[str]:
    """Return what to do next, first things first."""
    lines = list(audit["not_additive"])
    if audit["verdict"] == "within":
        lines.append("Nothing: shoot it with the best common balance.")
    else:
        best = audit["cheapest"]
        sure = best and not (audit["verdict"] == "undecided" and best["kind"] == "plates")
        if best and sure:
            lines.append(f"Cheapest sure remedy: {_small(remedy(best))}")
        if audit["maybe"]:
            lead = "Less work, but cannot be called yet" if best else "May do, but cannot be called yet"
            lines.append(f"{lead}: {_small(remedy(audit['maybe']))}")
        if audit["verdict"] == "undecided":
            names = say.listed([words.cell(light["head"], light["power"]) for light in audit["lights"]])
            lines.append(f"To be sure: shoot two more rounds of {names} in the test, then audit again.")
        if not sure or best["kind"] != "plates":
            plates = [one for one in audit["remedies"] if one["kind"] == "plates"]
            lines += [f"Last resort: {_small(remedy(one))}" for one in plates]
    return lines + shutter(audit["shutter"]) + room(audit["ambient"])


def chosen(choice: Mapping[str, Any]) -> str:
    """Return a choice of heads in a sentence: the heads, their worst pair, what they cost, or their sum."""
    lights = say.listed([words.cell(light["head"], light["power"]) for light in choice["choice"]])
    pair, told = choice["worst_pair"], []
    if pair:
        first, second = (words.cell(pair[f"head_{side}"], pair[f"power_{side}"]) for side in ("a", "b"))
        gap = say.gap(pair["delta_k"], pair["delta_mired"], pair["delta_duv"])
        told.append(f"The worst two: {second} is {gap} than {first}: {words.VERDICTS[choice['verdict']]}.")
    if total := choice.get("sum"):
        told.append(
            f"Together {_brighter(total['output_stops'])} the brightest head at full; flash {time(total['t01_s'])} "
            f"(t0.1 of the slowest); {total['cct_k']:.0f} K, Duv {words.number(total['duv'], 4)}."
        )
    elif choice["cost_stops"] >= 0.05:
        told.append(f"Up to {choice['cost_stops']:.1f} stops less light than the highest power tested.")
    return " ".join([f"{lights}.", *told])


def _brighter(stops: float) -> str:
    if abs(stops) < 0.05:
        return "as bright as"
    return f"{abs(stops):.1f} stop{'s' if abs(stops) >= 1.05 else ''} {'brighter' if stops > 0 else 'darker'} than"


def limits(audit: Mapping[str, Any]) -> str:
    """Return the colour limits that the set-up is judged by."""
    given = {name: value for name, value in audit["tolerance"].items() if name != "source"} | {"output_stops": None}
    return kit.limits(Tolerance(**given), audit["tolerance"]["source"], audit["balance"]["mired"])


def shutter(check: Mapping[str, Any]) -> list[str]:
    """Return what is to be said of the shutter: nothing where every flash is whole."""
    lines = []
    flashes = check["flashes"]
    for kind, said in (("cut", "is shorter than"), ("tail", "ends before the tail of")):
        hit = [row for row in flashes if row["cut"] == kind]
        if hit:
            names = say.listed(
                [f"{row['role']} ({row['head']} at {row['power']}, {time(row['t01_s'])})" for row in hit]
            )
            longer = f"; use {check['least_shutter']} or longer" if check["least_shutter"] else ""
            shown = shutter_time(check["shutter_s"])
            lines.append(f"The shutter, {shown}, {said} the flash of {names}: darker, and cooler{longer}.")
    return lines


def room(check: Mapping[str, Any]) -> list[str]:
    """Return what is to be said of room light: nothing where it is too little to matter."""
    if not check["high"]:
        return []
    most = max(check["lights"], key=lambda row: row["ambient_pct"] or 0.0)
    whole, worst = check["ambient_pct"], most["ambient_pct"]
    return [
        f"Room light is {whole:.1f} % of the whole, {worst:.1f} % where only {most['role']} falls: switch the lamps "
        "off, or use a shorter shutter."
    ]


def time(seconds: Any) -> str:
    """Return a time as it is marked: ``1/250 s``."""
    if not words.known(seconds) or seconds <= 0:
        return words.EMPTY
    return f"1/{1.0 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.1f} s"


def shutter_time(seconds: float) -> str:
    """Return a shutter time by the marking that stands for it: ``1/125 s`` for 1/128."""
    marked = {marking: Fraction(marking) for marking in SHUTTERS}
    near = min(marked, key=lambda marking: abs(math.log2(float(marked[marking]) / seconds)))
    return f"{near} s" if abs(math.log2(float(marked[near]) / seconds)) <= MARKING_TOLERANCE_STOPS else time(seconds)


def needs_care(audit: Mapping[str, Any]) -> bool:
    """Say whether anything that is advised has someone handle heads or packs."""
    return audit["verdict"] != "within" and any(one["kind"] != "plates" for one in audit["remedies"])


def _small(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"
