"""Asks a running service how it is, and shows the answer as a table."""

from __future__ import annotations

import json
import socket
from typing import Any, Final

import zmq
from rich.console import Group
from rich.table import Table

from guidance_svc.errors import ConfigError
from guidance_svc.service.access import Access
from guidance_svc.service.addresses import host_and_port, zmq_endpoint

WAIT_S: Final = 5.0
REQUEST: Final = b'{"type":"health"}'
REPLY_LIMIT_BYTES: Final = 1 << 20  # a thousand sessions are 120 KB


def ask_health(address: str, access: Access | None = None) -> dict[str, Any]:
    """The `health` reply of a running service.

    Args:
        address: ``tcp://HOST:PORT`` for ZeroMQ, ``HOST:PORT`` for JSON lines.
        access: the service's own keys, where it has some; its own key may ask.

    Raises:
        ConfigError: a bad address, nobody there, or no answer in WAIT_S.
    """
    reply = _over_zmq(address, access) if address.startswith("tcp://") else _over_lines(address)
    answer: dict[str, Any] = json.loads(reply)
    if answer.get("type") != "health":
        raise ConfigError("no_health", "--connect", "an answer of this version", answer.get("message", "another"))
    return answer


def health_tables(report: dict[str, Any]) -> Group:
    """The counts, and one line a session."""
    counts = Table(title=f"guidance-svc {report['version']}, up {duration(report['uptime_s'])}", show_header=False)
    counts.add_column(style="bold")
    counts.add_column(justify="right")
    for name in ("messages", "replies", "dropped_replies", "too_fast", "refused_connections", "refused_handshakes",
                 "expired_sessions", "zmq_connections", "tcp_connections"):  # fmt: skip
        counts.add_row(name.replace("_", " "), str(report[name]))
    for code, count in report["faults"].items():
        counts.add_row(f"fault {code}", str(count))
    for quantile in ("p50", "p99"):
        took_us = report[f"reply_{quantile}_us"]
        counts.add_row(f"reply time {quantile}", "-" if took_us is None else f"{took_us:.0f} us")
    for name in ("recording", "journal"):
        counts.add_row(name, report[name])
    sessions = Table(title=f"{len(report['sessions'])} sessions")
    for name in ("vehicle", "phase", "seq", "time_s", "silent"):
        sessions.add_column(name, justify="left" if name in ("vehicle", "phase") else "right")
    for one in report["sessions"]:
        at = "-" if one["time_s"] is None else f"{one['time_s']:.2f}"
        seq = "-" if one["seq"] is None else str(one["seq"])
        sessions.add_row(one["vehicle"], one["phase"] or "-", seq, at, duration(one["silent_s"]))
    return Group(counts, sessions)


def duration(seconds: float) -> str:
    """In the largest unit that fits.

    >>> [duration(s) for s in (0.25, 75.0, 7200.0, 200000.0)]
    ['0.2 s', '1.2 min', '2.0 h', '2.3 d']
    """
    for unit, length_s in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= length_s:
            return f"{seconds / length_s:.1f} {unit}"
    return f"{seconds:.1f} s"


def _over_zmq(address: str, access: Access | None) -> bytes:
    endpoint = zmq_endpoint(address, "--connect", with_keys=True)
    with zmq.Context() as context, context.socket(zmq.DEALER) as sock:
        sock.setsockopt(zmq.LINGER, 0)
        if access is not None:
            sock.setsockopt(zmq.CURVE_SERVERKEY, access.pair.public)
            sock.setsockopt(zmq.CURVE_PUBLICKEY, access.pair.public)
            sock.setsockopt(zmq.CURVE_SECRETKEY, access.pair.secret)
        sock.connect(endpoint)
        sock.send(REQUEST)
        if not sock.poll(int(1000 * WAIT_S)):
            expected = f"a service that answers within {WAIT_S:g} s (with keys: --configs names its settings)"
            raise ConfigError("no_answer", "--connect", expected, address)
        return sock.recv()


def _over_lines(address: str) -> bytes:
    place = host_and_port(address, "--connect")
    try:
        with socket.create_connection(place, WAIT_S) as sock, sock.makefile("rwb") as lines:
            lines.write(REQUEST + b"\n")
            lines.flush()
            reply: bytes = lines.readline(REPLY_LIMIT_BYTES)
    except OSError as error:
        got = f"{address}: {error.strerror or error}"
        raise ConfigError("no_answer", "--connect", "a running service", got) from None
    if not reply:
        raise ConfigError("no_answer", "--connect", "an answer", f"{address}: closed without one")
    return reply
