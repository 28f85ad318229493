"""What there is to say of corrections, as facts; `greystep.sentences.corrections` makes the text of them."""

from dataclasses import dataclass


@dataclass(frozen=True)
class HeadMoved:
    """A head that is left out of the tie to the session of `reference`: it moved by `mired` against the others."""

    head: str
    mired: float
    reference: str


@dataclass(frozen=True)
class HeadsApart:
    """Two heads moved apart by `mired` since the session of `reference`; which of them moved is not known."""

    heads: tuple[str, ...]
    mired: float
    reference: str


@dataclass(frozen=True)
class CardAssumed:
    """No row says where the grey card is: the even area in the job frames is taken for it."""


@dataclass(frozen=True)
class CardUnproven:
    """So many of the `jobs` job frames do not show the grey card beyond doubt."""

    frames: int
    jobs: int


@dataclass(frozen=True)
class MatchedToItself:
    """No frame of a series holds a grey target; its frames are matched to the frame `hub`."""

    hub: str


@dataclass(frozen=True)
class NotCorrected:
    """A frame without a correction, and why; `own_fault` where nothing but the flags of the frame says why."""

    frame: str
    trouble: str
    own_fault: bool = False


Message = HeadMoved | HeadsApart | CardAssumed | CardUnproven | MatchedToItself | NotCorrected
