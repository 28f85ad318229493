"""The live page: its link alone opens it, decisions arrive, and a state is shown when it is published."""

import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import closing
from urllib.parse import urlsplit

import pytest

from greystep.errors import GreystepError
from greystep.live.actions import Act, Action, Desk, parse_typed
from greystep.live.server import LivePage, qr_lines


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
def page(desk: Desk) -> Iterator[LivePage]:
    with LivePage(desk) as live:
        yield live


def ask(
    page: LivePage, path: str, method: str = "GET", body: str | None = None, headers: dict[str, str] | None = None
) -> tuple[int, str]:
    with closing(http.client.HTTPConnection("127.0.0.1", page.port, timeout=10)) as connection:
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read().decode()


def token(page: LivePage) -> str:
    return urlsplit(page.link).path.strip("/")


def test_the_link_opens_the_page_and_no_other_route_is_there(page: LivePage) -> None:
    status, text = ask(page, urlsplit(page.link).path)
    assert status == 200
    assert "Skip this box" in text
    assert "http" not in text.replace("http-equiv", "")  # nothing from elsewhere
    wrong = token(page)[:-1] + ("y" if token(page).endswith("x") else "x")
    for path in ("/", f"/{wrong}/", f"/{token(page)}/other", "/docs", f"/{token(page)}/act"):
        assert ask(page, path)[0] in (404, 405)
    assert len(token(page)) >= 24


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", ""])
def test_another_host_is_refused(page: LivePage, host: str) -> None:
    assert ask(page, urlsplit(page.link).path, headers={"Host": host})[0] in (400, 404)


def test_decisions_arrive_in_order(page: LivePage, desk: Desk) -> None:
    path = f"/{token(page)}/act"
    for sent in ({"act": "undo"}, {"act": "note", "text": " a hair on the card "}, {"act": "set", "text": "A 1/4"}):
        assert ask(page, path, "POST", json.dumps(sent))[0] == 200
    assert desk.bell.asked()
    assert desk.taken() == [Action(Act.UNDO), Action(Act.NOTE, "a hair on the card"), Action(Act.SET, "A 1/4")]


@pytest.mark.parametrize("sent", ["", "[]", "{}", '{"act": "run"}', '{"act": ["undo"]}', "[" * 2000, "\xff"])
def test_what_is_no_decision_is_refused(page: LivePage, desk: Desk, sent: str) -> None:
    assert ask(page, f"/{token(page)}/act", "POST", sent)[0] == 400
    assert desk.taken() == []


def test_a_large_request_and_one_of_another_origin_are_refused(page: LivePage, desk: Desk) -> None:
    path, undo = f"/{token(page)}/act", json.dumps({"act": "undo"})
    assert ask(page, path, "POST", undo + " " * 5000)[0] == 413
    assert ask(page, path, "POST", undo, {"Origin": "http://evil.example"})[0] == 404
    assert ask(page, path, "POST", undo, {"Origin": f"http://127.0.0.1:{page.port}"})[0] == 200
    assert desk.taken() == [Action(Act.UNDO)]


def test_a_state_is_sent_when_it_is_published(page: LivePage) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=10)
    connection.request("GET", f"/{token(page)}/events")
    stream = connection.getresponse()
    assert stream.readline() == b"data: {}\n"
    stream.readline()
    threading.Timer(0.0, page.publish, ({"told": ["one"]},)).start()
    assert json.loads(stream.readline().removeprefix(b"data: ")) == {"told": ["one"]}
    connection.close()


def test_an_address_of_another_machine_is_refused() -> None:
    with pytest.raises(GreystepError, match=r"--host 192\.0\.2\.1: cannot be used"):
        LivePage(Desk(), "192.0.2.1")


def test_all_addresses_are_shown_as_one_that_others_reach(desk: Desk) -> None:
    with LivePage(desk, "0.0.0.0") as live:
        assert "0.0.0.0" not in live.link


def test_a_qr_code_is_square_and_light_about() -> None:
    lines = qr_lines("http://127.0.0.1:5000/abc/")
    assert len({len(line) for line in lines}) == 1
    assert len(lines) == (len(lines[0]) + 1) // 2
    assert set(lines[0]) == {"█"}


@pytest.mark.parametrize(
    ("typed", "action"),
    [
        ("A 1/4", Action(Act.SET, "A 1/4")),
        ("undo", Action(Act.UNDO)),
        ("note  dust", Action(Act.NOTE, "dust")),
        ("skip full", Action(Act.SET, "skip full")),
    ],
)
def test_what_is_typed(typed: str, action: Action) -> None:
    assert parse_typed(typed) == action
