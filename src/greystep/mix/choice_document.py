"""A choice of heads as the object that choose.json holds."""

from dataclasses import asdict
from typing import Any

from greystep.documents import document_of
from greystep.mix.choose import Choice, ChosenPair, Gang, GangChoice, HeadSet


def choice_document(choice: Choice | GangChoice) -> dict[str, Any]:
    """Return the object of choose.json, with None for every number that is not known."""
    content: dict[str, Any] = {"session": choice.session}
    if isinstance(choice, GangChoice):
        content["wanted_stops"] = choice.wanted_stops
    else:
        content |= {"need": choice.need, "lights_searched": choice.searched}
    content |= _set_document(choice.best) | {"next_best": [_set_document(one) for one in choice.next_best]}
    return document_of(content)


def _set_document(one: HeadSet | Gang) -> dict[str, Any]:
    names: list[dict[str, Any]] = [
        {"head": light.head, "power": light.power, **dict(light.parts)} for light in one.lights
    ]
    content: dict[str, Any] = {"choice": names, "worst_pair": _pair_document(one.worst), "verdict": one.verdict}
    if isinstance(one, Gang):
        return content | {"sum": {"output_stops": one.output_stops, "t01_s": one.t01_s, **asdict(one.colour)}}
    for name, light in zip(names, one.lights, strict=True):
        name |= {"stops": light.stops, "output_stops": light.output_stops, "cost_stops": light.cost_stops}
    return content | {"cost_stops": one.cost_stops, "settled": one.settled}


def _pair_document(pair: ChosenPair | None) -> dict[str, Any] | None:
    if pair is None:
        return None
    names = {
        f"{key}_{side}": value
        for side, light in (("a", pair.first), ("b", pair.second))
        for key, value in (("head", light.head), ("power", light.power), *light.parts)
    }
    left_out = ("role_a", "role_b", "delta_e_2000")  # the lights have no roles, and are seen in no picture
    return names | {key: value for key, value in asdict(pair.difference).items() if key not in left_out}
