"""Sessions of a history, made of a drift."""

from typing import Any

from greystep.compare import history
from greystep.compare.anchors import Visit, VisitLights
from greystep.compare.drift import Drift
from greystep.session.settings import DEFAULT_TOLERANCE


def session(drift: Drift, name: str = "one", camera: str = "One", **more: Any) -> VisitLights:
    usual: dict[str, Any] = {
        "date": "", "serials": {}, "types": {}, "reference": "A", "cameras": {"One": camera}, "meters": {},
        "tolerance": DEFAULT_TOLERANCE,
    }  # fmt: skip
    visit = Visit(name=name, drift=drift, **usual | more)
    return VisitLights(visit, tuple(history._cells(visit, {})))
