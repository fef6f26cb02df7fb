"""Hypothesis for all tests: untimed, since kernels may be compiled inside a case; the same cases every time in CI."""

import os

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "untimed")
