"""The client files as modules, from where users copy them."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from types import ModuleType

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
