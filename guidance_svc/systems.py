"""What differs between Linux, macOS and Windows. No other module asks which system it runs on.

Where a system lacks something, the function here does the next best thing or says that it cannot.
"""

from __future__ import annotations

import ctypes
import errno
import os
import signal
import socket
import struct
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

WINDOWS: Final = sys.platform == "win32"

# --- files ---

BINARY: Final = getattr(os, "O_BINARY", 0)  # for os.open; descriptors are never inherited (PEP 446)
OPEN_FILES_STAY: Final = WINDOWS  # a file that any process has open can be neither replaced nor removed
LOCKED_AT: Final = 1 << 40  # locks of Windows bar reading and writing: they are put far behind the end of any file
HELD: Final = (errno.EACCES, errno.EAGAIN, errno.EDEADLK, 0)  # 0: what Wine sets
IN_USE: Final = (5, 32, 33)  # ERROR_ACCESS_DENIED, _SHARING_VIOLATION, _LOCK_VIOLATION: winerror.h
REPLACE_TRIES: Final = 10
REPLACE_WAIT_S: Final = 0.005  # a virus scanner lets go of a small file in less; the service waits 50 ms at most
DEVICES: Final = frozenset(
    {"con", "prn", "aux", "nul", *(f"{kind}{n}" for kind in ("com", "lpt") for n in range(10))}
)  # names that no file can have on Windows, with any ending


if sys.platform == "win32":

    def _lock(descriptor: int, shared: bool) -> None:
        at = os.lseek(descriptor, 0, os.SEEK_CUR)
        os.lseek(descriptor, LOCKED_AT, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(descriptor, at, os.SEEK_SET)

else:

    def _lock(descriptor: int, shared: bool) -> None:
        fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)


def lock_now(descriptor: int, shared: bool = False) -> bool:
    """Lock an open file, or tell that another opening of it holds the lock; closing the file gives it back.

    Others can read the file meanwhile. A file system without locks counts as locked by us.

    Args:
        shared: several may hold it at once, where the system knows such locks.
    """
    try:
        _lock(descriptor, shared)
    except OSError as error:
        return error.errno not in HELD
    return True


def write_at(descriptor: int, data: bytes | memoryview, at: int) -> int:
    """Write at a place of a file; how many bytes were written.

    Raises:
        OSError: the file takes no more.
    """
    if hasattr(os, "pwrite"):
        return os.pwrite(descriptor, data, at)
    os.lseek(descriptor, at, os.SEEK_SET)
    return os.write(descriptor, data)


def read_at(descriptor: int, length: int, at: int) -> bytes:
    """Read at a place of a file."""
    if hasattr(os, "pread"):
        return os.pread(descriptor, length, at)
    os.lseek(descriptor, at, os.SEEK_SET)
    return os.read(descriptor, length)


def is_in_use(error: OSError) -> bool:
    """Whether a file could not be replaced or removed because a process has it open (Windows only)."""
    return OPEN_FILES_STAY and getattr(error, "winerror", None) in IN_USE


def replace(new: Path, path: Path) -> None:
    """Rename a file over another in one step; tried again for a moment while another process has it open.

    Raises:
        OSError: it cannot be done, or is still in use after 50 ms (`is_in_use`).
    """
    for left in reversed(range(REPLACE_TRIES)):
        try:
            os.replace(new, path)
            return
        except OSError as error:
            if not left or not is_in_use(error):
                raise
            time.sleep(REPLACE_WAIT_S)


def is_still(path: Path, descriptor: int) -> bool:
    """Whether a path leads to this open file; it always does on Windows, where an open file can be moved by nobody."""
    try:
        return path.exists() if OPEN_FILES_STAY else os.path.samestat(os.stat(path), os.fstat(descriptor))
    except OSError:
        return False


def open_to_others(path: Path, bits: int = 0o077) -> int:
    """Which of these permission bits a file or folder has; 0 on Windows, where the bits say nothing of who may read."""
    return 0 if WINDOWS else path.stat().st_mode & bits


def is_mine(path: Path) -> bool:
    """Whether a file or folder belongs to this process's user; True where the system does not say."""
    return not hasattr(os, "geteuid") or path.stat().st_uid == os.geteuid()


def file_stem(name: str) -> str:
    """A name, before its ending, that a file can have on any system.

    >>> file_stem("Curlew.2"), file_stem("con"), file_stem("NUL.1")
    ('Curlew.2', 'con_', 'NUL_.1')
    """
    first, dot, rest = name.partition(".")
    return f"{first}_{dot}{rest}" if first.lower() in DEVICES else name


# --- sockets ---

RESET: Final = struct.pack("hh" if WINDOWS else "ii", 1, 0)  # struct linger: closing ends the connection at once
BYTES_RECEIVED_AT: Final = 128  # of tcpi_bytes_received in struct tcp_info, since Linux 4.1: include/uapi/linux/tcp.h
SIO_TCP_INFO: Final = 0xD8000027  # mstcpip.h: _WSAIORW(IOC_VENDOR, 39), since Windows 10 1703


class TcpInfoV0(ctypes.Structure):
    """TCP_INFO_v0 of mstcpip.h, up to what is used."""

    _fields_ = (
        ("state", ctypes.c_uint32), ("mss", ctypes.c_uint32), ("connection_time_ms", ctypes.c_uint64),
        ("timestamps_enabled", ctypes.c_uint8), ("rtt_us", ctypes.c_uint32), ("min_rtt_us", ctypes.c_uint32),
        ("bytes_in_flight", ctypes.c_uint32), ("cwnd", ctypes.c_uint32), ("snd_wnd", ctypes.c_uint32),
        ("rcv_wnd", ctypes.c_uint32), ("rcv_buf", ctypes.c_uint32), ("bytes_out", ctypes.c_uint64),
        ("bytes_in", ctypes.c_uint64), ("rest", ctypes.c_uint8 * 64),
    )  # fmt: skip


def own_port(sock: socket.socket) -> None:
    """Before `bind`: a port that was in use a moment ago can be taken, one that another program listens on cannot.

    On Windows SO_REUSEADDR would let two programs listen on one port.
    """
    if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


def keep_alive(sock: socket.socket, every_s: int, tries: int) -> None:
    """Have the system find out that a peer has vanished, as far as it can: what it refuses stays at its default."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    idle = "TCP_KEEPIDLE" if hasattr(socket, "TCP_KEEPIDLE") else "TCP_KEEPALIVE"  # macOS has the latter
    for option, value in ((idle, every_s), ("TCP_KEEPINTVL", every_s), ("TCP_KEEPCNT", tries)):
        if hasattr(socket, option):
            with suppress(OSError):  # Windows before 10 1709, and Wine
                sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def bytes_received(sock: socket.socket) -> int:
    """Bytes that have come over a TCP connection since its beginning; 0 where the system does not say (macOS, Wine)."""
    option = getattr(socket, "TCP_INFO", None)
    try:
        if option is not None:
            info = sock.getsockopt(socket.IPPROTO_TCP, option, 192)
            return int.from_bytes(info[BYTES_RECEIVED_AT : BYTES_RECEIVED_AT + 8], sys.byteorder)
    except OSError:
        return 0
    return _bytes_received_on_windows(sock)


def _bytes_received_on_windows(sock: socket.socket) -> int:
    if sys.platform != "win32":
        return 0
    version, info, length = ctypes.c_uint32(0), TcpInfoV0(), ctypes.c_uint32(0)
    failed = ctypes.windll.ws2_32.WSAIoctl(
        ctypes.c_size_t(sock.fileno()), ctypes.c_uint32(SIO_TCP_INFO), ctypes.byref(version), ctypes.sizeof(version),
        ctypes.byref(info), ctypes.sizeof(info), ctypes.byref(length), None, None,
    )  # fmt: skip
    return 0 if failed else int(info.bytes_in)


# --- processes ---

_STOPS: Final = ("SIGTERM", "SIGHUP", "SIGBREAK")  # SIGBREAK: Ctrl-Break and the closing of a Windows console
STOPS: Final = tuple(getattr(signal, name) for name in _STOPS if hasattr(signal, name))
"""Signals that ask a process to end, but for Ctrl-C."""
STOPS_AND_CTRL_C: Final = (signal.SIGINT, *STOPS)

work_clock_s: Final = time.perf_counter if WINDOWS else time.thread_time
"""The calling thread's processor time; on Windows, which counts that in steps of 15.6 ms, time itself."""

NEW_GROUP: Final = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
DETACHED: Final = getattr(subprocess, "DETACHED_PROCESS", 0)
PRIORITY_CLASSES: Final = ((15, 0x40), (1, 0x4000))  # from that niceness on: IDLE_, BELOW_NORMAL_PRIORITY_CLASS


def own_group() -> dict[str, Any]:
    """Arguments of Popen for a child that Ctrl-C in the terminal does not reach: its parent ends it in order."""
    return {"creationflags": NEW_GROUP} if WINDOWS else {"start_new_session": True}


def outliving() -> dict[str, Any]:
    """Arguments of Popen for a child that goes on after its parent and its terminal."""
    return {"creationflags": NEW_GROUP | DETACHED} if WINDOWS else {"start_new_session": True}


def ask_to_end(child: subprocess.Popen[Any]) -> None:
    """SIGTERM to a child; on Windows Ctrl-Break to one of its `own_group`, and without a console its end at once."""
    if sys.platform == "win32":
        with suppress(OSError):
            child.send_signal(signal.CTRL_BREAK_EVENT)
            return
    child.terminate()


def lower_priority(niceness: int, batch: bool = False) -> None:
    """Let other processes come first, where the system has that.

    Args:
        niceness: 1 to 19.
        batch: do not preempt others at wake-up either (Linux).
    """
    with suppress(OSError):
        if hasattr(os, "nice"):
            os.nice(niceness)
        if batch and hasattr(os, "sched_setscheduler"):
            os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
    if sys.platform == "win32":
        kind = next((kind for least, kind in PRIORITY_CLASSES if niceness >= least), 0x20)
        ctypes.windll.kernel32.SetPriorityClass(THIS_PROCESS, kind)


def write_utf8() -> None:
    """On Windows, where output that goes to a file or another program would be in an old code page: UTF-8."""
    if WINDOWS:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None and hasattr(stream, "reconfigure") and not stream.isatty():
                stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def seed_rand(seed: int) -> bool:
    """Seed C's rand() of this process; whether libzmq, which draws from it, is reached by that.

    The Windows wheels of pyzmq carry a C library of their own inside, which nothing from outside can seed.
    """
    if WINDOWS:
        return False
    ctypes.CDLL(None).srand(ctypes.c_uint(seed))
    return True


PAGE_BYTES: Final = 256  # a page of memory is a multiple of it
THIS_PROCESS: Final = ctypes.c_void_p(-1)  # GetCurrentProcess()


def read_memory(address: int, length: int) -> bytes:
    """Memory of this process, up to the first piece that cannot be read; nothing but on Windows."""
    found = b""
    if sys.platform == "win32":
        piece, count = ctypes.create_string_buffer(PAGE_BYTES), ctypes.c_size_t()
        for at in range(address, address + length, PAGE_BYTES):
            place, size = ctypes.c_void_p(at), ctypes.c_size_t(PAGE_BYTES)
            if not ctypes.windll.kernel32.ReadProcessMemory(THIS_PROCESS, place, piece, size, ctypes.byref(count)):
                break
            found += piece.raw[: count.value]
    return found


def write_memory(address: int, data: bytes) -> bool:
    """Write into this process's memory; whether that was done, which it is on Windows only."""
    if sys.platform == "win32":
        place, size, count = ctypes.c_void_p(address), ctypes.c_size_t(len(data)), ctypes.c_size_t()
        done = ctypes.windll.kernel32.WriteProcessMemory(THIS_PROCESS, place, data, size, ctypes.byref(count))
        return bool(done)
    return False
