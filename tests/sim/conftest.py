"""Random cases without a time limit: a kernel may be compiled in the middle of one, and no test asserts a time."""

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
