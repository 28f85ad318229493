"""Limits of the live page: what stays, how much a page may send, and how often it hears; just inside and outside."""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from greystep.live.actions import Act, Action, Desk
from greystep.live.news import News
from greystep.live.server import LivePage


@pytest.fixture
def page() -> Any:
    """A page that nobody serves."""
    page: Any = LivePage.__new__(LivePage)
    page._token, page._hosts, page._desk = "t", {"here"}, Desk()
    page._state, page._version, page._closed = "{}", 0, False
    return page


def test_four_lines_stay() -> None:
    news = News()
    for line in "abcde":
        news.add(line)
    assert (news.fresh, news.earlier) == (["e", "d", "c", "b"], [])
    news.age()
    news.add("f")
    assert (news.fresh, news.earlier) == (["f"], ["e", "d", "c"])


@pytest.mark.parametrize(("size", "status"), [(2048, 200), (2049, 413)])
def test_a_request_has_two_kibibytes_and_its_text_two_hundred_letters(page: Any, size: int, status: int) -> None:
    body = b'{"act": "note", "text": "%s"}' % (b"x" * 201)

    async def sent() -> Any:
        yield body.ljust(size)

    request: Any = SimpleNamespace(path_params={"token": "t"}, headers={"host": "here"}, stream=sent)
    assert asyncio.run(page._act(request)).status_code == status
    assert page._desk.taken() == ([Action(Act.NOTE, "x" * 200)] if status == 200 else [])


def test_a_page_is_looked_after_every_three_hundredths_of_a_second_and_hears_every_fifteen(
    page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []

    async def wait(seconds: float) -> None:
        waits.append(seconds)

    monkeypatch.setattr(asyncio, "sleep", wait)

    async def heard() -> list[tuple[str, float]]:
        """What comes first, what comes next, what comes once a state was published, and after how long each."""
        stream, lines = page._stream(), []
        for at in range(3):
            page._version += at == 2
            waits.clear()
            lines.append((await anext(stream), sum(waits)))
        return lines

    first, alive, news = asyncio.run(heard())
    assert first == ("data: {}\n\n", 0.0)
    assert alive == (": alive\n\n", pytest.approx(15.0, abs=0.1))
    assert news == ("data: {}\n\n", pytest.approx(0.03, abs=0.005))
