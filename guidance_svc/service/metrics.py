"""The health report as text for a scraper: OpenMetrics 1.0, over one HTTP answer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

COUNTERS: Final = {
    "messages": "Messages that came.",
    "replies": "Replies, faults included.",
    "dropped_replies": "Replies to scripts that were gone or did not read.",
    "too_fast": "Messages left unanswered because their connection sent too fast.",
    "refused_connections": "Connections beyond the limit, or that were cut.",
    "refused_handshakes": "ZeroMQ handshakes refused or never finished.",
    "expired_sessions": "Sessions given up after limits.idle_expiry_s.",
}
GAUGES: Final = {
    "zmq_connections": "ZeroMQ connections now.",
    "tcp_connections": "Connections of JSON lines now.",
}
CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def metrics_text(report: dict[str, Any]) -> str:
    """The lines, each family with its type and help; vehicles are labels.

    Args:
        report: of ``Health.report``.

    Source: OpenMetrics 1.0.0 (prometheus/OpenMetrics, specification/OpenMetrics.md).
    """
    return "\n".join(_lines(report)) + "\n"


def http_answer(report: dict[str, Any]) -> bytes:
    """The whole answer to ``GET /metrics``; the connection is closed after it."""
    body = metrics_text(report).encode()
    head = ("HTTP/1.1 200 OK", f"Content-Type: {CONTENT_TYPE}", f"Content-Length: {len(body)}", "Connection: close")
    return "\r\n".join((*head, "", "")).encode() + body


def http_refusal() -> bytes:
    """The answer to a request under another name: a web page's own name may lead here (DNS rebinding)."""
    body = b"these figures are given under the service's own address alone\n"
    head = ("HTTP/1.1 421 Misdirected Request", "Content-Type: text/plain", f"Content-Length: {len(body)}")
    return "\r\n".join((*head, "Connection: close", "", "")).encode() + body


def _lines(report: dict[str, Any]) -> Iterator[str]:
    yield from _family("build", "info", "Version of the service.", [f'_info{{version="{report["version"]}"}} 1'])
    yield from _family("uptime_seconds", "gauge", "Since the start.", [f" {report['uptime_s']:.3f}"])
    for name, text in COUNTERS.items():
        yield from _family(name, "counter", text, [f"_total {report[name]}"])
    faults = [f'_total{{code="{code}"}} {count}' for code, count in report["faults"].items()]
    yield from _family("faults", "counter", "Refusals by code.", faults)
    for name, text in GAUGES.items():
        yield from _family(name, "gauge", text, [f" {report[name]}"])
    quantiles = ((q, report[key]) for q, key in ((0.5, "reply_p50_us"), (0.99, "reply_p99_us")))
    times = [f'{{quantile="{q}"}} {us / 1e6:.9f}' for q, us in quantiles if us is not None]
    yield from _family("reply_seconds", "summary", "From receipt to the reply being ready.", times)
    for name in ("recording", "journal"):
        healthy = int(report[name] == "ok")
        yield from _family(f"{name}_ok", "gauge", f"1 while the {name} is kept.", [f" {healthy}"])
    sessions = report["sessions"]
    yield from _family("sessions", "gauge", "Sessions now.", [f" {len(sessions)}"])
    silent = [f'{{vehicle="{one["vehicle"]}"}} {one["silent_s"]:.3f}' for one in sessions]
    yield from _family("session_silent_seconds", "gauge", "Since the vehicle was last heard.", silent)
    yield "# EOF"


def _family(name: str, kind: str, text: str, samples: list[str]) -> Iterator[str]:
    """One metric family; nothing where it has no samples."""
    if samples:
        yield f"# TYPE guidance_{name} {kind}"
        yield f"# HELP guidance_{name} {text}"
        yield from (f"guidance_{name}{sample}" for sample in samples)
