"""What a person is told of corrections."""

from collections.abc import Iterable
from typing import Final

from greystep import words as say
from greystep.correct import messages as told
from greystep.terms import Source

#: Where the light of a frame is known from, by the source column.
SOURCES: Final[dict[str, str]] = {
    Source.PATCH: "the frame's own grey target",
    Source.PROFILE: "the test of its head",
    Source.OVERLAP: "what it shares with another frame",
    Source.NEARBY: "the last grey target under the same lights",
}


def lines(messages: Iterable[told.Message]) -> list[str]:
    """Return the lines for the terminal, one a message.

    A frame that has no correction for a fault of its own is told with that fault, and not here again.
    """
    return [line(one) for one in messages if not (isinstance(one, told.NotCorrected) and one.own_fault)]


def line(message: told.Message) -> str:
    """Return what is said of one fact."""
    match message:
        case told.HeadMoved(head, mired, reference):
            return (
                f"head {head} has moved by {abs(mired):.1f} mired against the others since {reference}; the tie "
                "between the sessions leaves it out"
            )
        case told.HeadsApart(heads, mired, reference):
            return (
                f"{say.heads(heads)} have moved apart by {mired:.1f} mired since {reference}; which of them moved is "
                "not known: shoot a card under a third head"
            )
        case told.CardAssumed():
            return (
                "no row of kind card or flash says where the grey card is; the even area that was found in the job "
                "frames is taken for it"
            )
        case told.CardUnproven(frames, jobs):
            return (
                f"{frames} of {jobs} job frames do not show the grey card beyond doubt, so their light is taken from "
                "elsewhere; a frame that shows it takes the kind card in the log"
            )
        case told.MatchedToItself(hub):
            return (
                f"{hub}: no frame of its series holds a grey target, so the series is matched to itself; the white "
                "from which its matrices start is the camera's own setting"
            )
        case told.NotCorrected(frame, trouble, _):
            return f"{frame}: no correction: {trouble}"
