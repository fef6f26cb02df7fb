"""The page and its data over HTTP, for this machine alone: files, moments, curves and a stream of what is new.

GET only. Requests whose Host is not this address are refused (a foreign name that resolves to loopback would else
read the board), nothing is readable from other origins, and no script or style runs that is not a file of ours.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from guidance_svc.board.feed import BATCH_RECORDS, STEP_S, Feed
from guidance_svc.constants import CAUTION
from guidance_svc.errors import RecordingError
from guidance_svc.service.clocks import steady_ns

STATIC: Final = Path(__file__).resolve().parent / "static"
STREAMS_AT_ONCE: Final = 16  # pages open; a forgotten tab must not add up to a load
BEAT_S: Final = 1.0  # at least one word in that time, so that the page knows that the board lives
HEADERS: Final = {
    b"content-security-policy": b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    b"connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"cross-origin-resource-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cache-control": b"no-store",
}


class Guarded:
    """Refuses what is not a plain request of this machine, and sets the headers.

    Args:
        app: the rest.
        hosts: values of Host that are answered.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, with the headers of our policy on its answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                kept = [pair for pair in message.get("headers", []) if pair[0].lower() not in HEADERS]
                message = {**message, "headers": [*kept, *HEADERS.items()]}
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = {key: value.decode("latin-1") for key, value in scope["headers"]}
        if headers.get(b"host", "").lower() not in self._hosts:
            return PlainTextResponse("this board answers under its own address alone\n", 421)
        if scope["method"] not in ("GET", "HEAD"):
            return PlainTextResponse("this board is only to be looked at: GET\n", 405, {"allow": "GET, HEAD"})
        site, mode = headers.get(b"sec-fetch-site", "none"), headers.get(b"sec-fetch-mode", "navigate")
        if site not in ("none", "same-origin") and mode != "navigate":
            return PlainTextResponse("not for other pages\n", 403)
        return None


class Board:
    """The pages' side of a feed.

    Args:
        feed: what is looked at; nobody else may.
    """

    def __init__(self, feed: Feed) -> None:
        self.feed = feed
        self.trouble = ""
        self._streams = 0
        self._news = asyncio.Event()

    async def watch(self) -> None:
        """Look at the recording for ever, and wake the streams when something is new."""
        while True:
            before = self.feed.version
            try:
                while self.feed.look(BATCH_RECORDS):
                    await asyncio.sleep(0)
            except RecordingError as error:
                self.trouble = error.sentence()
            if self.feed.version != before or self.trouble:
                self._news.set()
                self._news = asyncio.Event()
            if self.trouble or (self.feed.tail.ended and not self.feed.live):
                return
            await asyncio.sleep(STEP_S)

    async def stream(self, request: Request) -> Response:
        """What is new, as server-sent events, five a second at most."""
        if self._streams >= STREAMS_AT_ONCE:
            return PlainTextResponse(f"at most {STREAMS_AT_ONCE} pages at once\n", 503)
        return StreamingResponse(self._events(), media_type="text/event-stream")

    async def _events(self) -> AsyncIterator[bytes]:
        self._streams += 1
        seen = -1
        try:
            while True:
                news, version = self._news, self.feed.version
                moments = self.feed.since(max(seen, 0)) if version != seen else []
                seen = version
                yield b"data: " + self._moments_text(moments) + b"\n\n"
                try:
                    await asyncio.wait_for(news.wait(), BEAT_S)
                except TimeoutError:
                    continue
        finally:
            self._streams -= 1

    async def at(self, request: Request) -> Response:
        """Every vehicle as it was at a time of the recording."""
        try:
            wall_s = float(request.query_params.get("wall_s", "inf"))
        except ValueError:
            return PlainTextResponse("wall_s: expected seconds since the recording's first message\n", 400)
        return Response(self._moments_text(self.feed.story.at(wall_s)), media_type="application/json")

    async def curve(self, request: Request) -> Response:
        """One vehicle's curve so far."""
        columns = self.feed.story.curve(request.query_params.get("vehicle", ""))
        return Response(json.dumps(columns, separators=(",", ":")), media_type="application/json")

    def _moments_text(self, moments: list[bytes]) -> bytes:
        about: dict[str, Any] = {
            **self.feed.now(),
            "length_s": self.feed.story.length_s,
            "live": self.feed.live,
            "now_s": self._now_s(),
            "ready": self.feed.caught_up,
            "trouble": self.trouble,
            "caution": CAUTION,
        }
        return b'{"about":' + json.dumps(about).encode() + b',"vehicles":[' + b",".join(moments) + b"]}"

    def _now_s(self) -> float:
        """Wall time since the recording's first message; of a past one, its length."""
        began_ns = self.feed.course.first_ns
        if not self.feed.live or began_ns is None:
            return self.feed.story.length_s
        return max((steady_ns() - began_ns) / 1e9, self.feed.story.length_s)


def application(feed: Feed, hosts: frozenset[str]) -> ASGIApp:
    """The whole board as an ASGI application."""
    board = Board(feed)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        watching = asyncio.create_task(board.watch())
        try:
            yield
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)

    async def page(request: Request) -> Response:
        return FileResponse(STATIC / "board.html")

    routes = [
        Route("/", page),
        Route("/stream", board.stream),
        Route("/at", board.at),
        Route("/curve", board.curve),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    return Guarded(Starlette(routes=routes, lifespan=lifespan), hosts)
