"""What the service knows of its own state: counts, reply times, sessions and how long each has been silent."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from guidance_svc.storage.recorder import OFF, OK, Recorder

GAUGES: Final = (
    "dropped_replies", "too_fast", "refused_connections", "refused_handshakes", "zmq_connections", "tcp_connections",
)  # fmt: skip
KEEPERS: Final = ("recording", "journal")
REPLY_TIMES: Final = 4096  # the last minute and a half at 50 Hz, 20 s of 200 messages a second


@dataclass(slots=True)
class Heard:
    """The last that was heard of a vehicle; phase, seq and time of its last command."""

    at_s: float
    phase: str | None = None
    seq: int | None = None
    time_s: float | None = None


class Health:
    """Counted as messages pass.

    Args:
        clock_s: any clock that only goes forward; guidance never sees it.
        version: of the package.
        keepers: name to state of what keeps messages: "recording", "journal"; each answers "ok", "none" or
            "stopped: why".
    """

    def __init__(
        self, clock_s: Callable[[], float], version: str = "", keepers: Mapping[str, Callable[[], str]] | None = None
    ) -> None:
        self.clock_s = clock_s
        self.version = version
        self.keepers: dict[str, Callable[[], str]] = {**dict.fromkeys(KEEPERS, lambda: "none"), **(keepers or {})}
        self.counts: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.refused = 0
        """All of them."""
        self.vehicles: dict[str, Heard] = {}
        self.gauges: dict[str, Callable[[], int]] = dict.fromkeys(GAUGES, lambda: 0)
        self._began_s = clock_s()
        self._took_s: deque[float] = deque(maxlen=REPLY_TIMES)

    def took(self, seconds: float) -> None:
        """One message was answered in so many seconds, from receipt to the reply being ready."""
        self.counts["messages"] += 1
        self.counts["replies"] += 1
        self._took_s.append(seconds)

    def count_dropped(self, count: int = 1) -> None:
        """Messages were left without a reply because their connection sends too fast."""
        self.counts["messages"] += count

    def fault(self, code: str) -> None:
        """One fault went out."""
        self.faults[code] += 1
        self.refused += 1

    def note_message(self, vehicle: str, command: Mapping[str, Any] | None = None) -> None:
        """A message of a vehicle with a session was accepted; `command` is the reply to a state."""
        entry = self.vehicles.get(vehicle)
        if entry is None:
            entry = self.vehicles[vehicle] = Heard(0.0)
        entry.at_s = self.clock_s()
        if command is not None:
            entry.phase, entry.seq, entry.time_s = command["phase"], command["seq"], command["time_s"]

    def note_end(self, vehicle: str) -> None:
        """A session was closed or given up."""
        self.vehicles.pop(vehicle, None)

    def silent(self, longer_than_s: float) -> list[str]:
        """Vehicles that have not been heard for longer."""
        now_s = self.clock_s()
        return [vehicle for vehicle, entry in self.vehicles.items() if now_s - entry.at_s > longer_than_s]

    def report(self, may_see: Callable[[str], bool] = lambda vehicle: True) -> dict[str, Any]:
        """The `health` reply.

        Args:
            may_see: which vehicles' sessions are shown.
        """
        now_s = self.clock_s()
        took_us = sorted(1e6 * took for took in self._took_s)
        return {
            "type": "health",
            "version": self.version,
            "uptime_s": now_s - self._began_s,
            "messages": self.counts["messages"],
            "replies": self.counts["replies"],
            "faults": dict(sorted(self.faults.items())),
            "expired_sessions": self.counts["expired_sessions"],
            **{name: count() for name, count in self.gauges.items()},
            "reply_p50_us": _quantile(took_us, 0.50),
            "reply_p99_us": _quantile(took_us, 0.99),
            **{name: state() for name, state in self.keepers.items()},
            "sessions": [
                {"vehicle": vehicle, "phase": entry.phase, "seq": entry.seq, "time_s": entry.time_s,
                 "silent_s": now_s - entry.at_s}
                for vehicle, entry in self.vehicles.items()
                if may_see(vehicle)
            ],
        }  # fmt: skip


def state_of(keeper: Recorder) -> str:
    """What a recorder says of itself: "ok", "none" or "stopped: why"."""
    return {OK: "ok", OFF: "none"}.get(keeper.state, f"stopped: {keeper.state}")


def _quantile(rising: list[float], share: float) -> float | None:
    """The value that `share` of them do not exceed (nearest rank); None without values."""
    if not rising:
        return None
    rank = -int(-share * len(rising) // 1)
    return rising[max(0, min(len(rising), rank) - 1)]
