"""All that a report says of a session, in one typed object: summary.json's, and what page and screen are made of."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from greystep.columns import HeadRow, rows_of
from greystep.compare.budget import Component
from greystep.compare.calipers import Calipers
from greystep.compare.called import Called
from greystep.compare.check_frames import CheckFrames
from greystep.compare.drift import Drift
from greystep.compare.findings import Finding
from greystep.compare.head_or_pack import Attribution
from greystep.compare.verdict import Judged, ReportFacts, WorstPair, insert_after
from greystep.documents import document_of, records
from greystep.sentences import actions, budget, heads, kit, kit_notes, session_notes
from greystep.sentences.actions import Step
from greystep.session.bodies import Body
from greystep.session.messages import SessionFact, SessionNote
from greystep.session.readings import FrameCounts, status_counts
from greystep.session.settings import Settings, Tolerance
from greystep.terms import Verdict


@dataclass(frozen=True)
class ReferenceLight:
    """The light that the others are compared with; numbers are NaN, and names None, where nothing was measured.

    Attributes:
        output_stops: [stops]
        cct_k: [K]
        head, power: None for the head where the mean of the kit is meant.
    """

    mired: float
    duv: float
    u_prime: float
    v_prime: float
    output_stops: float
    cct_k: float
    head: str | None
    power: str | None
    kit: bool


@dataclass(frozen=True)
class Summary:
    """What a report says.

    Attributes:
        heads_table, pairs: heads.csv and pairs.csv; `heads` has the rows of the first.
        called: The verdict on the kit, of colour and of output, and why neither.
        odd: Heads to return, heads and packs not to combine, and what else stands out.
        budget: What the half-widths hold and what they leave out.
        absolute: The sentence that goes with absolute figures; blank without any.
        safe_ranges: head_a, head_b, safe_powers: over which powers two heads may stand in one picture.
        calipers, findings: What figures and the table of heads show; None and empty where nobody draws.
        steps: What to do, as `todo`, without what the table of heads says.
        settings: Who tested where, and what is known of the heads.
    """

    session: str
    reference: ReferenceLight
    tolerance: Tolerance
    heads_table: pd.DataFrame
    pairs: pd.DataFrame
    worst_pair: WorstPair | None
    frames: FrameCounts
    called: Called
    odd: kit.Odd
    sentences: Mapping[str, str]
    todo: tuple[str, ...]
    safe_ranges: pd.DataFrame
    notes: tuple[str, ...]
    bodies: tuple[Body, ...]
    attribution: Attribution | None
    check_frames: CheckFrames | None
    budget: tuple[Component, ...] = ()
    absolute: str = ""
    calipers: Calipers | None = None
    findings: tuple[Finding, ...] = ()
    steps: tuple[Step, ...] = ()
    settings: Settings | None = None

    @property
    def heads(self) -> list[HeadRow]:
        """The rows of heads.csv."""
        return rows_of(self.heads_table, HeadRow)

    @property
    def kit_verdict(self) -> Verdict:
        """The verdict on the kit, the worse of colour and output."""
        return self.called.verdict

    @property
    def source(self) -> str:
        """Where the tolerance comes from."""
        return "this tool's default, no standard" if self.tolerance.is_default else "session.toml or option"

    @property
    def headline(self) -> tuple[str, list[str]]:
        """What the person reads first, and why."""
        return kit.headline(self.heads, self.sentences, self.called, self.tolerance, self.odd)

    def safe_ranges_of(self, first: str, second: str) -> str:
        """Return over which powers two heads may stand in one picture; blank where over none."""
        rows = self.safe_ranges
        found = rows[(rows["head_a"] == first) & (rows["head_b"] == second)]["safe_powers"]
        return str(found.iloc[0]) if len(found) else ""

    @property
    def limits(self) -> str:
        """The tolerance in words."""
        return kit.limits(self.tolerance, self.source, self.reference.mired)


def summary(
    facts: ReportFacts,
    drift: Drift,
    settings: Settings,
    readings: pd.DataFrame,
    bodies: Iterable[Body] = (),
    notes: Sequence[SessionNote] = (),
    parts: Sequence[Component] = (),
    reach: tuple[float, float] | None = None,
) -> Summary:
    """Put together what a report says.

    Args:
        parts: The budget.
        reach: Half-widths of the reference's absolute figures, [K] and Duv; None where they are not known.
    """
    absolute = budget.absolute(parts, reach)
    if absolute:  # with its size, it says more than the note that it stands for
        notes = [note for note in notes if note != SessionFact.NOT_ANCHORED]
    judged, timing = facts.judged, drift.timing
    why = [heads.why(finding, timing) for finding in judged.findings]
    unknown = dict.fromkeys(name for name, value in drift.reference.items() if value is None)
    steps = [actions.step(what, timing, settings.path) for what in actions.in_order(judged.actions)]
    light = dict(drift.reference) | {name: float("nan") for name in unknown if name not in ("head", "power")}
    return Summary(
        session=settings.title,
        reference=ReferenceLight(**light),
        tolerance=settings.tolerance,
        heads_table=insert_after(judged.heads, "verdict", "why", why),
        pairs=judged.pairs,
        worst_pair=judged.worst_pair,
        frames=status_counts(readings),
        called=judged.called,
        odd=_odd(judged),
        sentences={finding.head: heads.sentence(finding, timing) for finding in judged.findings},
        todo=tuple(one.line for one in steps),
        safe_ranges=judged.ranges,
        notes=(
            *kit_notes.notes(facts, settings.path),
            *session_notes.sentences(notes),
            *filter(None, [absolute]),
            *kit_notes.designs(drift.notes),
            *kit_notes.looked_at(drift.looks),
        ),
        bodies=tuple(bodies),
        attribution=facts.attribution,
        check_frames=facts.check_frames,
        budget=tuple(parts),
        absolute=absolute,
        calipers=judged.calipers,
        findings=judged.findings,
        steps=tuple(one for one in steps if not one.of_table),
        settings=settings,
    )


def _odd(judged: Judged) -> kit.Odd:
    """Return what stands out of a kit, by the names of the heads."""
    odd, found = judged.odd, judged.findings
    told = [(one.head, one.others if one.back and one.verdict != Verdict.OUTSIDE else one.close) for one in found]
    return kit.Odd(
        back=judged.back,
        clash=judged.clash,
        packs=odd.packs,
        spoilt=tuple(found[head].head for head in odd.spoilt),
        doubted=tuple(found[head].head for head in odd.doubted),
        apart=judged.apart,
        runs={head: heads.runs(stand) for head, stand in told if stand},
    )


def summary_json(content: Summary) -> dict[str, Any]:
    """Return the object of summary.json, with None for every number that is not known."""
    return document_of(
        {
            "session": content.session,
            "reference": asdict(content.reference),
            "tolerance": {**asdict(content.tolerance), "source": content.source},
            "heads": records(content.heads_table),
            "worst_pair": _worst_pair(content),
            "frames": asdict(content.frames),
            "kit_verdict": str(content.kit_verdict),
            "back": content.odd.back,
            "clash": content.odd.clash,
            "packs": content.odd.packs,
            "sentences": content.sentences,
            "todo": content.todo,
            "safe_ranges": records(content.safe_ranges),
            "notes": content.notes,
            "bodies": [_body(body) for body in content.bodies],
            "attribution": _attribution(content.attribution),
            "bracket": _check_frames(content.check_frames),
            "verdict_colour": content.called.colour,
            "verdict_output": content.called.output,
            "withheld": content.called.withheld,
            "budget": [budget.document(part) for part in content.budget],
        },
        schema=2,
    )


def _body(body: Body) -> dict[str, Any]:
    """Return how the colour of a camera body was made."""
    names = ("matrix", "colour_from", "anchored", "reference_neutral", "target_factor")
    patch = body.target.patch if body.target else None
    return {"body": body.label, **{name: getattr(body, name) for name in names}, "patch": patch}


def _worst_pair(content: Summary) -> dict[str, Any] | None:
    worst = content.worst_pair
    if worst is None:
        return None
    return records(content.pairs.iloc[[worst.row]])[0] | {
        "light_a": worst.light_a,
        "light_b": worst.light_b,
        "quantity": "distance" if worst.quantity is None else str(worst.quantity),
        "ratio": worst.ratio,
        "by_chance_mired": worst.by_chance_mired,
    }


def _attribution(found: Attribution | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"answers": records(found.answers), "differences": records(found.table)}


def _check_frames(found: CheckFrames | None) -> dict[str, Any] | None:
    if found is None:
        return None
    moves = {row.pop("quantity"): row for row in records(found.moves)}
    return {"head": found.head, "power": found.power, "moves": moves, "visits": records(found.visits)}
