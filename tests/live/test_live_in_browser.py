"""The live page in real Chromium: what is next is shown as it is published, and a click is a decision."""

from collections.abc import Iterator
from typing import Any

import pytest

from greystep.live.actions import Act, Action, Desk
from greystep.live.server import LivePage
from helpers.chromium import CHROMIUM, open_browser

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium, or no playwright to drive it")

STATE = {
    "next": {"box": "19", "of": 34, "light": "Head 2 at 1/16", "do": ["turn down", "dump", "wait for ready"]},
    "done": False,
    "shot": 18,
    "of": 34,
    "last": {"frame": "f0018.dng", "gave": ["Head 2 at 1/8", "5502 K", "card at 17 % of the range"], "status": "ok"},
    "told": ["f0017.dng: the pack did not fire; shoot box 18 (Head 2 at 1/8) again"],
    "earlier": ["f0009.dng: box 9 (A at full) is missing: shoot it now"],
    "rows": [{"light": "A at full", "state": "shot"}] * 18 + [{"light": "B", "state": "due"}] * 16,
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_browser() as chromium:
        yield chromium


@pytest.mark.parametrize("width", [360, 1280])
def test_what_is_published_is_shown_and_a_click_is_a_decision(browser: Any, width: int) -> None:
    desk = Desk()
    with LivePage(desk) as live:
        tab = browser.new_page(viewport={"width": width, "height": 900})
        asked: list[str] = []
        tab.on("request", lambda request: asked.append(request.url))
        tab.goto(live.link)
        live.publish(STATE)
        tab.get_by_text("Head 2 at 1/16", exact=True).wait_for()
        assert tab.locator("#do li").all_inner_texts() == ["turn down", "dump", "wait for ready"]
        assert float(tab.locator("#light").evaluate("one => parseFloat(getComputedStyle(one).fontSize)")) >= 54
        assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
        tab.get_by_text("Skip this box").click()
        tab.get_by_label("Note on the last frame").fill("a hair <b>on</b> it")
        tab.get_by_text("Write it down").click()
        taken: list[Action] = []
        while len(taken) < 2:
            desk.bell.wait(10)
            taken += desk.taken()
        assert taken == [Action(Act.SKIP), Action(Act.NOTE, "a hair <b>on</b> it")]
        live.publish(STATE | {"next": None, "done": True})
        tab.get_by_text("greystep report gives the verdict").wait_for()
        assert all(url.startswith(live.link) or url.endswith("/favicon.ico") for url in asked)
        tab.close()


def test_what_is_over_steps_back_and_a_lost_link_stands_out(browser: Any) -> None:
    with LivePage(Desk()) as live:
        tab = browser.new_page(viewport={"width": 390, "height": 700})
        tab.goto(live.link)
        long = STATE["next"] | {"light": "Rim left head 1200 at 1/16"}  # type: ignore[operator]
        live.publish(STATE | {"next": long})
        tab.get_by_text("Rim left head 1200 at 1/16", exact=True).wait_for()
        size = "one => parseFloat(getComputedStyle(one).fontSize)"
        assert tab.locator("#told").evaluate(size) > 1.2 * tab.locator("#earlier").evaluate(size)
        assert tab.locator("#earlier li").all_inner_texts() == STATE["earlier"]
        assert 36 <= float(tab.locator("#light").evaluate(size)) < 54, "a long name leaves room for the steps"
        assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
        live.publish({"free": "tell head and power", "next": None, "done": False, "shot": 0, "last": None, "told": []})
        tab.get_by_label("Head and power from now on").wait_for()
        assert [one.is_visible() for one in tab.locator("[data-act]").all()] == [True, False, False]
    tab.get_by_text("The link is lost").wait_for()
    box = tab.locator("#state").bounding_box()
    assert box["y"] < 120, "above what is next, not below the fold"
    assert float(tab.locator("#next").evaluate("one => getComputedStyle(one).opacity")) < 0.5
    tab.close()
