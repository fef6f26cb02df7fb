"""For all tests. Hypothesis: untimed, since kernels may be compiled inside a case, and the same cases every time, so
that a run that passed passes again; `pytest --hypothesis-profile search` draws new ones.

In parallel a file goes to one process, so that what its fixtures fly is flown once; files that share a long flight go
to the same one.
"""

import os
from typing import Any

import pytest
from hypothesis import settings

# One thread a process for linear algebra, set before numpy is loaded: its idle threads spin, and with as many processes
# as cores that costs three times the processor time (fits of tests/report/test_calibration.py: 14 s for 4.3 s).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Some machines forbid to keep compiled modules: each of some hundred processes that the tests start would compile the
# package again, half a second of processor time each.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

settings.register_profile("search", deadline=None)
settings.register_profile("fixed", deadline=None, derandomize=True)
settings.load_profile("fixed")

WITH_THE_TANKER = {"tests/closed_loop/test_demo_numbers.py", *(
    f"tests/report/test_{name}.py" for name in ("losses", "odm", "report_command", "report_page", "reported_flight")
)}  # fmt: skip


@pytest.fixture(scope="session")
def recorded_tanker(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Bargeman to Lagoon through desk and recorder, once for all that look at it: `tests.report.reported.Tanker`."""
    from tests.report.reported import fly_tanker

    return fly_tanker(tmp_path_factory.mktemp("tanker") / "tanker.mcap")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Instead of --dist loadfile's own: files that share a flight are one unit. Any other --dist is as it says."""
    from xdist.scheduler import LoadFileScheduling

    class ByFlight(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file: str = super()._split_scope(nodeid)
            return "the tanker's recording" if file in WITH_THE_TANKER else file

    return ByFlight(config, log) if config.getvalue("dist") == "loadfile" else None
