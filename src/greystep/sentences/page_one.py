"""What page one of the report says: the proof of its verdict, what fails and what would cure it, the foot."""

import math
from typing import Final

from greystep import words as say
from greystep.columns import PowerRow
from greystep.compare.against_others import OffAt, Offset
from greystep.compare.calipers import Calipers, Gap, HeadStand, State
from greystep.compare.findings import Finding
from greystep.mix.gels import nominal_gels
from greystep.sentences.figures import WITHHELD, size
from greystep.sentences.green_pink import gap as gap_said
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld

METHOD: Final = (
    "Raw counts of a grey target, lit by one head at a time; black and room light taken off; no developing. One colour "
    "matrix for all frames; all frames in one fit, each light at the mean heat of its head's test."
)
PLUS_MINUS: Final = (
    "holds the true difference 95 times in 100. Out of tolerance: the whole bar lies beyond the limit. In tolerance: "
    "the whole bar lies inside it. Else it is not called; a dashed bar: the test cannot tell."
)
NOT_KNOWN: Final = (
    "The bare head as it was tested, not your softbox or fabric; another camera may see another difference; nothing "
    "that changed after the last frame."
)
_WHAT: Final = {
    Quantity.MIRED: "warmth", Quantity.KELVIN: "warmth", Quantity.DUV: "green and pink", Quantity.STEPS: "colour",
    Quantity.OUTPUT_STOPS: "output",
}  # fmt: skip


def proof(calipers: Calipers, gap: Gap, light: PowerRow, other: PowerRow) -> str:
    """Return the one sentence that the verdict rests on.

    Args:
        gap: The difference that tells most.
        light, other: Its two lights.
    """
    first, second = (say.cell(*calipers.light(cell)) for cell in (gap.light, gap.against))
    if gap.quantity == Quantity.OUTPUT_STOPS:
        said = f"{first} is {size(gap.quantity, gap.size, gap.u)}"
    else:
        by = {Quantity.MIRED: "u_mired", Quantity.DUV: "u_duv"}.get(gap.quantity, "")
        doubt = {by: gap.u} if by and not gap.withheld else {}
        moved = light.mired - other.mired, light.duv - other.duv
        said = f"{first} is {gap_said(light.cct_k - other.cct_k, *moved, **doubt)} than {second}"
    if gap.limit is None or gap.verdict is None:
        return f"{said}. No limit is given."
    what = _WHAT[gap.quantity]
    limit = say.limit(gap.quantity, gap.limit)
    match gap.verdict:
        case Verdict.OUTSIDE:
            return f"{said}: {what} is out of its limit, {limit}."
        case Verdict.WITHIN:
            return f"{said}, the most of all: {what} stays inside its limit, {limit}."
        case Verdict.UNDECIDED if gap.withheld:
            return f"{said}: not called, as {WITHHELD[Withheld(gap.withheld)]}."
        case Verdict.UNDECIDED:
            return f"{said}: {what} is too close to its limit, {limit}."


def fails_on(stand: HeadStand) -> str:
    """Return by what a head is out of tolerance; blank where by nothing."""
    failing = [_WHAT[name] for name, one in stand.by.items() if one.decides.verdict == Verdict.OUTSIDE]
    return say.listed(list(dict.fromkeys(failing)))


def cure(stand: HeadStand, finding: Finding, tolerance: Tolerance) -> str:
    """Return what would cure a head; blank where nothing need be, or nothing is known to."""
    match stand.state:
        case State.BACK:
            gel = _gel(finding, tolerance)
            if gel:
                return f"Another head, or {gel}."
            if finding.safe and len(finding.safe) > 1:
                return f"Another head; or this one alone, from {finding.safe[0]} to {finding.safe[-1]}."
            return "Another head."
        case State.CLASH:
            return "A third head or a colour meter shows which is the odd one."
        case State.AGAIN:
            return "Its frames shot again: too many cannot be used as they are."
        case State.OPEN if 0 < finding.rounds < math.inf:
            return f"{say.counted(round(finding.rounds), 'more round')} of its powers."
        case _:
            return ""


def _gel(finding: Finding, tolerance: Tolerance) -> str:
    """Return the one gel that would bring a steady head to the others within the limits; blank without one."""
    if finding.verdict != Verdict.WITHIN or not isinstance(finding.others, Offset | OffAt):
        return ""
    off = finding.others.difference
    limits = tolerance.mired, tolerance.duv
    if None in limits:
        return ""

    def left(mired: float, duv: float) -> float:
        return max(abs(off.mired + mired) / (limits[0] or 1.0), abs(off.duv + duv) / (limits[1] or 1.0))

    best = min(nominal_gels(), key=lambda gel: left(gel.mired_shift, gel.duv_shift))
    if left(best.mired_shift, best.duv_shift) >= 1.0:
        return ""
    over = f"{abs(off.mired + best.mired_shift):.1f} mired and {abs(off.duv + best.duv_shift):.4f} green to pink"
    return f"a {best.name} on it, which leaves about {over}; gels vary by maker, so test it"
