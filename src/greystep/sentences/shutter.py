"""What a shutter and the room do to the lights of a set-up, in sentences."""

import math
from fractions import Fraction

from greystep import words as say
from greystep.constants import MARKING_TOLERANCE_STOPS
from greystep.mix.shutter import Cut, ShutterCheck
from greystep.planning.rig import SHUTTERS


def of_shutter(check: ShutterCheck) -> list[str]:
    """Return what is to be said of the shutter: nothing where every flash is whole."""
    lines = []
    for cut, said in ((Cut.SHORT, "is shorter than"), (Cut.TAIL, "ends before the tail of")):
        hit = [flash for flash in check.flashes if flash.cut == cut]
        if hit:
            names = say.listed(
                [f"{flash.role} ({say.cell(flash.head, flash.power)}, {say.shutter(flash.t01_s)})" for flash in hit]
            )
            longer = f"; use {check.least_shutter} or longer" if check.least_shutter else ""
            shown = shutter_time(check.shutter_s)
            lines.append(f"The shutter, {shown}, {said} the flash of {names}: darker, and cooler{longer}.")
    return lines


def of_room(check: ShutterCheck) -> list[str]:
    """Return what is to be said of room light: nothing where it is too little to matter."""
    if not check.ambient_high:
        return []
    most = max(check.room, key=lambda share: share.ambient_pct)
    return [
        f"Room light is {check.ambient_pct:.1f} % of the whole, {most.ambient_pct:.1f} % where only {most.role} falls: "
        "switch the lamps off, or use a shorter shutter."
    ]


def shutter_facts(check: ShutterCheck) -> str:
    """Return the shutter, the slowest flash, the shortest shutter that fits, and the room light, as far as known."""
    said = []
    if math.isfinite(check.shutter_s):
        given = "planned" if check.given else "that of the test; give another with --shutter"
        said.append(f"Shutter {shutter_time(check.shutter_s)} ({given}).")
    if slow := check.slowest:
        name = f"{slow.role}, {say.cell(slow.head, slow.power)}"
        said.append(f"The slowest flash is {name}: {say.shutter(slow.t01_s)}.")
    if check.least_shutter:
        said.append(f"{check.least_shutter} s is the shortest shutter that lets every flash end, tail and all.")
    if math.isfinite(check.ambient_pct):
        said.append(
            f"Room light makes {check.ambient_pct:.2f} % of the whole, if the room is as bright as at the test and the "
            "strongest light stands as far off as it did there."
        )
    return " ".join(said)


def shutter_time(seconds: float) -> str:
    """Return a shutter time [s] by the marking that stands for it: ``1/125 s`` for 1/128."""
    marked = {marking: Fraction(marking) for marking in SHUTTERS}
    near = min(marked, key=lambda marking: abs(math.log2(float(marked[marking]) / seconds)))
    if abs(math.log2(float(marked[near]) / seconds)) <= MARKING_TOLERANCE_STOPS:
        return f"{near} s"
    return say.shutter(seconds)
