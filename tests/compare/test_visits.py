"""What a session gives to a history, from a small session written down here."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from greystep.compare.anchors import Visit, visit_of
from greystep.session.settings import DEFAULT_TOLERANCE, HeadInfo

ROW = {
    "frame": "f1",
    "head": "A",
    "kind": "flash",
    "body": "One 7",
    "lens": "100 mm",
    "captured": "2026-03-02T09:00:00",
}


def visit(*rows: dict[str, Any], body: dict[str, Any] | None = None, label: str = "One 7", **settings: Any) -> Visit:
    usual = {"heads": {"A": HeadInfo(serial="1071", type="plain")}, "reference_head": None, "meter": None}
    own = {"tags": SimpleNamespace(matrix_1=np.eye(3)), "colour_from": "dng", "anchored": False} | (body or {})
    found: Any = SimpleNamespace(
        settings=SimpleNamespace(**usual | {"tolerance": DEFAULT_TOLERANCE, "reflectance": None} | settings),
        readings=pd.DataFrame([ROW | row for row in rows]),
        bodies={label: SimpleNamespace(**own)},
    )
    drift: Any = None
    return visit_of("kit", found, drift)


def test_the_day_is_that_of_the_first_flash() -> None:
    ambient = {"kind": "ambient", "captured": "2026-03-01T23:59:00"}
    made = visit(ambient, {"captured": "2026-03-03T00:01:00"}, {}, {"captured": ""})
    assert (made.name, made.date, made.reference) == ("kit", "2026-03-02", "")
    assert (made.serials, made.types, made.meters) == ({"A": "1071"}, {"A": "plain"}, {})
    assert visit(ambient).date == ""
    assert visit({}, reference_head="A").reference == "A"


def test_the_same_camera_is_the_same_body_lens_calibration_and_target() -> None:
    usual = visit({}, {}, {"lens": "50 mm"}).cameras["One 7"]
    assert usual.startswith("One 7; 100 mm; dng; ")
    assert visit({}).cameras["One 7"] == usual  # the lens of most flash frames
    assert visit({}, {"lens": "50 mm", "kind": "job"}, {"lens": "50 mm", "kind": "job"}).cameras["One 7"] == usual
    others = [
        visit({"lens": "50 mm"}), visit({}, body={"colour_from": "camera.json"}),
        visit({}, body={"tags": SimpleNamespace(matrix_1=2.0 * np.eye(3))}),
        visit({}, reflectance=(np.array([400.0, 700.0]), np.array([0.1, 0.2]))),
    ]  # fmt: skip
    assert all(other.cameras["One 7"] != usual for other in others)
    assert visit({}, body={"tags": None}).cameras == {"One 7": ""}
    assert visit({}, label="").cameras == {"": ""}
    assert visit({"body": "Other"}).cameras["One 7"].startswith("One 7; ; dng")  # no flash frame of its own
