"""A set-up with some of its lights at other powers, beside the set-up as it is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from greystep.compare.drift import analyse
from greystep.mix.audit import JudgedSetup, judge_setup
from greystep.mix.changes import NewPower
from greystep.mix.gels import Gel
from greystep.session.ingest import Ingested


@dataclass(frozen=True)
class WhatIf:
    """The set-up before and after, and what was changed; shares stay as they are, as if the light were levelled."""

    lights: tuple[NewPower, ...]
    before: JudgedSetup
    after: JudgedSetup


def what_if(path: Path, found: Ingested, gels: Sequence[Gel], powers: Mapping[str, str]) -> WhatIf:
    """Judge a set-up as it is in SETUP.csv, and with other powers by role.

    Raises:
        GreystepError: If the set-up cannot be read, has no such role, or the power was not tested.
    """
    drift = analyse(found.readings, found.settings)
    before, after = (judge_setup(path, found, drift, gels, changed)[0] for changed in ({}, powers))
    lights = tuple(
        NewPower(
            role,
            " + ".join(row.head for row in before.setup.rows if row.role == role),
            next(row.power for row in before.setup.rows if row.role == role),
            power,
            _light(after, role) - _light(before, role),
        )
        for role, power in powers.items()
    )
    return WhatIf(lights, before, after)


def _light(judged: JudgedSetup, role: str) -> float:
    """Return the light of a role [stops], of all its heads together."""
    return float(np.log2(sum(2.0 ** row.output(judged.output) for row in judged.setup.rows if row.role == role)))
