"""What would bring lights together, in sentences."""

import math
from typing import Final

from greystep import words as say
from greystep.mix import changes
from greystep.mix.remedies import Remedy
from greystep.sentences.green_pink import green_pink, span

KINDS: Final = {
    changes.RemedyKind.POWER: "another power",
    changes.RemedyKind.GEL: "gel",
    changes.RemedyKind.LEVEL: "one power for all",
    changes.RemedyKind.SWAP: "swap heads",
    changes.RemedyKind.HEAD: "another head",
    changes.RemedyKind.PLATES: "plates",
}


def what(change: changes.Change) -> str:
    """Return what a remedy asks to do."""
    match change:
        case changes.NewPowers((light,)):
            return (
                f"set {light.role} ({light.head}) to {light.new} instead of {light.old}{_moved(light.brighter_stops)}"
            )
        case changes.NewPowers(lights):
            return f"set {'; '.join(map(_new_power, lights))}"
        case changes.OneLevel(power, surplus):
            lost = ", ".join(f"{role} {stops:.1f}" for role, stops in surplus)
            return f"set all heads to {power} and take off by distance, scrim or neutral gel: {lost} stops"
        case changes.HeadSwap():
            return _swapped(change)
        case changes.NewHead(role, old, new, power, brighter):
            return f"take head {new} in place of {old} for {role}, at {power}{_moved(brighter)}"
        case changes.NewGels(lights):
            return f"put {'; '.join(map(_new_gel, lights))}"
        case changes.Plates(plates):
            shifts = "; ".join(filter(None, map(_plate_shift, plates)))
            return f"shoot one plate a light and add them scene-linear; make {shifts or 'no change'}"


def _moved(stops: float) -> str:
    """Return what keeps the share of a light that is brighter by so many stops."""
    if not math.isfinite(stops) or abs(stops) < changes.NO_MOVE:
        return ""
    times = 2.0 ** (stops / 2.0)
    if stops > 0:
        return f", {stops:.1f} stops brighter: {times:.2g} times as far off, or a scrim or neutral gel, keeps its share"
    return f", {-stops:.1f} stops darker: {times:.2g} times the distance keeps its share"


def _new_power(light: changes.NewPower) -> str:
    return f"{light.role} ({light.head}) to {light.new}{_moved(light.brighter_stops)}"


def _swapped(swap: changes.HeadSwap) -> str:
    (role_a, role_b), (head_a, head_b), (power_a, power_b) = swap.roles, swap.heads, swap.powers
    trims = [
        f"{role} is then {abs(more):.1f} stop {'brighter' if more > 0 else 'darker'}"
        for role, more in zip(swap.roles, swap.brighter_stops, strict=True)
        if abs(more) >= changes.NO_MOVE
    ]
    trim = f" ({'; '.join(trims)})" if trims else ""
    return f"swap the heads of {role_a} and {role_b}: {head_b} at {power_a} and {head_a} at {power_b}{trim}"


def _new_gel(light: changes.NewGel) -> str:
    if not light.new:
        return f"nothing on {light.role} instead of {light.old}"
    instead = f" instead of {light.old}" if light.old else ""
    loss = light.lost_stops
    closer = f" ({loss:.1f} stop lost: {2.0 ** (-loss / 2.0):.2g} times the distance keeps its share)"
    return f"{light.new} on {light.role}{instead}{closer if loss >= changes.NO_MOVE else ''}"


def _plate_shift(plate: changes.Plate) -> str:
    """Return what a plate's correction does, such as ``fill 8.9 mired cooler``; blank where it does nothing."""
    warmer, greener = plate.mired_shift, plate.duv_shift
    tint = f" and {green_pink(greener)}" if abs(greener) >= 0.00005 else ""
    if abs(warmer) < 0.05 and not tint:
        return ""
    return f"{plate.role} {abs(warmer):.1f} mired {'warmer' if warmer > 0 else 'cooler'}{tint}"


def remedy(one: Remedy) -> str:
    """Return a remedy in sentences: what to do, what it leaves, the light it costs."""
    task = say.capital(what(one.change))
    if one.kind == changes.RemedyKind.PLATES:
        return f"{task}. No cast stays except what the test does not know; the subject must hold still."
    tint = span(one.residual_duv) if abs(one.residual_duv) >= 0.00005 else "no green or pink"
    left = f"{say.kelvin(one.residual_k)} ({one.residual_mired:.1f} mired) and {tint}"
    stops = f"{one.cost_stops:.1f} stop{'s' if one.cost_stops >= 1.05 else ''}"
    unused = f" {stops} of flash is not used there."  # brighter than wanted, and taken off by distance or scrim
    cost = (
        unused
        if one.kind in (changes.RemedyKind.POWER, changes.RemedyKind.LEVEL)
        else f" It costs {stops} of light there."
    )
    return f"{task}. That leaves {left}.{cost if one.cost_stops >= changes.NO_MOVE else ''}"
