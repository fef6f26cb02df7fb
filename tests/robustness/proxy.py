"""A TCP proxy that misbehaves on demand, in a thread of its own; nothing in it waits for a time to pass.

Modes: `pass`, everything goes through; `stall`, the connections there are stay open and nothing passes any more;
`refuse`, all connections are cut and new ones end at once. `cut_after` ends the next one after so many
bytes to it.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Final, Literal, TypeVar

T = TypeVar("T")
PIECE_BYTES: Final = 4096
STOP_S: Final = 60.0  # bound of a wait for its thread; never waited out

Mode = Literal["pass", "stall", "refuse"]


class Connection:
    """One connection and its far side."""

    def __init__(self, near: asyncio.StreamWriter, far: asyncio.StreamWriter, cut_after: int | None) -> None:
        self.near, self.far, self.stalled, self.left = near, far, False, cut_after

    def cut(self) -> None:
        """End both sides at once, what is on the way is lost."""
        for side in (self.near, self.far):
            with suppress(Exception):
                side.transport.abort()


class Proxy:
    """Listens on a free loopback port and forwards to the service.

    Args:
        target: host and port of the service.
        piece_bytes: read at a time from the service; small for a peer that reads slowly.
    """

    def __init__(self, target: tuple[str, int], piece_bytes: int = PIECE_BYTES) -> None:
        self.target, self.piece_bytes = target, piece_bytes
        self.mode: Mode = "pass"
        self.cut_after: int | None = None
        self.accepted = 0
        self._connections: set[Connection] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._server: asyncio.Server = self._do(self._listen)
        host, port = self._server.sockets[0].getsockname()[:2]
        self.address: tuple[str, int] = (host, port)

    def stall(self) -> None:
        """From now on the connections there are pass nothing and stay open; new ones pass."""
        self._do_now(self._stall)

    def refuse(self) -> None:
        """Cut everything, and every new connection until `mend`."""
        self._do_now(self._refuse)

    def mend(self) -> None:
        """Let new connections pass again."""
        self.mode = "pass"

    def close(self) -> None:
        """Cut everything and end the thread."""
        self._do(self._end)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(STOP_S)
        assert not self._thread.is_alive(), "the proxy did not stop"
        self._loop.close()

    def _do(self, work: Callable[[], Coroutine[Any, Any, T]]) -> T:
        return asyncio.run_coroutine_threadsafe(work(), self._loop).result(STOP_S)

    def _do_now(self, work: Callable[[], None]) -> None:
        async def once() -> None:
            work()

        self._do(once)

    async def _listen(self) -> asyncio.Server:
        return await asyncio.start_server(self._accept, "127.0.0.1", 0)

    async def _end(self) -> None:
        self._server.close()
        self._refuse()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _stall(self) -> None:
        for connection in self._connections:
            connection.stalled = True

    def _refuse(self) -> None:
        self.mode = "refuse"
        for connection in tuple(self._connections):
            connection.cut()

    async def _accept(self, near_in: asyncio.StreamReader, near_out: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        self.accepted += 1
        if self.mode == "refuse":
            near_out.transport.abort()
            return
        try:
            far_in, far_out = await asyncio.open_connection(*self.target)
        except OSError:
            near_out.transport.abort()
            return
        connection = Connection(near_out, far_out, self.cut_after)
        self.cut_after = None
        self._connections.add(connection)
        try:
            await asyncio.gather(self._up(connection, near_in, far_out), self._down(connection, far_in, near_out))
        finally:
            connection.cut()
            self._connections.discard(connection)

    async def _up(self, connection: Connection, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await source.read(PIECE_BYTES):
                if not connection.stalled:
                    sink.write(data)
                    await sink.drain()
            if not connection.stalled and sink.can_write_eof():
                sink.write_eof()

    async def _down(self, connection: Connection, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await source.read(self.piece_bytes):
                if connection.stalled:
                    continue
                if connection.left is not None:
                    data, connection.left = data[: connection.left], connection.left - len(data)
                sink.write(data)
                await sink.drain()
                if connection.left is not None and connection.left <= 0:
                    break
        if not connection.stalled:
            connection.cut() if connection.left is not None else sink.close()
