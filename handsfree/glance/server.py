"""The page's server, in a thread of its own beside the session.

The one rule: the session hands over what happened and goes on; whatever the page, a tablet or the network does, it is
never waited for and nothing of it comes back.
"""

from __future__ import annotations

import asyncio
import io
import ipaddress
import json
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import segno
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from handsfree.errors import PlainError
from handsfree.glance.view import View, follow, state
from handsfree.procedure.model import Procedure
from handsfree.review.report import symbol
from handsfree.session.events import Act, Event

BEAT = 2.0  # seconds after which the page is told the same again, so that it knows that the program is there
LOST = "This page has lost the session. Look at the terminal."
AT_ONCE = 64  # connections; a tablet takes one or two
_FILES = {"/": "page.html", "/page.css": "page.css", "/page.js": "page.js"}
_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class GlanceError(PlainError):
    """The page cannot be served where it was asked for."""


class Glance:
    """Serves the page until it is closed. Calling it with an event and its acts is what a conversation does to watch.

    ``url`` is what to open; for anything wider than this computer it holds a token, without which nothing is told.
    Port 0 is any that is free. Raises GlanceError where the address cannot be served at.
    """

    def __init__(self, host: str, port: int) -> None:
        self._socket = _listen(host, port)
        self.port: int = self._socket.getsockname()[1]
        self.open_to_others = not _is_loopback(self._socket.getsockname()[0])
        self._token = secrets.token_urlsafe(16) if self.open_to_others else None
        address = _address_for_others(host) if self.open_to_others else host
        query = f"?token={self._token}" if self._token else ""
        self.url = f"http://{f'[{address}]' if ':' in address else address}:{self.port}/{query}"
        self._view: View | None = None
        self._lost = False
        self._ended = False
        self._changed: set[asyncio.Event] = set()
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(lambda loop, context: None)  # a tablet that goes away is no news here
        routes = [Route(path, _file(name), methods=["GET"]) for path, name in _FILES.items()]
        routes.append(Route("/events", self._events, methods=["GET"]))
        config = uvicorn.Config(
            Starlette(routes=routes),
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            limit_concurrency=AT_ONCE,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="glance", daemon=True)
        self._thread.start()

    # -- in the session's thread ---------------------------------------------------------------------------------------

    def show(self, procedure: Procedure) -> None:
        """A session with this procedure begins."""
        self._hand_over(self._take, View(procedure))

    @property
    def code(self) -> str:
        """The address as a QR code (ISO/IEC 18004) in half blocks, light on dark; empty where it is only for here."""
        if not self.open_to_others:
            return ""
        text = io.StringIO()
        segno.make(self.url, micro=False).terminal(text, compact=True, border=2)
        return text.getvalue()

    def __call__(self, event: Event, acts: Sequence[Act]) -> None:
        """Takes what happened to the page's thread; never waits, never raises."""
        self._hand_over(self._follow, event, tuple(acts))

    def close(self) -> None:
        """Tells the pages that the program has ended, and ends the thread."""
        self._hand_over(self._end)
        self._server.should_exit = True
        self._thread.join(timeout=5)

    def _hand_over(self, what: Any, *arguments: Any) -> None:
        with suppress(RuntimeError):  # the page's loop has ended; nobody is looking
            self._loop.call_soon_threadsafe(what, *arguments)

    # -- in the page's thread ------------------------------------------------------------------------------------------

    def _serve(self) -> None:
        asyncio.set_event_loop(self._loop)
        symbol("ohm")  # reads the table of units, which takes half a second: before anybody looks
        with suppress(OSError, SystemExit):
            self._loop.run_until_complete(self._server.serve(sockets=[self._socket]))
        self._socket.close()
        self._loop.close()

    def _take(self, view: View) -> None:
        self._view, self._lost = view, False
        self._wake()

    def _follow(self, event: Event, acts: Sequence[Act]) -> None:
        if self._view is None or self._lost:
            return
        try:
            self._take(follow(self._view, event, acts))
        except Exception:  # whatever it is: the page must not go on showing what is no longer so
            self._lost = True
            self._wake()

    def _end(self) -> None:
        self._ended = True
        self._wake()

    def _wake(self) -> None:
        for changed in self._changed:
            changed.set()

    def _state(self) -> dict[str, Any]:
        told = {} if self._view is None else state(self._view, datetime.now(UTC))
        return told | {"ended": self._ended, "lost": LOST if self._lost else ""}

    async def _events(self, request: Request) -> Response:
        if refusal := self._refusal(request):
            return refusal
        headers = {**_HEADERS, "X-Accel-Buffering": "no"}
        return StreamingResponse(self._stream(), media_type="text/event-stream", headers=headers)

    def _refusal(self, request: Request) -> Response | None:
        """Without a token only this computer's own browser is told, and only under this computer's own name.

        A page from elsewhere whose name was made to lead here would come under that name (DNS rebinding).
        """
        if self._token is not None:
            if secrets.compare_digest(request.query_params.get("token", "").encode(), self._token.encode()):
                return None
            return PlainTextResponse("Scan the code that the terminal shows.", 403, _HEADERS)
        if request.url.hostname == "localhost" or _is_loopback(request.url.hostname or ""):
            return None
        return PlainTextResponse("Open the address that the terminal shows.", 403, _HEADERS)

    async def _stream(self) -> AsyncIterator[str]:
        changed = asyncio.Event()
        changed.set()
        self._changed.add(changed)
        try:
            while True:
                with suppress(TimeoutError):
                    await asyncio.wait_for(changed.wait(), BEAT)
                changed.clear()
                yield f"retry: 1000\ndata: {json.dumps(self._state(), ensure_ascii=False)}\n\n"
                if self._ended:
                    return
        finally:
            self._changed.discard(changed)


def _file(name: str) -> Any:
    path = Path(__file__).with_name(name)

    async def respond(request: Request) -> Response:
        return FileResponse(path, headers=_HEADERS)

    return respond


def _listen(host: str, port: int) -> socket.socket:
    """A socket that listens already, so that a port in use is told before the session begins."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(address[:2], family=family)
    except OSError as error:
        reason = error.strerror or str(error)
        raise GlanceError(
            f"no page can be shown at {host}:{port}: {reason}; choose another port, as in --glance {port + 1}, or go "
            "without, as in --glance off"
        ) from None


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _address_for_others(host: str) -> str:
    """The address at which a tablet in the same network finds this computer."""
    if host not in ("0.0.0.0", "::"):
        return host
    family, elsewhere = (socket.AF_INET6, "2001:db8::1") if host == "::" else (socket.AF_INET, "192.0.2.1")
    with socket.socket(family, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect((elsewhere, 9))  # an address of documentation (RFC 5737, RFC 3849); nothing is sent
        return str(probe.getsockname()[0])
    return socket.gethostname()
