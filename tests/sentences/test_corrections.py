"""What is said of frames without a correction."""

from greystep.correct.messages import NotCorrected
from greystep.flags import MEANING, Flag
from greystep.sentences.corrections import lines


def test_a_frame_whose_own_fault_was_told_is_not_told_again_and_every_other_is() -> None:
    """What counts is what is known of the frame, not the text: another reason may read as a fault does."""
    clipped = MEANING[Flag.CLIPPED]
    (said,) = lines([NotCorrected("a.dng", clipped, own_fault=True), NotCorrected("b.dng", clipped)])
    assert said == f"b.dng: no correction: {clipped}"
