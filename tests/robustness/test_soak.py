"""The verdict of the soak run: it is good only when memory, replies and log are."""

from __future__ import annotations

from collections import deque
from typing import Any

import pytest
import zmq

from guidance_svc.wire.codec import encode
from tests.robustness.soak import Script, Tenth, verdict
from tests.robustness.world import honest_flight


def tenths(**last: Any) -> list[Tenth]:
    made = [Tenth(service_s=[0.001, 0.002], echo_s=[0.001], memory_mb=[100.0]) for _ in range(10)]
    for name, value in last.items():
        setattr(made[9], name, value)
    return made


def test_a_run_in_which_nothing_changes_is_good() -> None:
    good, sentences = verdict(tenths(), [])
    assert good
    assert "+0.00%" in sentences[0]


@pytest.mark.parametrize(
    ("last", "trouble"),
    [
        ({"memory_mb": [102.1]}, []),
        ({"memory_mb": [97.0]}, []),
        ({"wrong": 1}, []),
        ({"faults": 1}, []),
        ({}, ["ERROR a fault of the service itself"]),
    ],
    ids=["memory grows", "memory shrinks: it was not warm", "a wrong reply", "a fault", "trouble in the log"],
)
def test_a_run_that_leaks_errs_or_complains_is_not_good(last: dict[str, Any], trouble: list[str]) -> None:
    assert not verdict(tenths(**last), trouble)[0]


def test_memory_that_grows_while_every_vehicle_flies_for_the_first_time_does_not_count() -> None:
    made = tenths()
    made[0].memory_mb = [60.0]
    assert verdict(made, [])[0]


def test_slower_replies_are_told_as_ratios_to_the_echo_and_fail_nothing() -> None:
    good, sentences = verdict(tenths(service_s=[0.01] * 9), [])
    assert good
    assert sentences[1].endswith("5.00, slower")
    busy = tenths(service_s=[0.01] * 9, echo_s=[0.005])  # the machine was busy: the echo was slower as well
    assert verdict(busy, [])[1][1].endswith("1.00, no slower")


class Played:
    """A socket that gives the replies it was given."""

    def __init__(self, replies: list[bytes]) -> None:
        self.replies = deque(replies)
        self.sent: list[bytes] = []

    def send(self, payload: bytes) -> None:
        self.sent.append(payload)

    def recv(self, _: int) -> bytes:
        if not self.replies:
            raise zmq.Again
        return self.replies.popleft()


def test_each_reply_is_compared_with_the_undisturbed_flight() -> None:
    right = [encode({"type": "opened"}, "msgpack"), *honest_flight().replies[:2], encode({"type": "closed"}, "msgpack")]
    fault = encode({"type": "fault"}, "msgpack")
    wrong = [right[0], right[2], fault, right[3]]
    for replies, count, faults in ((right, 0, 0), (wrong, 2, 1)):
        sock: Any = Played(replies)
        script, tenth = Script(sock, "curlew", 2, 0.0, 0.05), Tenth()
        for _ in range(4):
            script.send(0.0)
        script.take(0.5, (tenth,))
        assert (len(tenth.service_s), tenth.wrong, tenth.faults) == (4, count, faults)
    assert sock.sent[1:3] == list(honest_flight().requests[:2])
