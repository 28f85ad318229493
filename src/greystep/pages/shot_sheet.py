"""The shot sheet of a planned test, to print: page one, then a box for every frame and what lies between."""

import math
import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from greystep import words as say
from greystep.constants import PLACEMENT_MIRED
from greystep.pages.report import render
from greystep.planning.cells import STOPS_AT_ONE_ISO
from greystep.planning.folder import Draft
from greystep.planning.order import CHECKS, FRAMES, WARM_UP, Action, Step
from greystep.planning.plans import Plan
from greystep.planning.rig import EVEN_PCT, OVER_T01, Rig, distance_for, u_after
from greystep.session.runs import RUN_NOTE
from greystep.words import wrapped

#: What is put beside the table of shots; common practice, no source.
_LICENSED: Final = "Mains work and repairs of packs and heads are for licensed people."
_ORDERS: Final = {
    "by-head": "head after head; each goes up and down through its powers",
    "mixed": "all heads stand rigged and aimed; power after power, the heads by lot",
    "shuffled": "all heads stand rigged and aimed; every round in an order of its own",
}


def shot_sheet(draft: Draft, rig: Rig, folder: Path) -> str:
    """Return the shot sheet as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Args:
        folder: Of the planned session.
    """
    facts = plan_facts(draft, rig)
    frames, minutes = sum(step.what in FRAMES for step in draft.steps), _minutes(draft)
    by_head = draft.order == "by-head"
    lines = list(_lines(draft))
    lanes = _lanes(lines) if by_head else []
    start = lanes.pop(0)["blocks"] if lanes and not lanes[0]["title"] else []
    context = {
        "title": draft.title,
        "running": f"{draft.title}: shot sheet",
        "strip": [(name, "") for name in _BLANKS],
        "headline": f"{draft.title}: {say.counted(frames, 'frame')}, {minutes} min",
        "facts": [fact for fact in facts if fact[0] not in ("Time", "Shutter")],
        "setup": _setup(draft, rig),
        "next": _next(draft, folder),
        "caution": say.CAUTION,
        "licensed": _LICENSED,
        "slips": _SLIPS,
        "start": start,
        "lanes": lanes,
        "lot": [] if by_head else lines,
        "heads": sorted({step.head for step in draft.steps if step.what in FRAMES and step.head}),
    }
    return render("shot_sheet.html", context)


#: What is filled in by hand, so that the sheet says what was tested how.
_BLANKS: Final = ("Date", "Tested by", "Camera, serial", "Lens", "Aperture", "Shutter", "Place", "Target")


def _minutes(draft: Draft) -> int:
    return math.ceil(sum(step.seconds for step in draft.steps) / 60.0)


def _next(draft: Draft, folder: Path) -> list[tuple[str, str]]:
    """Return where the frames go and what is done with them, each with its command."""
    session = shlex.quote(say.visible(str(folder)))
    frames = str(draft.document.get("frames") or "")
    there = f"{frames}, where the earlier frames lie" if frames else str(folder / "frames")
    return [
        (f"Copy the camera's raw files into {say.visible(there)}. Names do not matter.", ""),
        ("While you shoot, this reads each frame and says which box is next:", f"greystep watch {session}"),
        ("After the last box:", f"greystep report {session}"),
    ]


def plan_facts(draft: Draft, rig: Rig) -> list[tuple[str, str]]:
    """Return what a plan comes to, as (name, text) for the sheet and the screen."""
    shots = [step for step in draft.steps if step.what in FRAMES]
    lit = [step for step in shots if step.what in (Action.FLASH, Action.CHECK)]
    heads = list(dict.fromkeys(step.head for step in lit))
    moves = sum(step.what == Action.HEAD and step.seconds > 0 for step in draft.steps)
    minutes = _minutes(draft)
    told = u_after(rig.rounds, rig.powers, rig.scatter_mired)
    width, away = rig.target_width_m, distance_for(rig.target_width_m)
    facts = [
        (
            "Frames",
            f"{say.counted(len(shots), 'frame')} of {say.counted(len(heads), 'head')}, {_rounds(draft)}",
        ),
        ("Order", f"{_ORDERS[draft.order]} (drawn by lot with seed {draft.seed})"),
        ("Time", f"about {minutes} min with {say.counted(moves, 'change')} of head or pack"),
        ("Shutter", _shutter(draft, rig)),
        ("ISO", _iso(draft)),
        (
            "Distance",
            f"light {_up(away)} m off or more: a target {width:g} m wide then gets {EVEN_PCT:g} % less at its edge",
        ),
    ]
    if math.isfinite(told):
        scatter = f"if a head scatters by {rig.scatter_mired:.2g} mired from shot to shot"
        answer = f"two powers of a head can be told apart from {told:.1f} mired on, {scatter}"
        if _apart(draft):
            placed = math.hypot(told, 2.0 * math.sqrt(2.0) * PLACEMENT_MIRED)
            answer += f"; two heads, each put on the stand anew, from {placed:.1f} mired on"
        facts.append(("Answer", answer))
    if draft.reference:
        facts.append(("Reference", _reference(draft)))
    if draft.earlier is not None:
        there = f" into {frames}, where they lie" if (frames := draft.document.get("frames")) else ""
        earlier = say.counted(len(draft.earlier), "frame")
        facts.append(("Goes on from", f"{earlier} already shot; shoot on{there}, and read this session from then on"))
    return facts


def plan_text(draft: Draft, rig: Rig, wrote: Sequence[str]) -> str:
    """Return what a plan comes to, for the screen."""
    facts = [wrapped(text, f"  {name + ':':<14}") for name, text in plan_facts(draft, rig)]
    caution = wrapped(f"Before a head is plugged in or out: {say.CAUTION} {_LICENSED}")
    return "\n".join([f"{draft.title}: planned.", *facts, "", caution, "", *(f"wrote {path}" for path in wrote)])


def asked_text(plan: Plan) -> str:
    """Return what a plan that goes on from a test decides; blank for a new test."""
    if plan.asked is None:
        return ""
    said = [
        f"{plan.asked.open} differences cannot be called yet; these frames are to settle {plan.asked.settled} of them"
    ]
    if plan.asked.on_the_limit:
        said.append(f"20 more rounds may not decide {plan.asked.on_the_limit}: they are too close to the limit")
    return "; ".join(said) + "."


def _rounds(draft: Draft) -> str:
    """Return how often each light is shot, without check frames."""
    lights = Counter(
        (step.head, step.power, step.pack, step.parts, step.iso)
        for step in draft.steps
        if step.what == Action.FLASH and step.note != RUN_NOTE
    )
    most = max(lights.values())
    if draft.earlier is not None:
        return f"up to {say.counted(most, 'more round')} of {say.counted(len(lights), 'light')}"
    return f"{say.counted(most, 'round')} of each light"


def _checks(draft: Draft) -> int:
    """Return how often the reference is checked, by the check frames that there are."""
    return sum(step.what == Action.CHECK for step in draft.steps) // CHECKS


def _apart(draft: Draft) -> str:
    """Return the head on a stand of its own, beside the one on which the others take turns; empty if there is none."""
    return draft.reference if draft.order == "by-head" and _checks(draft) else ""


def _reference(draft: Draft) -> str:
    times = _checks(draft)
    if not times:
        return f"head {draft.reference}, without check frames of its own"
    before = f"before each {'other head' if _apart(draft) else 'round'} and " if times > 1 else ""
    stand = " on its own stand" if _apart(draft) else ""
    return f"head {draft.reference}{stand}, {CHECKS} check frames {before}at the end"


def _up(metres: float) -> str:
    """Return a distance to the next tenth of a metre up, from 5 m to the next half."""
    step = 10.0 if metres < 5.0 else 2.0
    return f"{math.ceil(metres * step - 1e-9) / step:g}"


def _shutter(draft: Draft, rig: Rig) -> str:
    if draft.earlier is not None:
        return f"{rig.camera}, as in the earlier frames"
    if rig.t01_known:
        return f"{rig.camera}: at least {OVER_T01:g} times the longest t0.1, so that no flash is cut"
    return (
        f"{rig.camera}; longer if any t0.1 of the maker's table is over half of that: a cut flash is cooler and darker"
    )


def _isos(draft: Draft) -> list[int]:
    return sorted({step.iso for step in draft.steps if step.what in FRAMES})


def _iso(draft: Draft) -> str:
    isos = _isos(draft)
    if draft.earlier is not None:
        known = " and ".join(map(str, isos)) + ", " if all(isos) else ""
        return f"{known}as in the earlier frames"
    if len(isos) == 1:
        return f"{isos[0]} throughout"
    return (
        f"{isos[0]} down to {STOPS_AT_ONE_ISO:g} stops below the highest power, {isos[-1]} below that; "
        "one light is shot at both"
    )


def _setup(draft: Draft, rig: Rig) -> list[str]:
    """Return what is done once, before the first frame."""
    earlier = draft.earlier is not None
    away = distance_for(rig.target_width_m)
    lines = [
        "Camera on a stand, raw, focus and exposure by hand. Its clock runs on; frames are matched to this sheet in "
        "capture order.",
        f"Grey target where all heads light it alike, turned to the light, which stands {_up(away)} m off or more.",
        f"Shutter {_shutter(draft, rig)}. No shorter than camera and trigger keep in step.",
        "Aperture, distance and filters as they were for the earlier frames."
        if earlier
        else f"Aperture: set it once so that at ISO {_isos(draft)[0]} the brightest head at its highest power puts the "
        "target at 70 to 80 % of the raw range. Then aperture, distance and filters never move.",
        *(
            [f"Wait at least {rig.recycle_s:g} s from flash to flash; a frame that came sooner is told."]
            if rig.recycle_s
            else []
        ),
        "Lamps off, or fixed and left alone; windows shut out. The frames with the flash off show whether room light "
        "changed: leave none out.",
        f"Warm-up and dump flashes go off from the pack's own button, so that they make no frame. Warm-up is {WARM_UP} "
        "flashes at full; wait for ready each time.",
    ]
    if draft.order != "by-head":
        lines.append(
            "All heads rigged and aimed at the target, each switched from the pack: nothing is moved between frames."
        )
    elif apart := _apart(draft):
        lines.append(f"Head {apart} on a stand of its own, aimed at the target, for the whole test.")
    return lines


_SLIPS: Final = (
    "While greystep watch runs it says so at once, with the box to shoot, and writes the log itself; no file is "
    "deleted. Without it: a frame too many gets a row in shots.csv; a frame missed is shot when you notice, and its "
    "row moves there."
)


def _lines(draft: Draft) -> Iterator[dict[str, Any]]:
    """Return every step as a line: a frame with the number of its box, or something to do; and where it stands."""
    number = 0 if draft.earlier is None else len(draft.earlier)
    lane, block = "", ""
    for step in draft.steps:
        if step.what == Action.HEAD and draft.order == "by-head":
            lane, block = _title(step), ""
        elif step.what == Action.CHECK:
            block = f"Check: head {step.head} alone"
        elif step.what in (Action.AMBIENT, Action.DARK):
            block = "Room light"
        elif step.what == Action.FLASH:
            block = ""
        where = {"lane": lane, "block": block, "head": step.head if step.what in FRAMES else ""}
        if step.what in FRAMES:
            number += 1
            yield {"frame": number, "what": _frame(step), "todo": "", **where}
        else:
            yield {"frame": "", "what": "", "todo": _todo(step, draft), **where}


def _lanes(lines: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the lines in lanes, one a visit of a head, each in blocks under what they are."""
    lanes: list[dict[str, Any]] = []
    for line in lines:
        if not lanes or lanes[-1]["title"] != line["lane"]:
            lanes.append({"title": line["lane"], "blocks": []})
        blocks = lanes[-1]["blocks"]
        if not blocks or blocks[-1]["title"] != line["block"]:
            blocks.append({"title": line["block"], "lines": []})
        blocks[-1]["lines"].append(line)
    return lanes


def _title(step: Step) -> str:
    parts = ", ".join(value for name, value in step.parts if value and name not in ("pack", "with"))
    beside = dict(step.parts).get("with", "")
    return (
        f"Head {step.head}"
        + (f" with {beside} firing" if beside else "")
        + (f" on pack {step.pack}" if step.pack else "")
        + (f", {parts}" if parts else "")
    )


def _frame(step: Step) -> str:
    return say.UNLIT_SAID.get(step.what, step.power)


def _todo(step: Step, draft: Draft) -> str:
    if step.what == Action.HEAD:
        if beside := dict(step.parts).get("with"):
            return (
                f"Head {step.head} stays. Plug {beside} into the same pack: both fire, the light of {beside} kept off "
                f"the target. {_UNPLUG}"
            )
        if step.head == _apart(draft):
            return f"Head {step.head}, on its own stand: this one alone fires."
        return f"Put head {step.head} on the stand{f', on pack {step.pack}' if step.pack else ''}. {_UNPLUG}"
    if step.what == Action.RUN:
        frames = [other for other in draft.steps if other.note == RUN_NOTE and other.head == step.head]
        return (
            f"{len(frames)} frames of {step.head} at {step.power}, from rest, one every {frames[0].seconds:g} s, as "
            "the stack will be shot: no warm-up before."
        )
    texts = {
        "warm-up": f"{step.head}: {WARM_UP} flashes at full, no frame.",
        "dump": f"{'To' if draft.order == 'by-head' else f'{step.head} to'} {step.power}: dump, wait for ready.",
        "iso": f"Camera to ISO {step.iso}. Nothing else." if step.iso else "Camera to the ISO of these powers before.",
    }
    return texts[step.what]


_UNPLUG: Final = "Pack off and discharged as its maker says before anything is plugged in or out; let the tube cool."
