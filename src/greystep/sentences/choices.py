"""The heads that go together, in sentences."""

from typing import Final

from greystep import words as say
from greystep.mix import changes
from greystep.mix.choose import Gang, HeadSet
from greystep.sentences.green_pink import gap, green_pink
from greystep.terms import Withheld

_HELD: Final = {
    Withheld.HEAT: "the order of the test does not separate heat from power",
    Withheld.UNWATCHED: "nothing watched camera and mains between the heads of the test",
    Withheld.ROOM: "no flash-off frame shows whether the room light changed",
    Withheld.WARMS_UP: "a head moves beyond the limit as it warms up",
}


def chosen(one: HeadSet | Gang) -> str:
    """Return a choice of heads in sentences: the heads, their worst pair, what they cost, or their sum."""
    said = [f"{say.listed([say.cell(light.head, light.power) for light in one.lights])}."]
    if pair := one.worst:
        apart = gap(pair.difference.delta_k, pair.difference.delta_mired, pair.difference.delta_duv)
        first, second = (say.cell(light.head, light.power) for light in (pair.first, pair.second))
        why = f", because {_HELD[Withheld(held)]}" if (held := pair.difference.withheld) else ""
        said.append(f"The worst two: {second} is {apart} than {first}: {say.VERDICTS[one.verdict]}{why}.")
    if isinstance(one, Gang):
        said.append(
            f"Together {_brighter(one.output_stops)} the brightest head at full; flash {say.shutter(one.t01_s)} "
            f"(t0.1 of the slowest); {one.colour.cct_k:.0f} K, {green_pink(one.colour.duv)} than "
            "the light of a glowing body."
        )
    elif one.cost_stops >= changes.NO_MOVE:
        said.append(f"Up to {one.cost_stops:.1f} stops less light than the highest power tested.")
    return " ".join(said)


def _brighter(stops: float) -> str:
    if abs(stops) < 0.05:
        return "as bright as"
    return f"{abs(stops):.1f} stop{'s' if abs(stops) >= 1.05 else ''} {'brighter' if stops > 0 else 'darker'} than"
