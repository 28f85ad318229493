"""A camera's own colour matrix."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greystep.documents import Document
from greystep.files import write_json
from greystep.measure.calibration import Calibration, camera_document
from greystep.results.notebook import html
from greystep.sentences import calibration


@dataclass(frozen=True, eq=False)
class CameraResult:
    """A camera's own colour matrix, and what the chart leaves unexplained."""

    calibration: Calibration

    @property
    def messages(self) -> tuple[str, ...]:
        """What limits the fit."""
        return self.calibration.notes

    @property
    def document(self) -> Document:
        """The object of camera.json."""
        return camera_document(self.calibration)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return "\n".join([*calibration.findings(self.calibration), *map(calibration.use_it, wrote)])

    def _repr_html_(self) -> str:
        patches = pd.DataFrame({"patch": self.calibration.names, "delta_e_2000": self.calibration.delta_e})
        return html(self.calibration.frame, calibration.findings(self.calibration), patches)

    def write(self, path: Path) -> list[Path]:
        """Write camera.json."""
        write_json(path, self.document)
        return [path]
