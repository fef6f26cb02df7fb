"""The examples in the docstrings of the kernels run as written."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from guidance_svc.core import atmosphere, frames, kepler, rocket


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
