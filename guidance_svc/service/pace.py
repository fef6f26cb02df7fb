"""How fast one connection may send without waiting for its replies, and how much of the service's time it may take."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from enum import Enum
from typing import Final

FAULT_EVERY_S: Final = 1.0
FAULT_TOKENS: Final = 10.0  # a refused message is recorded with its bytes: up to 6 KB
FAIR_SHARE: Final = 0.25  # of the service's time, for a connection which does not wait for its replies
LONG_COSTS: Final = 10.0  # what takes longer than its token stands for is charged so many times: others wait for it
TOKEN_S: Final = 250e-6  # processor time that a token stands for: a quarter of a second for 1000, or more for fewer
MOST_TOKENS: Final = 1000.0  # for the time of one message, before LONG_COSTS
PART_S: Final = 0.1  # processor time for the messages of one transport in a turn; the one that exceeds it is the last
BUCKET_LIMIT: Final = 4096  # connections under watch; the oldest is forgotten
CROWD_S: Final = 1.0  # two connections that spoke within it share the service
STRANGERS: Final = "connections without a session"  # they pay together: a new connection is no new purse


class Pace(Enum):
    """What is done with a message."""

    ANSWER = "answer"
    HOLD = "hold"
    """Answer it later: its connection waits for its replies, but has had its share of the service's time."""
    REFUSE = "refuse"
    DROP = "drop"


@dataclass(slots=True)
class _Bucket:
    tokens: float
    filled_at_s: float
    told_at_s: float


class PaceKeeper:
    """One bucket of tokens for each connection that sends ahead; a second's worth may come at once.

    A message counts if another one of its connection came in the same turn, or more than one in the turn before:
    a script that waits for each reply never has two in a turn.

    What takes long costs more, and so does what is refused: a flood of states gets at most FAIR_SHARE of the service's
    time, one of `open` a tenth of that, and one of garbage a tenth of the messages. A script that waits for its replies
    pays for what takes long as well; once it owes, it is held to FAIR_SHARE for as long as others speak too.

    Args:
        per_second: tokens that come back.
        per_turn: messages of one connection in a turn.
        turn_s: processor time that they may take; the one that exceeds it is the last.
        clock_s: any clock that only goes forward.
    """

    def __init__(self, per_second: float, per_turn: int, turn_s: float, clock_s: Callable[[], float]) -> None:
        self._per_second = per_second
        self._per_turn = per_turn
        self._turn_s = turn_s
        self._clock_s = clock_s
        self._token_s = max(TOKEN_S, FAIR_SHARE / per_second)
        self._buckets: dict[Hashable, _Bucket] = {}
        self._counts: dict[Hashable, int] = {}
        self._took_s: dict[Hashable, float] = {}
        self._ahead: set[Hashable] = set()
        self._now_s = clock_s()
        self._latest: Hashable = None
        self._other_at_s = self._now_s - CROWD_S
        self._part_took_s = 0.0
        self._stopping = False
        self.dropped = 0

    def begin_turn(self) -> None:
        """The replies of the turn before have gone out."""
        self._ahead = {link for link, count in self._counts.items() if count > 1}
        self._counts.clear()
        self._took_s.clear()
        self._now_s = self._clock_s()

    def begin_part(self) -> None:
        """The messages of the next transport are looked at."""
        self._part_took_s = 0.0

    def stop(self) -> None:
        """The service ends: no part takes another message."""
        self._stopping = True

    def full(self) -> bool:
        """Whether this part of the turn takes no more messages: replies, and a signal, wait for its end."""
        return self._stopping or self._part_took_s >= PART_S

    def took(self, link: Hashable, seconds: float, refused: bool = False, payer: Hashable = None) -> bool:
        """A message took so much processor time; whether its connection has had its part of this turn.

        Args:
            payer: who is charged where the connection waits for its replies; None for the connection.
        """
        self._part_took_s += seconds
        total_s = self._took_s[link] = self._took_s.get(link, 0.0) + seconds
        if self._runs_ahead(link):
            self._bucket(link).tokens -= LONG_COSTS * self._price(seconds) + (FAULT_TOKENS - 1.0 if refused else 0.0)
        elif seconds > self._token_s:
            self._bucket(payer or link).tokens -= self._price(seconds)
        return total_s >= self._turn_s or self.had_share(link)

    def worked(self, link: Hashable, seconds: float) -> None:
        """Deferred work for a connection took so much processor time."""
        if self._counts.get(link, 0) > 1 or seconds > self._token_s:
            costs = LONG_COSTS if self._counts.get(link, 0) > 1 else 1.0
            self._bucket(link).tokens -= costs * self._price(seconds)

    def _price(self, seconds: float) -> float:
        """Tokens for what takes longer than a token stands for."""
        return min(MOST_TOKENS, max(0.0, seconds / self._token_s - 1.0))

    def judge(self, link: Hashable, payer: Hashable = None) -> Pace:
        """Count one message of this turn, and say what to do with it; one that is held is judged again later.

        Args:
            payer: as for `took`.
        """
        if link in self._counts or link in self._ahead or not self.owes(payer or link):
            return self.arrived(link)
        self._speaks(link)
        return Pace.HOLD

    def arrived(self, link: Hashable) -> Pace:
        """Count one message of this turn, and say whether it is to be answered at all; never HOLD."""
        self._counts[link] = self._counts.get(link, 0) + 1
        self._speaks(link)
        if not self._runs_ahead(link):
            return Pace.ANSWER
        bucket = self._bucket(link)
        if bucket.tokens >= 1.0:
            bucket.tokens -= 1.0
            return Pace.ANSWER
        return self._too_fast(bucket)

    def had_share(self, link: Hashable) -> bool:
        """Whether so many messages of a connection have come in this turn as a turn may take of one."""
        return self._counts.get(link, 0) >= self._per_turn

    def _runs_ahead(self, link: Hashable) -> bool:
        """Whether a connection sends without waiting for its replies."""
        return link in self._ahead or self._counts.get(link, 0) > 1

    def _speaks(self, link: Hashable) -> None:
        if link != self._latest:
            self._other_at_s = self._other_at_s if self._latest is None else self._now_s
            self._latest = link

    def beyond_held(self, link: Hashable) -> Pace:
        """What is done with a message of a connection whose earlier one is held: it did not wait for its reply."""
        return self._too_fast(self._bucket(link))

    def _too_fast(self, bucket: _Bucket) -> Pace:
        self.dropped += 1
        if bucket.filled_at_s - bucket.told_at_s >= FAULT_EVERY_S:
            bucket.told_at_s = bucket.filled_at_s
            return Pace.REFUSE
        return Pace.DROP

    def owes(self, payer: Hashable) -> bool:
        """Whether it has had more than its share while others speak too."""
        if payer not in self._buckets or self._now_s - self._other_at_s >= CROWD_S:
            return False
        return self._bucket(payer).tokens < 0.0

    def _bucket(self, link: Hashable) -> _Bucket:
        """Of a connection, filled up to now."""
        now_s = self._clock_s()
        bucket = self._buckets.get(link)
        if bucket is None:
            if len(self._buckets) >= BUCKET_LIMIT:
                del self._buckets[next(one for one in self._buckets if one != STRANGERS)]
            bucket = self._buckets[link] = _Bucket(self._per_second, now_s, now_s - FAULT_EVERY_S)
        gained = (now_s - bucket.filled_at_s) * self._per_second
        bucket.tokens = min(self._per_second, bucket.tokens + gained)
        bucket.filled_at_s = now_s
        return bucket

    def forget(self, link: Hashable) -> None:
        """The connection is gone."""
        self._buckets.pop(link, None)
