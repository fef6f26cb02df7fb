"""Links and scripts that misbehave, over real sockets: what each gets, and that its neighbours notice nothing.

An honest neighbour flies through every test; each of its replies is byte for byte that of a flight without anyone
else. Every wait is bounded and none is waited out, except a client's own patience where a reply never comes.
"""

from __future__ import annotations

import json
import select
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import msgpack
import pytest
import zmq

from guidance_svc.wire.codec import Encoding, encode
from tests.clients.loading import give_up_soon
from tests.robustness.fuzz import Honest
from tests.robustness.judge import read
from tests.robustness.process import WAIT_S, Dealers, Served, connect_tcp, served
from tests.robustness.proxy import Proxy
from tests.robustness.virtual import client_module
from tests.robustness.world import PLAN, honest_flight, opening

UNSENT_BYTES = 65_536
SETTINGS = f"[limits]\ntcp_unsent_bytes = {UNSENT_BYTES}\nzmq_queue_messages = 100\nunanswered_per_second = 200"
GROWTH_MB = (
    24.0  # for a flood: queues of both transports at their limits, a session's history, and the allocator's slack
)
STATES = 120
Neighbour = Callable[[int], None]
Make = Callable[..., Any]


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("service"), "--no-record", settings=SETTINGS) as running:
        yield running
        assert running.trouble() == []


@pytest.fixture(scope="module")
def eager(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Answers any rate, so that replies pile up."""
    settings = f"[limits]\ntcp_unsent_bytes = {UNSENT_BYTES}\nzmq_queue_messages = 100\nunanswered_per_second = 1000000"
    with served(tmp_path_factory.mktemp("eager"), "--no-record", settings=settings) as running:
        yield running
        assert running.trouble() == []


@pytest.fixture
def dealers() -> Iterator[Dealers]:
    made = Dealers()
    yield made
    made.close()


def flying(dealers: Dealers, service: Served) -> Neighbour:
    """An honest script: flies so many messages on, each reply compared; closes its session for -1."""
    sock = dealers.connect(service.zmq)

    def ask(payload: bytes) -> bytes:
        sock.send(payload)
        return sock.recv()

    honest = Honest(ask)

    def fly(count: int) -> None:
        for _ in range(count):
            honest.next()
        if count < 0:
            ask(encode({"type": "close"}, "msgpack"))

    return fly


@pytest.fixture
def neighbour(service: Served, dealers: Dealers) -> Iterator[Neighbour]:
    """The honest script of a test; flies on once more at its end."""
    fly = flying(dealers, service)
    fly(5)
    yield fly
    fly(20)
    fly(-1)


@pytest.fixture
def proxied(service: Served) -> Iterator[Callable[..., Proxy]]:
    """Makes proxies in front of the service: `zmq` or `tcp`."""
    made: list[Proxy] = []

    def make(transport: str, **options: Any) -> Proxy:
        host, port = service.zmq.removeprefix("tcp://").split(":")
        made.append(Proxy((host, int(port)) if transport == "zmq" else service.tcp, **options))
        return made[-1]

    yield make
    for proxy in made:
        proxy.close()


@pytest.fixture
def client() -> Iterator[Callable[..., Any]]:
    """Makes the client of a transport, from the file that users copy, through a proxy."""
    made: list[Any] = []

    def make(transport: str, proxy: Proxy, **options: Any) -> Any:
        host, port = proxy.address
        module = client_module("guidance_client" if transport == "zmq" else "guidance_client_stdlib")
        made.append(module.GuidanceClient(f"tcp://{host}:{port}", **{"timeout_s": 0.5, "tries": 200, **options}))
        return made[-1]

    yield make
    for one in made:
        one.hang_up()


def expected(seq: int) -> dict[str, Any]:
    """The undisturbed flight's reply to a state."""
    reply: dict[str, Any] = msgpack.unpackb(honest_flight().replies[seq - 1])
    return reply


both = pytest.mark.parametrize("transport", ["zmq", "tcp"])


@both
def test_a_link_that_is_cut_again_and_again_changes_no_reply(
    transport: str, client: Make, proxied: Make, neighbour: Neighbour
) -> None:
    proxy, draw = proxied(transport), Random(5)
    script = client(transport, proxy)
    script.open(f"cut-{transport}", "upper_stage", PLAN)
    for number, state in enumerate(honest_flight().messages[:STATES]):
        if number % 30 == 10:  # in the middle of anything: a reply, a greeting
            proxy.cut_after = draw.choice((1, 100, 700, 2000))
            proxy.refuse()
            proxy.mend()
        assert script.exchange(state) == expected(state["seq"])
    assert proxy.accepted > STATES // 30
    neighbour(20)
    script.close()


@both
def test_a_half_open_connection_costs_one_timeout_and_changes_no_reply(
    transport: str, client: Make, proxied: Make, neighbour: Neighbour
) -> None:
    proxy = proxied(transport)
    script = client(transport, proxy, timeout_s=WAIT_S)
    script.open(f"half-{transport}", "upper_stage", PLAN)
    for number, state in enumerate(honest_flight().messages[:40]):
        if number in (10, 25):
            proxy.stall()
            give_up_soon(script)
        assert script.exchange(state) == expected(state["seq"])
    assert proxy.accepted == 3
    neighbour(20)
    script.close()


@both
def test_in_an_outage_the_script_is_told_what_to_do_and_goes_on_after_it(
    transport: str, client: Make, proxied: Make, neighbour: Neighbour
) -> None:
    proxy = proxied(transport)
    now_s = [0.0]  # the client's clock: its pauses are waited out without waiting
    script = client(transport, proxy, timeout_s=WAIT_S, patience_s=WAIT_S, clock=lambda: now_s[0])
    script.open(f"out-{transport}", "upper_stage", PLAN)
    states = iter(honest_flight().messages[::25])  # 1.25 s of vehicle time apart
    for _ in range(5):
        told = script.steer(next(states))
    cutoff_at_s = told["command"]["cutoff_at_s"]
    proxy.refuse()
    script.patience_s = 0.0
    for _ in range(3):
        told = script.steer(next(states))
        assert told["engine_on"]
        assert told["command"]["cutoff_at_s"] == cutoff_at_s
    assert told["stale"]
    assert "no answer" in told["says"]
    proxy.mend()
    neighbour(20)
    script.patience_s, tries = 1.0, 0
    while told["stale"]:
        assert told["pointing"] is not None
        now_s[0] += 0.5
        told = script.steer(next(states))
        tries += 1
    assert 0 < tries < 90  # the pauses grow to 5 s at most
    assert told["command"]["seq"] > 8
    script.close()


def test_a_slow_reader_gets_all_its_replies_in_order_and_delays_nobody(
    service: Served, proxied: Make, neighbour: Neighbour
) -> None:
    proxy = proxied("tcp", piece_bytes=16)
    with connect_tcp(proxy.address) as sock:
        lines = [opening("slow"), *honest_flight().messages[:60], {"type": "close"}]
        sock.sendall(b"".join(json.dumps(line).encode() + b"\n" for line in lines))
        neighbour(20)
        sock.shutdown(socket.SHUT_WR)
        replies = [json.loads(line) for line in sock.makefile("rb")]
    assert [reply["type"] for reply in replies] == ["opened", *["command"] * 60, "closed"]
    assert replies[1:-1] == [expected(seq) for seq in range(1, 61)]


@both
def test_a_script_that_dies_is_followed_by_another_with_the_token(
    transport: str, client: Make, proxied: Make, neighbour: Neighbour, tmp_path: Path
) -> None:
    proxy, file = proxied(transport), str(tmp_path / "token")
    first = client(transport, proxy, timeout_s=WAIT_S, token_file=file)
    first.open(f"dies-{transport}", "upper_stage", PLAN)
    for state in honest_flight().messages[:20]:
        assert first.exchange(state) == expected(state["seq"])
    first.hang_up()
    second = client(transport, proxy, timeout_s=WAIT_S, token_file=file)
    assert second.open(f"dies-{transport}", "upper_stage", PLAN)["resumed"]
    for state in honest_flight().messages[20:40]:
        assert second.exchange(state) == expected(state["seq"])
    with pytest.raises(Exception, match="taken over"):  # the first one wakes again: told at once, and nothing changes
        first_again(first, second, honest_flight().messages[40])
    assert second.exchange(honest_flight().messages[41])["type"] == "command"
    neighbour(20)
    second.close()


def first_again(first: Any, second: Any, state: dict[str, Any]) -> None:
    """Both take the vehicle in turn; the one that lost it sends a state over the connection that it had."""
    first.open(first._open_message["vehicle"], "upper_stage", PLAN)
    second.open(first._open_message["vehicle"], "upper_stage", PLAN)
    first.exchange(state)


def test_two_scripts_that_claim_one_vehicle_the_second_is_refused_and_nothing_changes(
    service: Served, dealers: Dealers, neighbour: Neighbour
) -> None:
    first, second = dealers.connect(service.zmq), connect_tcp(service.tcp)

    def over_zmq(message: dict[str, Any]) -> dict[str, Any]:
        first.send(encode(message, "msgpack"))
        return read(first.recv(), as_json=False)

    with second, second.makefile("rwb") as stream:

        def over_tcp(message: dict[str, Any]) -> dict[str, Any]:
            stream.write(encode(message, "json") + b"\n")
            stream.flush()
            return read(stream.readline(), as_json=True)

        assert over_zmq(opening("claimed"))["type"] == "opened"
        assert over_zmq(honest_flight().messages[0]) == expected(honest_flight().messages[0]["seq"])
        for state in honest_flight().messages[1:30]:
            assert over_tcp(opening("claimed"))["code"] == "vehicle_taken"
            assert over_tcp(opening("claimed", resume="guessed"))["code"] == "wrong_token"
            assert over_tcp(state)["code"] == "no_session"
            assert over_zmq(state) == expected(state["seq"])
        neighbour(20)
        assert over_zmq({"type": "close"})["type"] == "closed"


def test_a_script_that_never_reads_its_lines_is_not_read_or_cut_off_and_memory_stays_bounded(
    eager: Served, dealers: Dealers
) -> None:
    neighbour = flying(dealers, eager)
    neighbour(50)
    before_mb = eager.resident_mb()
    lines = (encode(honest_flight().messages[0], "json") + b"\n") * 20
    for _ in range(2):
        with connect_tcp(eager.tcp) as sock:
            sock.sendall(encode(opening("unread"), "json") + b"\n")
            sock.setblocking(False)
            assert pushed(sock, lines, neighbour) < 10_000_000  # what it sends beyond the limits stays with it
        neighbour(10)
    assert eager.resident_mb() - before_mb < GROWTH_MB
    neighbour(-1)


def pushed(sock: socket.socket, lines: bytes, neighbour: Neighbour) -> int:
    """Send as much as is taken, to the cut or in 1000 tries; how many bytes."""
    count = 0
    for _ in range(1000):
        try:
            count += sock.send(lines)
        except BlockingIOError:
            neighbour(1)
        except ConnectionError:
            break
    return count


def test_a_zeromq_script_that_never_reads_holds_up_nobody_and_memory_stays_bounded(
    eager: Served, dealers: Dealers
) -> None:
    neighbour = flying(dealers, eager)
    neighbour(50)
    before_mb = eager.resident_mb()
    sock = dealers.connect(eager.zmq, RCVHWM=1, SNDHWM=100)
    payload = honest_flight().requests[0]
    for number in range(20_000):
        try:
            sock.send(payload, zmq.NOBLOCK)
        except zmq.Again:  # its own queue is full: the service does not take more of it for now
            neighbour(1)
        if number % 1000 == 0:
            neighbour(1)
    neighbour(20)
    assert eager.resident_mb() - before_mb < GROWTH_MB
    neighbour(-1)


@both
def test_a_flood_is_answered_at_its_limit_told_so_and_changes_nothing_else(
    transport: str, service: Served, dealers: Dealers, neighbour: Neighbour
) -> None:
    states = honest_flight().messages[:1500]
    encoding: Encoding = "msgpack" if transport == "zmq" else "json"
    payloads = [encode(opening(f"flood-{transport}"), encoding), *(encode(state, encoding) for state in states)]
    last = encode({"type": "close"}, encoding)
    if transport == "zmq":
        replies = flood_over_zmq(dealers.connect(service.zmq, SNDHWM=0, RCVHWM=0), payloads, last, neighbour)
    else:
        replies = flood_over_tcp(service, payloads, last, neighbour)
    kinds = [reply["type"] for reply in replies]
    faults = [reply for reply in replies if reply["type"] == "fault"]
    assert kinds[0] == "opened"
    assert {fault["code"] for fault in faults} <= {"too_fast"}
    assert faults or kinds.count("command") == len(states)  # told, unless the machine is slower than the limit
    assert all("limits.unanswered_per_second" in fault["expected"] for fault in faults)
    answered = [reply for reply in replies if reply["type"] == "command"]
    assert answered  # how many depends on the machine's speed: `test_health.py` counts them by a clock of its own
    seqs = [reply["seq"] for reply in answered]
    assert seqs == sorted(set(seqs))
    contiguous = next((n for n, seq in enumerate(seqs) if seq != n + 1), len(seqs))
    assert answered[:contiguous] == [expected(seq) for seq in seqs[:contiguous]]


def flood_over_zmq(
    sock: zmq.Socket[bytes], payloads: list[bytes], last: bytes, neighbour: Neighbour
) -> list[dict[str, Any]]:
    """All at once; the replies up to that of a `close` that is asked until it is answered."""
    for number, payload in enumerate(payloads):
        sock.send(payload)
        if number % 200 == 0:
            neighbour(2)
    replies: list[dict[str, Any]] = []
    while not replies or replies[-1]["type"] != "closed":
        sock.send(last)
        while not replies or replies[-1]["type"] != "closed":
            if not sock.poll(200):
                break
            replies.append(read(sock.recv(), as_json=False))
    return replies[:-1]


def flood_over_tcp(service: Served, payloads: list[bytes], last: bytes, neighbour: Neighbour) -> list[dict[str, Any]]:
    """The same over lines; reading goes along, or the service would rightly cut the connection off."""
    replies: list[dict[str, Any]] = []
    with connect_tcp(service.tcp) as sock:
        sock.sendall(b"\n".join(payloads) + b"\n")
        neighbour(10)
        rest = b""
        while True:
            while not select.select([sock], [], [], 0.2)[0]:
                sock.sendall(last + b"\n")
            piece = sock.recv(65536)
            assert piece, "the service hung up"
            *lines, rest = (rest + piece).split(b"\n")
            for line in lines:
                replies.append(read(line, as_json=True))
                if replies[-1]["type"] == "closed":
                    return replies[:-1]
