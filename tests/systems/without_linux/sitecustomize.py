"""Takes away what Linux has and macOS does not, before anything else runs; for a folder in PYTHONPATH.

Which names those are: the availability notes of the modules os, socket, select and signal in Python's documentation.
Children inherit PYTHONPATH, so that it holds for the processes that the service starts as well.
"""

import builtins
import ctypes
import io
import os
import select
import signal
import socket
import sys
import sysconfig

sysconfig.get_config_vars()  # kept: they are read from a file named after the system

GONE = {
    os: ("sched_setscheduler", "sched_getscheduler", "sched_param", "SCHED_BATCH", "SCHED_IDLE", "sched_setaffinity",
         "sched_getaffinity", "getresuid", "getresgid", "setresuid", "setresgid", "pipe2", "posix_fadvise",
         "posix_fallocate", "memfd_create", "pidfd_open", "eventfd", "copy_file_range", "splice", "O_TMPFILE",
         "O_PATH"),
    socket: ("TCP_INFO", "TCP_KEEPIDLE", "TCP_USER_TIMEOUT", "TCP_QUICKACK", "SOCK_CLOEXEC", "SOCK_NONBLOCK",
             "SO_PEERCRED", "SO_BINDTODEVICE"),
    select: ("epoll",),
    signal: ("SIGSTKFLT", "SIGPWR", "SIGPOLL", "sigwaitinfo", "sigtimedwait"),
}  # fmt: skip
for module, names in GONE.items():
    for name in names:
        if hasattr(module, name):
            delattr(module, name)

opened = builtins.open


def without_proc(file, *arguments, **named):  # type: ignore[no-untyped-def]
    """`open`, on a system without /proc."""
    if isinstance(file, (str, bytes, os.PathLike)) and os.fsdecode(file).startswith("/proc/"):
        raise FileNotFoundError(2, "No such file or directory", os.fsdecode(file))
    return opened(file, *arguments, **named)


builtins.open = io.open = without_proc
library = ctypes.CDLL


class NoPrctl(library):
    """A C library without Linux's own calls."""

    def __getattr__(self, name):  # type: ignore[no-untyped-def]
        if name in ("prctl", "sched_setscheduler", "epoll_create1", "accept4", "timerfd_create"):
            raise AttributeError(f"{name}: symbol not found")
        return super().__getattr__(name)


ctypes.CDLL = NoPrctl
sys.platform = "darwin"
