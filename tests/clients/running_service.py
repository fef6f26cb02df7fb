"""The real service in a thread, for the clients' tests; every wait is bounded."""

from __future__ import annotations

import sys
import threading
from typing import Any

from guidance_svc.bootstrap import new_token
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.service.access import Access
from guidance_svc.service.desk import Desk
from guidance_svc.service.server import Server
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import NoRecorder

WAIT_S = 60.0  # bound of every wait, never waited out


class Service:
    """The real service in a thread; `kill` ends it, `start` begins one on the same ports.

    `kill` and `start(forget=False)` is an outage of the link, `kill` and `start()` a service that lost everything.
    """

    def __init__(self, access: Access | None = None, library: Library | None = None) -> None:
        self.access = access
        self.library = library or load_library(default_folder())
        self.addresses = Addresses(zmq="tcp://127.0.0.1:0", tcp="127.0.0.1:0")
        self.states: list[Any] = []
        self.tokens: list[str] = []
        self.cut_after, self.cuts, self.reached = sys.maxsize, 0, threading.Event()
        self.start()

    def start(self, forget: bool = True) -> None:
        if forget:
            self.registry = self.watched()
        desk = Desk(self.registry, self.library, access=self.access)
        self.server = Server(desk, self.registry, NoRecorder(), self.addresses, Limits(), self.access)
        self.addresses = Addresses(zmq=self.server.ready.zmq, tcp=self.server.ready.tcp)
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()

    def watched(self) -> Registry:
        registry = Registry(new_token)
        answer = registry.state

        def heard(link: Any, state: Any) -> Any:
            self.states.append(state)
            if len(self.states) >= self.cut_after:
                self.reached.set()
            return answer(link, state)

        open_session = registry.open

        def opened(link: Any, request: Any) -> Any:
            answered = open_session(link, request)
            self.tokens.append(answered.token)
            return answered

        registry.open = opened  # type: ignore[method-assign]
        registry.state = heard  # type: ignore[method-assign]
        return registry

    def cut_at(self, count: int) -> None:
        """Wait for so many states, then cut every connection; the sessions stay."""
        self.cut_after = count
        if self.reached.wait(5.0 * WAIT_S):
            self.kill()
            self.start(forget=False)
            self.cuts += 1

    def kill(self) -> None:
        self.server.stop()
        self.thread.join(WAIT_S)
        assert not self.thread.is_alive()
