"""One live page of a shoot, served on this machine: what is next in large letters, and four things to decide.

Whoever has the link may read the page and decide; the link holds a random token. There is no other route, the Host
header must name this server, and nothing is taken from the page but the decisions of `Act`.
"""

import asyncio
import json
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Mapping, Sequence
from importlib.resources import files
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from uvicorn import Config, Server

from greystep.errors import GreystepError
from greystep.live.actions import Act, Action, Desk

#: How often a page that is open is looked after [s].
_LOOK_S: Final = 0.03
#: A line that keeps the connection, so often [s].
_ALIVE_S: Final = 15.0
#: Longest text that a page may send [characters], and longest request [bytes].
_LONGEST: Final = 200
_LARGEST: Final = 2048
_HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class LivePage:
    """The page and its server; used as a context, which stops it.

    Attributes:
        link: The address with its token.
    """

    def __init__(self, desk: Desk, host: str = "127.0.0.1", port: int = 0) -> None:
        """Bind a port of `host`; 0 takes a free one.

        Raises:
            GreystepError: If the address cannot be used.
        """
        self._desk = desk
        self._token = secrets.token_urlsafe(18)
        self._state, self._version, self._closed = "{}", 0, False
        try:
            self._socket = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
        except OSError as error:
            reason = (error.strerror or str(error)).partition(" (while")[0]
            raise GreystepError(f"--host {host}: cannot be used ({reason}); give an address of this machine") from error
        self.port = int(self._socket.getsockname()[1])
        seen = _own_address(host)
        named = f"[{seen}]" if ":" in seen else seen
        self.link = f"http://{named}:{self.port}/{self._token}/"
        self._hosts = {f"{named}:{self.port}"} | ({f"localhost:{self.port}"} if host.startswith("127.") else set())
        routes = [
            Route("/{token}/", self._page),
            Route("/{token}/events", self._events),
            Route("/{token}/act", self._act, methods=["POST"]),
        ]
        self.app = Starlette(routes=routes)
        self.app.router.redirect_slashes = False
        quiet: dict[str, Any] = {"log_level": "critical", "access_log": False, "server_header": False}
        self._server = Server(Config(self.app, lifespan="off", ws="none", **quiet))
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="live page", daemon=True
        )

    def __enter__(self) -> "LivePage":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closed = True
        self._server.should_exit = True
        self._thread.join(5.0)
        self._socket.close()

    def publish(self, state: Mapping[str, Any]) -> None:
        """Show a state on every page that is open."""
        self._state = json.dumps(state)
        self._version += 1

    # --- the routes ---------------------------------------------------------------------------------------------------

    def _refused(self, request: Request) -> Response | None:
        """Return what a request gets that has not the token, or names another host."""
        right = secrets.compare_digest(request.path_params["token"].encode(), self._token.encode())
        host = request.headers.get("host", "")
        if not right or host not in self._hosts:
            return PlainTextResponse("not found", 404, _HEADERS)
        return None

    async def _page(self, request: Request) -> Response:
        return self._refused(request) or HTMLResponse(_html(), headers=_HEADERS)

    async def _events(self, request: Request) -> Response:
        if refused := self._refused(request):
            return refused
        return StreamingResponse(self._stream(), media_type="text/event-stream", headers=_HEADERS)

    async def _stream(self) -> AsyncIterator[str]:
        sent, quiet = -1, 0.0
        while not self._closed:
            if sent != self._version:
                sent, quiet = self._version, 0.0
                yield f"data: {self._state}\n\n"
            elif quiet >= _ALIVE_S:
                quiet = 0.0
                yield ": alive\n\n"
            await asyncio.sleep(_LOOK_S)
            quiet += _LOOK_S

    async def _act(self, request: Request) -> Response:
        if refused := self._refused(request):
            return refused
        origin = request.headers.get("origin")
        if origin is not None and origin.partition("://")[2] not in self._hosts:
            return PlainTextResponse("not found", 404, _HEADERS)
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > _LARGEST:
                return JSONResponse({"error": f"more than {_LARGEST} bytes"}, 413, _HEADERS)
        try:
            sent = json.loads(body)
            action = Action(Act(sent["act"]), str(sent.get("text", ""))[:_LONGEST].strip())
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return JSONResponse({"error": f"act is one of {', '.join(Act)}"}, 400, _HEADERS)
        self._desk.put(action)
        return JSONResponse({"taken": str(action.act)}, headers=_HEADERS)


def _own_address(host: str) -> str:
    """Return the address at which others reach this machine where all of its addresses are bound; nothing is sent."""
    if host not in ("0.0.0.0", "::"):
        return host
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("2001:db8::1" if ":" in host else "192.0.2.1", 9))  # RFC 3849, RFC 5737: for documentation
            return str(probe.getsockname()[0])
        except OSError:
            return "::1" if ":" in host else "127.0.0.1"


def qr_lines(link: str) -> Sequence[str]:
    """Return a QR code of a link for the terminal, dark on light, two rows of modules a line."""
    import segno

    matrix = [list(row) for row in segno.make(link, error="l").matrix_iter(border=2)]
    if len(matrix) % 2:
        matrix.append([0] * len(matrix[0]))
    marks = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
    return [
        "".join(marks[int(bool(one)), int(bool(two))] for one, two in zip(upper, lower, strict=True))
        for upper, lower in zip(matrix[::2], matrix[1::2], strict=True)
    ]


def _html() -> str:
    return (files("greystep.live") / "live.html").read_text(encoding="utf-8")
