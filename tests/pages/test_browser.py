"""The report in a real browser: one sheet, no overflow, nothing asked for, readable marks, no fault of access.

They run where Chromium, playwright and pypdf are, one test where npm is; elsewhere they skip, under a named reason.
"""

import io
import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.chromium import CHROMIUM, open_browser
from helpers.pages import Told, kit_of

NO_BROWSER = "no Chromium, or no playwright and pypdf to drive it and to read what it prints"
NO_AXE = "axe-core cannot be had from npm here"
try:
    import pypdf
except ImportError:
    pypdf = None  # type: ignore[assignment]

pytestmark = pytest.mark.skipif(CHROMIUM is None or pypdf is None, reason=NO_BROWSER)

#: What a person hands over must be on the first sheet.
ON_PAGE_ONE = ("Send back head", "no. 1071", "no. 1072", "Tested by, date", "For the hire desk, date", "page 1 of")
#: Ratio of contrast of WCAG 2.1 between each mark and letter of a drawing and the ground of the page; the worst first.
CONTRAST = """() => {
  const lin = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = code => {
    const [r, g, b] = code.match(/[\\d.]+/g).map(Number); return 0.2126 * lin(r) + 0.7152 * lin(g) + 0.0722 * lin(b); };
  const ratio = (a, b) => {
    const [x, y] = [light(a), light(b)];
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05); };
  const ground = getComputedStyle(document.body).backgroundColor, found = [];
  const marks = ['path', 'circle', 'rect', 'text'].map(name => `svg.drawn ${name}`).join();
  for (const one of document.querySelectorAll(`${marks}, svg.mark *`)) {
    const style = getComputedStyle(one), text = one.tagName === 'text';
    if (one.tagName === 'rect' && one.hasAttribute('fill')) continue;  // a colour of light that is shown as it is
    const paints = [style.fill, style.stroke].filter(paint => paint !== 'none' && paint !== ground);
    const best = Math.max(0, ...paints.map(paint => ratio(paint, ground)));
    found.push([best / (text ? 4.5 : 3.0), one.outerHTML.slice(0, 120)]);
  }
  return found.sort((a, b) => a[0] - b[0]);
}"""
#: Sizes of letters on the screen [px], drawings as they are scaled; the smallest first.
LETTERS = """() => {
  const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const one = walk.currentNode.parentElement, drawing = one.closest('svg');
    if (!walk.currentNode.data.trim() || one.closest('title') || !one.getClientRects().length) continue;
    const scale = drawing ? drawing.getBoundingClientRect().width / drawing.viewBox.baseVal.width : 1;
    found.push([parseFloat(getComputedStyle(one).fontSize) * scale, walk.currentNode.data.trim().slice(0, 40)]);
  }
  return found.sort((a, b) => a[0] - b[0]);
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_browser() as chromium:
        yield chromium


@pytest.fixture(scope="module")
def kits() -> dict[int, Told]:
    return {2: kit_of(2), 6: kit_of(6, pictures=True), 12: kit_of(12, powers=3, repeats=2)}


@pytest.fixture(scope="module")
def pages(kits: dict[int, Told], tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    folder = tmp_path_factory.mktemp("pages")
    made = {}
    for count, kit in kits.items():
        bad = kit.readings["frame"][5]
        digests = [(name, "0123456789abcdef" * 4) for name in kit.readings["frame"]]
        made[count] = folder / f"{count}.html"
        made[count].write_text(kit.page(cures={bad: ["wait for full charge"]}, digests=digests), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def tabs(browser: Any, pages: dict[int, Path]) -> dict[int, Any]:
    opened = {count: browser.new_page() for count in pages}
    for count, tab in opened.items():
        tab.goto(pages[count].as_uri())
    return opened


def shown(tab: Any, width: int = 1440, scheme: str = "light", unfolded: bool = False) -> Any:
    tab.set_viewport_size({"width": width, "height": 900})
    tab.emulate_media(color_scheme=scheme)
    tab.evaluate("open => document.querySelectorAll('details').forEach(one => { one.open = open; })", unfolded)
    return tab


@pytest.mark.parametrize("count", [2, 6, 12])
def test_page_one_is_one_sheet_with_verdict_serials_and_signatures(tabs: dict[int, Any], count: int) -> None:
    tab = shown(tabs[count])
    for form in ("A4", "Letter"):
        sheets = pypdf.PdfReader(io.BytesIO(tab.pdf(format=form))).pages
        first, second = (" ".join(sheets[number].extract_text().split()) for number in (0, 1))
        assert [said for said in ON_PAGE_ONE if said not in first] == [], form
        assert "Every head against every other" in second, form
        assert "Every head against every other" not in first, form
        assert f"page 2 of {len(sheets)}" in second, form
        assert "Send back head" in second, "the running head"


@pytest.mark.parametrize("count", [6, 12])
def test_nothing_runs_over_the_edge(tabs: dict[int, Any], count: int) -> None:
    for width in (360, 768, 1440, 2560):
        tab = shown(tabs[count], width, unfolded=True)
        assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_the_verdict_is_one_line_on_a_desk(tabs: dict[int, Any]) -> None:
    tab = shown(tabs[2])
    for said in ("Keep the kit: heads A and B match", "Cannot call it yet: heads Amber, Bertha, Chris, Dora and E"):
        height, size = tab.evaluate(
            """said => { const line = document.querySelector('h1'); line.textContent = said;
            line.style.setProperty('--n', said.length);
            return [line.offsetHeight, parseFloat(getComputedStyle(line).fontSize)]; }""",
            said,
        )
        assert len(said) <= 60
        assert size < height < 1.5 * size, said


def test_letters_have_twelve_pixels_on_a_phone(tabs: dict[int, Any]) -> None:
    tab = shown(tabs[6], 360)
    sizes = tab.evaluate(LETTERS)
    assert len(sizes) > 300
    assert sizes[0][0] >= 11.99, sizes[:5]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_mark_is_seen_on_its_ground(tabs: dict[int, Any], scheme: str) -> None:
    tab = shown(tabs[6], scheme=scheme)
    found = tab.evaluate(CONTRAST)
    assert len(found) > 500
    assert found[0][0] >= 1.0, found[:5]


def test_the_page_asks_for_nothing(browser: Any, pages: dict[int, Path]) -> None:
    asked: list[str] = []
    tab = browser.new_page()
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(pages[6].as_uri())
    tab.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    tab.wait_for_load_state("networkidle")
    tab.close()
    assert [url[:80] for url in asked if not url.startswith("data:")] == [pages[6].as_uri()]


def test_a_page_of_six_heads_at_seven_powers_is_small(pages: dict[int, Path]) -> None:
    assert pages[6].stat().st_size < 1.5e6


def test_a_cell_of_the_matrix_opens_its_powers(tabs: dict[int, Any]) -> None:
    tab = shown(tabs[6])
    assert tab.locator("details[open]").count() == 0
    tab.locator("svg a[href='#pair-1']").first.click()
    opened = tab.locator("details[open]")
    assert opened.count() == 1
    assert "B against A" in opened.inner_text()


def test_numbers_of_a_frame_come_with_the_tab_key(tabs: dict[int, Any]) -> None:
    tab = shown(tabs[6], 360)
    for frame in (tab.locator("ul.run li").first, tab.locator("ul.run li").last):
        tip = frame.locator(".tip")
        assert not tip.is_visible()
        frame.focus()
        assert tip.is_visible()
        for said in (" K", "mired", "Duv", "stops"):
            assert said in tip.inner_text()
        assert tab.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("axe")
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip(NO_AXE)
    try:
        run = subprocess.run(
            [npm, "pack", "axe-core@4", "--silent"], cwd=folder, capture_output=True, timeout=60, check=True, text=True
        )
        shutil.unpack_archive(folder / run.stdout.split()[-1], folder, "gztar")
    except (OSError, subprocess.SubprocessError):
        pytest.skip(NO_AXE)
    return (folder / "package" / "axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1440])
def test_nothing_shuts_a_reader_out(tabs: dict[int, Any], axe: str, scheme: str, width: int) -> None:
    tab = shown(tabs[2], width, scheme, unfolded=True)
    tab.evaluate(axe)
    result = tab.evaluate("axe.run(document, {resultTypes: ['violations']})")
    wrong = {one["id"]: [node["html"][:160] for node in one["nodes"][:3]] for one in result["violations"]}
    assert wrong == {}, json.dumps(wrong, indent=1)
