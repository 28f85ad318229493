"""The other pages of the family in a real browser, as `test_browser` looks at the report."""

import io
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from greystep import api
from greystep.demo import scenario
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.sensor import Sensor
from greystep.planning.wishes import Wishes
from pages import test_browser as report

pytestmark = report.pytestmark
browser, axe = report.browser, report.axe

PAGES = ("corrections", "history", "choose", "audit", "shotsheet", "shuffled")


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every page, made from small sessions as the commands make them."""
    folder = tmp_path_factory.mktemp("sheets")
    heads = (
        HeadCharacter("A", "P1", mired=178.6), HeadCharacter("a long name of a head", "P1", mired=187.0),
        HeadCharacter("C", "P2", mired=178.9, duv=0.004),
    )  # fmt: skip
    kit = Kit(heads, powers=("1/1", "1/4"), repeats=1, compressed=False, sensor=Sensor(height=120, width=180))
    scenario.write_session(folder / "day1", kit, shoot(kit, 1), 1)
    shutil.copytree(folder / "day1", folder / "day2")
    (folder / "SETUP.csv").write_text(
        "role,head,power\nkey,A,1/1\nthe background,C,1/4\nfill,a long name of a head,1/1\n"
    )
    one, two = (api.open_session(folder / f"day{number}", jobs=1) for number in (1, 2))
    one.correct("A@1/1").write(folder)
    one.audit(folder / "SETUP.csv").write(folder)
    one.choose(2).write(folder)
    api.history([one, two]).write(folder)
    for name, order in (("shotsheet", "by-head"), ("shuffled", "shuffled")):
        made = api.plan(name, list("ABCDE"), Wishes(("full", "1/4", "1/16"), order=order), reference="A")
        made.write(folder / name)
        (folder / f"{name}.html").write_bytes((folder / name / "shotsheet.html").read_bytes())
    return {name: folder / f"{name}.html" for name in PAGES}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_asks_for_nothing_and_prints(browser: Any, sheets: dict[str, Path], name: str) -> None:
    asked: list[str] = []
    tab = browser.new_page()
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(sheets[name].as_uri())
    for width in (360, 768, 1440, 2560):
        tab.set_viewport_size({"width": width, "height": 900})
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        smallest = tab.evaluate(report.LETTERS)[0]
        assert smallest[0] >= 11.99, (width, smallest)
    printed = [
        " ".join(sheet.extract_text().split())
        for sheet in report.pypdf.PdfReader(io.BytesIO(tab.pdf(format="A4"))).pages
    ]
    tab.close()
    assert [url[:80] for url in asked if not url.startswith("data:")] == [sheets[name].as_uri()]
    assert all(f"page {number} of {len(printed)}" in sheet for number, sheet in enumerate(printed, 1))
    if name in ("shotsheet", "shuffled"):
        for said in ("Once, before", "Date", "Aperture", "greystep report", "Copy the camera"):
            assert said in printed[0]
        assert "lens cap on" in printed[1]


@pytest.mark.parametrize("name", PAGES)
def test_marks_are_seen_and_nobody_is_shut_out(browser: Any, sheets: dict[str, Path], axe: str, name: str) -> None:
    tab = browser.new_page()
    tab.goto(sheets[name].as_uri())
    tab.evaluate(axe)
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        marks = tab.evaluate(report.CONTRAST)
        assert not marks or marks[0][0] >= 1.0, marks[:3]
        found = tab.evaluate("axe.run(document, {resultTypes: ['violations']})")
        wrong = {one["id"]: [node["html"][:160] for node in one["nodes"][:3]] for one in found["violations"]}
        assert wrong == {}, json.dumps(wrong, indent=1)
    tab.close()
