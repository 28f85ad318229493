"""The sets of heads that go together best as one HTML file, ranked, each with its worst two lights."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from greystep import words as say
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp
from greystep.mix.choose import Choice, Gang, GangChoice, HeadSet
from greystep.pages import formats as words
from greystep.pages import strips
from greystep.pages.report import render
from greystep.sentences import choices
from greystep.sentences.green_pink import green_pink
from greystep.terms import Verdict


def choose_page(choice: Choice | GangChoice) -> str:
    """Return a choice as HTML text that asks for nothing outside itself; the same input gives the same bytes."""
    sets: Sequence[HeadSet | Gang] = [choice.best, *choice.next_best]
    colours = np.concatenate([_pair_colours(one) for one in sets])
    times = strips.magnification([colours])
    true, large = strips.hex_codes(colours, 1), strips.hex_codes(colours, times)
    context = {
        "size": "few",
        "title": choice.session,
        "running": f"{choice.session}: which heads go together",
        "strip": [
            ("Test session", choice.session),
            ("Asked for", _asked(choice)),
            ("Sets shown", f"{len(sets)}"),
            *([] if isinstance(choice, GangChoice) else [("Lights looked at", f"{choice.searched}")]),
        ],
        "state": {Verdict.WITHIN: "go", Verdict.OUTSIDE: "back"}.get(choice.best.verdict, "again"),
        "headline": _headline(choice),
        "proof": choices.chosen(choice.best),
        "ganged": isinstance(choice, GangChoice),
        "times": times,
        "sets": [
            _told(one, rank, (true[2 * at : 2 * at + 2], large[2 * at : 2 * at + 2]))
            for at, (rank, one) in enumerate(enumerate(sets, 1))
        ],
        "settled": isinstance(choice, GangChoice) or choice.best.settled,
        "caution": say.CAUTION,
    }
    return render("choose.html", context)


def _asked(choice: Choice | GangChoice) -> str:
    if isinstance(choice, GangChoice):
        stops = words.number(choice.wanted_stops, 1, True)
        return f"the shortest flash that gives {stops} stop to the brightest head at full"
    return say.counted(choice.need, "head")


def _headline(choice: Choice | GangChoice) -> str:
    """Return the heads of the best set in one line of at most 60 letters."""
    names = say.listed([say.cell(light.head, light.power) for light in choice.best.lights])
    if isinstance(choice, GangChoice):
        long, short = f"Shortest flash: {names}", f"Shortest flash: {say.counted(len(choice.best.lights), 'head')}"
    else:
        long, short = f"Closest together: {names}", f"Closest together: {say.counted(len(choice.best.lights), 'head')}"
    return long if len(long) <= 60 else short


def _pair_colours(one: HeadSet | Gang) -> np.ndarray:
    """Return the neutrals (2, 3) of the two lights that stand farthest apart, the first balanced; NaN without two."""
    if one.worst is None:
        return np.full((2, 3), np.nan)
    gap, white = one.worst.difference, xy_to_upvp(cct_duv_to_xy(5600.0, 0.0))
    other = xy_to_upvp(cct_duv_to_xy(1e6 / (1e6 / 5600.0 + gap.delta_mired), gap.delta_duv))
    return strips.balanced(np.array([white, other]), white)


def _told(one: HeadSet | Gang, rank: int, swatches: tuple[list[str], list[str]]) -> dict[str, Any]:
    said: dict[str, Any] = {
        "rank": rank,
        "heads": [(light.head, light.power) for light in one.lights],
        "verdict": one.verdict,
        "swatches": [pair for pair in swatches if all(pair)],
        "worst": "",
        "cost": f"{one.cost_stops:.1f} stop" if isinstance(one, HeadSet) else "",
        "flash": "" if isinstance(one, HeadSet) else say.shutter(one.t01_s),
        "output": "" if isinstance(one, HeadSet) else f"{words.number(one.output_stops, 1, True)} stop",
    }
    if one.worst is not None:
        gap = one.worst.difference
        first, second = (say.cell(light.head, light.power) for light in (one.worst.first, one.worst.second))
        said |= {
            "worst": f"{second} against {first}",
            "warmth": f"{say.kelvin(gap.delta_k)} ({words.give_or_take(abs(gap.delta_mired), gap.u_delta_mired, 1)} "
            f"mired) {'warmer' if gap.delta_mired > 0 else 'cooler'}",
            "tint": green_pink(gap.delta_duv, gap.u_delta_duv),
        }
    return said
