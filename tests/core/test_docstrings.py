"""Docstrings: the examples of the kernels run as written, and none is too short to say anything."""

from __future__ import annotations

import ast
import doctest
from pathlib import Path
from types import ModuleType

import pytest

import guidance_svc
from guidance_svc.core import atmosphere, frames, kepler, rocket

PACKAGE = Path(guidance_svc.__file__).parent
ROOMS = sorted(path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists())


@pytest.mark.parametrize("module", [atmosphere, frames, kepler, rocket], ids=lambda module: module.__name__)
def test_the_examples_of_a_module_hold(module: ModuleType) -> None:
    parser = doctest.DocTestParser()
    runner = doctest.DocTestRunner()
    count = 0
    for name, thing in vars(module).items():
        text = getattr(thing, "__doc__", None) or ""
        if getattr(thing, "__module__", "") == module.__name__ and ">>>" in text:
            result = runner.run(parser.get_doctest(text, dict(vars(module)), name, module.__file__, 0))
            assert result.failed == 0, name
            count += result.attempted
    assert count > 0


def short_docstrings(path: Path) -> list[str]:
    """What has a docstring of three words or fewer, which can only repeat the name."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            text = ast.get_docstring(node)
            if text is not None and len(text.split()) <= 3:
                found.append(f"{getattr(node, 'name', 'module')}: {text}")
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_no_docstring_is_too_short_to_say_anything(room: str) -> None:
    files = sorted((PACKAGE / room).rglob("*.py"))
    assert files
    found = {path.relative_to(PACKAGE).as_posix(): short_docstrings(path) for path in files}
    assert {file: texts for file, texts in found.items() if texts} == {}
