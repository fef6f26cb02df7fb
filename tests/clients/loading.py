"""The client files as modules, from where users copy them."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

CLIENTS = Path(__file__).parents[2] / "clients"


@cache
def load(name: str) -> ModuleType:
    """A client file as a module, from where users copy it."""
    spec = importlib.util.spec_from_file_location(name, CLIENTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def give_up_soon(client: Any, timeout_s: float = 0.2) -> None:
    """A client's next wait for an answer is short; those over its next connection are as long as before.

    So a test of an answer that never comes waits a moment, and yet no slow machine makes it ask once more.
    """
    before_s = client.timeout_s

    def hang_up() -> None:
        client.timeout_s = before_s
        del client.hang_up
        client.hang_up()

    client.timeout_s, client.hang_up = timeout_s, hang_up
