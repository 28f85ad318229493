"""What is said on screen of set-ups of lights and of heads that go together."""

from collections.abc import Sequence
from typing import Final

from greystep import words as say
from greystep.mix.audit import Audit
from greystep.mix.casts import LightCast
from greystep.mix.choose import Choice, Gang, GangChoice, HeadSet
from greystep.pages import formats as words
from greystep.pages.screen import elsewhere, listing
from greystep.pages.text_table import text_table
from greystep.sentences import choices, setups
from greystep.words import wrapped


def audit_text(audit: Audit, wrote: Sequence[str]) -> str:
    """Return the audit of a set-up for the screen: whether its lights go together, what is seen, what to do."""
    pair, balance = setups.farthest(audit), setups.balance(audit)
    notes = setups.notes(audit, beside_steps=True)
    doubt = [note for note in notes if note == setups.UNWATCHED]  # it bears on every verdict
    blocks = [
        wrapped(f"{audit.name}: {setups.headline(audit)}."),
        wrapped(f"{setups.difference(pair)} {setups.seen(pair)}", "  "),
        *([wrapped(balance, "  ")] if balance else []),
        "",
        text_table(_LIGHT_COLUMNS, list(map(_light_cells, audit.now.lights)), say.screen_width(), clip=(0, 1)),
        "",
        wrapped(f"Limits: {setups.limits(audit)}."),
        *map(wrapped, doubt),
        *listing("What to do next", [f"{n}. {line}" for n, line in enumerate(setups.to_do(audit), 1)]),
        *([wrapped(say.CAUTION, "  ! ")] if setups.needs_care(audit) else []),
        "",
        *elsewhere(len(setups.other_ways(audit)), "other way", "to bring the lights together"),
        *elsewhere(len(notes) - len(doubt), "note", "on what limits this answer"),
        *(f"wrote {path}" for path in wrote),
    ]
    return "\n".join(blocks)


_LIGHT_COLUMNS: Final = ("light", "head", "power", "Kelvin", "share", "off the best balance", "green-pink", "gel")


def _light_cells(light: LightCast) -> tuple[str, ...]:
    return (
        light.role,
        light.head,
        light.power,
        f"{light.cct_k:.0f}",
        f"{100.0 * light.share:.0f} %",
        words.kelvin_way(light.delta_k, light.delta_mired),
        f"{abs(light.delta_duv):.4f} {'greener' if light.delta_duv > 0 else 'pinker'}",
        light.gel or words.EMPTY,
    )


def choose_text(choice: Choice | GangChoice, wrote: Sequence[str]) -> str:
    """Return the sets of heads that go together best, by rank, for the screen; `wrote` as in `audit_text`."""
    lead = "the shortest flash comes from" if isinstance(choice, GangChoice) else "closest together are"
    rows = [
        (
            f"{rank} {words.MARKS[one.verdict]}",
            ", ".join(f"{light.head} {light.power}" for light in one.lights),
            *_worst_cells(one),
            f"{one.cost_stops:.1f} stop" if isinstance(one, HeadSet) else f"{one.output_stops:+.1f} stop",
            say.VERDICTS[one.verdict],
        )
        for rank, one in enumerate([choice.best, *choice.next_best], 1)
    ]
    ganged = isinstance(choice, GangChoice)
    columns = ("rank", "heads", "worst two", "green-pink", "output" if ganged else "light lost", "verdict")
    blocks = [
        wrapped(f"{choice.session}: {lead} {choices.chosen(choice.best)}"),
        "",
        text_table(columns, rows, say.screen_width(), clip=()),
    ]
    if isinstance(choice, Choice) and not choice.best.settled:
        blocks += ["", wrapped("No set has a smaller worst pair; another may have its other pairs closer.")]
    return "\n".join([*blocks, "", wrapped(say.CAUTION, "! "), "", *(f"wrote {path}" for path in wrote)])


def _worst_cells(one: HeadSet | Gang) -> tuple[str, str]:
    if one.worst is None:
        return words.EMPTY, words.EMPTY
    gap = one.worst.difference
    return words.kelvin_mired(gap.delta_k, gap.delta_mired), words.number(abs(gap.delta_duv), 4)
