"""The raw files of one session while it is read: which are known, where their targets stand, and what they say."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep import flags
from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure.reading import TOO_DARK, Reading
from greystep.measure.target import Target, find_target, fixed_target
from greystep.raw.exposure import body_label
from greystep.session import cache as kept
from greystep.session import places
from greystep.session.bodies import through_matrix
from greystep.session.cache_folder import fingerprint, forget_others, open_cache
from greystep.session.raw_files import capture_order, start_of
from greystep.session.settings import Box, Settings
from greystep.session.workers import Crew
from greystep.terms import TESTED, UNLIT, Kind

#: With so many frames of a body that show the target its place is settled while more come.
_SETTLED: Final = 4
#: Flash frames in whose overviews the target is sought, spread over heads and powers.
_LOOKED_AT: Final = 9

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class _Search:
    """How the target of a body was sought: in these frames; in the one it was seen in, blank for all; and by what."""

    looked_at: list[str]
    seen_in: str
    find: Callable[..., tuple[Target | None, str]]


class Measured:
    """The raw files of a session, each read at most once in each way; what was measured before is recalled.

    Attributes:
        names: In capture order.
        cache: Where readings are kept; None where none can be.
        starts: By file: what it is known again by; None where it cannot be read.
        labels: By file: its body.
        targets: By body: where its target stands; None where it was not found.
        readings: By file: what was measured.
    """

    def __init__(self, settings: Settings, files: Sequence[str], store: Path | None, crew: Crew) -> None:
        """Recall what is known of files, and read the exposure data of the others."""
        self._folder, self._crew, self._settings = settings.frames_dir, crew, settings
        self.cache = open_cache(settings.path, store)
        self.starts = {name: start_of(os.path.join(self._folder, name)) for name in files}
        self._prints = {name: fingerprint(name, start) for name, start in self.starts.items()}
        self._known = kept.recall(self.cache, self._prints)
        self._exposures = kept.exposures(self._folder, files, self._known, crew)
        order = capture_order(files, [self._exposures[name].captured for name in files])
        self.names = [files[place] for place in order]
        self.labels = {name: body_label(self._exposures[name]) for name in self.names}
        self.targets: dict[str, Target | None] = {}
        self.readings: dict[str, Reading] = {}
        self._searches: dict[str, _Search] = {}

    def find_targets(self, shots: pd.DataFrame, given: Box | None, settled: Mapping[str, Target]) -> None:
        """Find the target of each body: as it was given, as it was settled, or in some frames that the log tells."""
        for label in dict.fromkeys(self.labels[name] for name in self.names):
            if given:
                self.targets[label] = fixed_target(given)
                continue
            if label in settled:
                self.targets[label] = settled[label]
                continue
            some = _spread(shots, self._of_body(label))
            flash = bool((shots["frame"].isin(some) & shots["kind"].isin(TESTED)).any())
            finder = partial(find_target, has_card=True) if flash else _find_in_lit
            find = partial(kept.find_once, self._folder, some, finder, self.cache, self._prints, self._crew)
            self.targets[label], seen_in = find(at_once=flash)
            self._searches[label] = _Search(some, seen_in, find)

    def measure_all(self, progress: Progress | None) -> None:
        """Measure every file; where a target that one frame told is not in the others, once more in the right place.

        Raises:
            GreystepError: If none can be read.
        """
        self.measure(self.names, progress=progress)
        for label, search in self._searches.items():
            if search.seen_in and not places.found_in_others(search.seen_in, search.looked_at, self.readings):
                self.targets[label], _ = search.find()
                self.measure(self._of_body(label), progress=progress)
        forget_others(self.cache, self._prints.values())
        for search in self._searches.values():
            kept.forget_target(search.looked_at, self.readings, self.cache, self._prints)
        if all(Flag.UNREADABLE in reading.flags for reading in self.readings.values()):
            first = self.readings[self.names[0]].message
            which = f"none of its {len(self.names)} frames can" if len(self.names) > 1 else "its one frame cannot"
            raise GreystepError(f"{self._folder}: {which} be read; the first: {first}")

    def measure(self, names: Sequence[str], whole: bool = False, progress: Progress | None = None) -> None:
        """Measure some files at the targets of their bodies; with `whole` all that lies about these is read."""
        sought = {name: self.targets[self.labels[name]] for name in names}
        found = kept.measure(
            self._folder, sought, self._known, self.cache, self._prints, self._crew, self._exposures, progress, whole
        )
        self.readings |= through_matrix(found) if self._settings.matrix == "embedded" else found

    def measure_again(self, moved: Sequence[str]) -> bool:
        """Measure files, whose target has moved, where it stands now; say whether it was found in any."""
        targets = {name: self.targets[self.labels[name]] for name in moved}
        where = {name: target for name, target in targets.items() if target is not None and target.found}
        again = kept.measure_again(self._folder, where, self.cache, self._prints, self._crew)
        for name, reading in again.items():
            self.readings[name] = replace(reading, flags=flags.ordered([*reading.flags, Flag.TARGET_MOVED]))
        return bool(again)

    def settled_targets(self) -> dict[str, Target]:
        """Return by body the targets that were seen in so many frames that they stay."""
        shown = [
            self.labels[name] for name, one in self.readings.items() if one.signal and Flag.TOO_DARK not in one.flags
        ]
        return {
            label: target
            for label, target in self.targets.items()
            if target is not None and shown.count(label) >= _SETTLED
        }

    def in_order(self, names: Sequence[str] | None = None) -> list[Reading]:
        """Return the readings of some files, of all by default."""
        return [self.readings[name] for name in (self.names if names is None else names)]

    def _of_body(self, label: str) -> list[str]:
        return [name for name in self.names if self.labels[name] == label]


def _spread(shots: pd.DataFrame, names: Sequence[str]) -> list[str]:
    """Choose flash frames (else cards, job frames, any) of one body, spread over heads and powers."""
    for kinds in (TESTED, (Kind.CARD,), (Kind.JOB,), (*UNLIT, "")):
        mine = shots[shots["frame"].isin(list(names)) & shots["kind"].isin(kinds)]
        if len(mine):
            # One frame a cell in turn, so that repeats come only where there are few cells.
            turn = mine.groupby(["head", "power"], sort=False).cumcount()
            chosen = mine.assign(turn=turn).sort_values(["turn", "stops", "head"], kind="stable")["frame"]
            cells = int((turn == 0).sum())
            pool = chosen.iloc[: max(cells, _LOOKED_AT)]
            return [str(pool.iloc[place]) for place in np.unique(np.linspace(0, len(pool) - 1, _LOOKED_AT).astype(int))]
    return [names[place] for place in np.unique(np.linspace(0, len(names) - 1, _LOOKED_AT).astype(int))]


def _find_in_lit(overviews: Sequence[NDArray[Any]]) -> Target | None:
    """Find the target where the log does not say yet which frames have flash: in those that are not dark."""
    lit = [overview for overview in overviews if np.percentile(overview[..., 1], 99) > TOO_DARK]
    return find_target(lit or overviews, has_card=False)
