"""The writer of DNG files of the measuring tests serves here too."""

from measure.conftest import make_dng

__all__ = ["make_dng"]
