"""Peers that attack or are broken: the service lives, its memory stays bounded, honest scripts get their replies."""

from __future__ import annotations

import json
import logging
import socket
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgpack
import pytest
import zmq
from peers_world import GREETING, ask_lines, closed_by_peer, connect, frame, raw_dealer, until
from scripted_sessions import ScriptedSessions
from service_world import OPEN, STATE, WAIT_S, Running, ask_line, read_line

from guidance_svc.domain import Command, VehicleState
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.service.access import Link
from guidance_svc.service.desk import Desk
from guidance_svc.service.logs import LineFormatter
from guidance_svc.service.peers import Peers


def ask(sock: zmq.Socket[bytes], message: object) -> dict[str, Any]:
    sock.send(msgpack.packb(message))
    reply: dict[str, Any] = msgpack.unpackb(sock.recv())
    return reply


def send_on_and_on(sock: socket.socket, piece: bytes) -> None:
    for _ in range(100_000):
        sock.sendall(piece)


class Honest:
    """A script that flies on; its replies must be those of a run in which it is alone."""

    def __init__(self, server: Running) -> None:
        self._sock = server.zmq_socket()
        self._seq = 0
        ask(self._sock, OPEN)

    def flies_on(self) -> None:
        for _ in range(5):
            self._seq += 1
            reply = ask(self._sock, {**STATE, "seq": self._seq, "time_s": float(self._seq)})
            assert (reply["type"], reply["seq"]) == ("command", self._seq)
            assert reply["pitch_deg"] == pytest.approx(0.001 * self._seq * 57.29577951308232)  # ScriptedSessions


TRICKS = [
    "..", ".", "../x", "../../etc/passwd", "/etc/passwd", "C:\\x", "a/../b", "a\0b", "a\nb", "a\n", "\r\nfault", "",
    " ", "-rf", "a b", "\u202eb", "x" * 65, "x" * 60_000, "\x1b[31mred", "a\u2028b", "~root", "$(id)", "%s%n",
]  # fmt: skip


@pytest.mark.parametrize("field", ["vehicle", "plan"])
@pytest.mark.parametrize("name", TRICKS)
def test_a_name_that_is_a_path_or_worse_is_refused_and_makes_no_file(
    run_server, tmp_path: Path, sessions: ScriptedSessions, field: str, name: str, caplog: pytest.LogCaptureFixture
) -> None:
    server = run_server()
    before = sorted(tmp_path.rglob("*"))
    fault = ask_line(server.tcp_socket(), {**OPEN, field: name})
    assert (fault["type"], fault["field"]) == ("fault", field)
    assert sessions.vehicles == {}
    assert sorted(tmp_path.rglob("*")) == before
    lines = [LineFormatter("logfmt").format(record) for record in caplog.records]
    assert lines
    assert all(line.isprintable() and len(line) < 1000 for line in lines)


def test_control_characters_reach_neither_the_log_nor_a_topic(run_server, caplog: pytest.LogCaptureFixture) -> None:
    server = run_server()
    sock = server.tcp_socket()
    caplog.set_level(logging.DEBUG)
    for field in ("vehicle", "role", "type", "frame", "detail", "x\ny"):
        assert ask_line(sock, {**OPEN, field: "\n\x1b[2J\x07\x00level=error"})["type"] == "fault"
    assert len(caplog.records) >= 3
    for record in caplog.records:
        assert LineFormatter("logfmt").format(record).isprintable()
        assert record.getMessage().isprintable()
    topics = {entry.vehicle for entry in RecordingReader(server.path).entries() if isinstance(entry, RecordedMessage)}
    assert all(topic is None or topic.isprintable() for topic in topics)


def test_a_message_that_never_ends_is_cut_off(run_server) -> None:
    # Without the guard libzmq 4.3.5 keeps every frame of it: 280 MB in 0.2 s, measured.
    server = run_server(unfinished_bytes=65536)
    honest = Honest(server)
    with raw_dealer(server.server.ready.zmq) as bad:
        piece = frame(b"x" * 60_000, more=True)
        bad.settimeout(WAIT_S)
        with pytest.raises(ConnectionError):
            send_on_and_on(bad, piece)
    honest.flies_on()
    assert until(lambda: ask_lines(server)["zmq_connections"] == 1)
    assert ask_lines(server)["refused_connections"] == 1


def test_a_long_message_that_is_not_hostile_passes_the_guard(run_server) -> None:
    server = run_server(unfinished_bytes=65536)
    sock = server.zmq_socket()
    ask(sock, OPEN)
    padded = {**OPEN, "plan": {"body": "x" * 30_000}}
    for _ in range(20):
        assert ask(sock, padded)["type"] == "fault"
    assert ask_lines(server)["refused_connections"] == 0


def test_a_message_of_thousands_of_frames_ends_its_connection(run_server) -> None:
    server = run_server(message_frames=100)
    honest = Honest(server)
    bad = server.zmq_socket(RECONNECT_IVL=-1)
    monitor = bad.get_monitor_socket(zmq.EVENT_DISCONNECTED)
    monitor.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
    bad.send_multipart([b"x"] * 5000)
    assert monitor.recv_multipart()
    bad.disable_monitor()
    monitor.close()
    honest.flies_on()


def test_peers_that_connect_and_say_nothing_are_let_go(run_server) -> None:
    server = run_server(handshake_ms=50)
    honest = Honest(server)
    silent = [connect(server.server.ready.zmq) for _ in range(30)]
    half = [connect(server.server.ready.zmq) for _ in range(30)]
    for sock in half:
        sock.sendall(GREETING)
    honest.flies_on()
    for sock in (*silent, *half):
        assert closed_by_peer(sock)
        sock.close()
    honest.flies_on()
    assert ask_lines(server)["refused_handshakes"] >= 60


def zmtp1(payload: bytes) -> bytes:
    """A short frame of ZMTP 1.0 (RFC 13): length with the flags, flags, body."""
    return bytes([len(payload) + 1, 0]) + payload if len(payload) < 254 else (
        b"\xff" + (len(payload) + 1).to_bytes(8, "big") + b"\0" + payload
    )  # fmt: skip


@pytest.mark.parametrize("verb", [b"GET", b"POST", b"OPTIONS", b"HEAD"])
def test_orders_in_a_web_request_are_not_obeyed_on_the_zeromq_port(
    run_server, sessions: ScriptedSessions, verb: bytes
) -> None:
    server = run_server()
    honest = Honest(server)
    order = {**OPEN, "vehicle": "stolen"}
    body = zmtp1(msgpack.packb(order)) + zmtp1(json.dumps(order).encode())
    for length in range(90):  # so that one of them ends where the first frame ends, as libzmq reads it
        with connect(server.server.ready.zmq) as browser:
            browser.sendall(verb + b" / HTTP/1.1\r\nX: " + b"x" * length + b"\r\n\r\n" + body)
            honest.flies_on()
    assert ask_lines(server)["faults"]["chosen_routing_id"] > 0  # some were read as messages, and refused
    assert set(sessions.vehicles.values()) == {"curlew"}


@pytest.mark.parametrize("head", [b"POST /x HTTP/1.1\r\nHost: localhost\r\n\r\n", b"PUT / HTTP/1.0\n\n", b"\x16\x03\n",
                                  b"GET /metricsx HTTP/1.1\r\n", b"\n\n  POST / HTTP/1.1\r\n"])  # fmt: skip
def test_orders_in_a_web_request_are_not_obeyed_on_the_json_port(
    run_server, sessions: ScriptedSessions, head: bytes
) -> None:
    server = run_server()
    honest = Honest(server)
    with server.tcp_socket() as browser:
        browser.sendall(head + json.dumps({**OPEN, "vehicle": "stolen"}).encode() + b"\n")
        assert read_line(browser)["code"] == "garbage"
        assert closed_by_peer(browser)
    honest.flies_on()
    assert set(sessions.vehicles.values()) == {"curlew"}


def test_a_first_line_in_pieces_is_still_the_first_line(run_server) -> None:
    sock = run_server().tcp_socket()
    data = b"\r\n\n " + json.dumps(OPEN).encode() + b"\n"
    for k in range(0, len(data), 7):
        sock.sendall(data[k : k + 7])
    assert read_line(sock)["type"] == "opened"


def test_connections_over_zeromq_beyond_the_limit_get_no_session(run_server, sessions: ScriptedSessions) -> None:
    server = run_server(zmq_connections=2)
    first = server.zmq_socket()  # one after the other: without a session a connection gives way to a newer one
    ask(first, OPEN)
    second = server.zmq_socket()
    ask(second, {**OPEN, "vehicle": "gannet"})
    fault = ask(server.zmq_socket(), {**OPEN, "vehicle": "bargeman"})
    assert fault["code"] == "too_many_connections"
    assert "limits.zmq_connections" in fault["expected"]
    assert ask(first, STATE)["type"] == "command"
    assert set(sessions.vehicles.values()) == {"curlew", "gannet"}


def test_what_a_cut_connection_had_sent_does_not_cost_another_its_place() -> None:
    # read late, it has the descriptor that a script's connection has by now
    with zmq.Context() as context, context.socket(zmq.ROUTER) as router:
        peers = Peers(context, router, 1000)
        peers._marks.update({100_000: 0, 100_001: 0})  # no descriptor of this process
        script = Link("zmq", b"\0aaaa")
        peers.spoke(100_000, script)
        peers.spoke(100_000, Link("zmq", b"\0bbbb"))
        peers.make_room(1, lambda link: link == script)
        assert peers.cut == 0
        peers.make_room(1, lambda link: False)
        assert peers.cut == 1
        router.disable_monitor()
        peers.close()


def test_the_guard_cuts_what_sends_no_whole_message_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    honest, endless = 100_000, 100_001  # no descriptors of this process
    received = dict.fromkeys((honest, endless), 0)
    with zmq.Context() as context, context.socket(zmq.ROUTER) as router:
        peers = Peers(context, router, 1000)
        monkeypatch.setattr(peers, "_bytes_received", received.get)
        peers._marks.update(received)
        suspected = []
        for _ in range(100):
            received[honest] += 150
            received[endless] += 150 if endless in peers._marks else 0
            if peers.suspects:  # only then does the router ask where each message comes from
                suspected.append(set(peers.suspects))
                peers.spoke(honest, Link("zmq", b"\0aaaa"))
            peers.guard()
        assert suspected[0] == {honest, endless}
        assert suspected[1] == {endless}
        assert set(peers._marks) == {honest}
        assert 1000 < received[endless] <= 1500 + 2 * 150
        router.disable_monitor()
        peers.close()


def test_a_peer_is_looked_up_again_when_its_connection_is_gone() -> None:
    with zmq.Context() as context, context.socket(zmq.ROUTER) as router:
        peers, link = Peers(context, router, 1000), Link("zmq", b"\0aaaa")
        peers._marks[100_000] = 0
        peers.spoke(100_000, link)
        assert peers.known == {b"\0aaaa": link}
        peers.shut(100_000, "for a test")
        assert not peers.known
        router.disable_monitor()
        peers.close()


@pytest.mark.parametrize("says", [b"", b"\xc1"], ids=["nothing", "garbage"])
def test_connections_over_zeromq_without_a_session_do_not_keep_a_script_out(run_server, says: bytes) -> None:
    server = run_server(zmq_connections=20)
    idle = [server.zmq_socket() for _ in range(40)]
    for sock in idle:
        if says:
            sock.send(says)
    flown = server.zmq_socket()
    assert ask(flown, OPEN)["type"] == "opened"
    idle += [server.zmq_socket() for _ in range(40)]
    assert ask(flown, STATE)["type"] == "command"  # it has a session, and stays


@pytest.mark.parametrize("says", [b"", b"{", b'{"type":"health"}\n'], ids=["nothing", "half a line", "no open"])
def test_connections_over_tcp_without_a_session_do_not_keep_a_script_out(run_server, says: bytes) -> None:
    server = run_server(tcp_connections=8)
    flown = server.tcp_socket()
    assert ask_line(flown, OPEN)["type"] == "opened"
    idle = [server.tcp_socket() for _ in range(12)]
    for sock in idle:
        with suppress(OSError):  # closed already, for another one's sake
            sock.sendall(says)
    late = server.tcp_socket()
    assert ask_line(late, {**OPEN, "vehicle": "bargeman"})["type"] == "opened"
    assert ask_line(flown, STATE)["type"] == "command"


@pytest.mark.parametrize("transport", ["zmq", "tcp"])
def test_a_flood_is_answered_once_a_second_and_dropped_and_others_fly_on(run_server, transport: str) -> None:
    # The clock stands still: five states beyond the first are answered, one is told why, the rest is counted.
    server = run_server(clock_s=lambda: 0.0, unanswered_per_second=5)
    honest = Honest(server)
    count = 400
    if transport == "zmq":
        sock = server.zmq_socket()
        ask(sock, {**OPEN, "vehicle": "flood"})

        def sent_and_dropped() -> bool:  # again and again: a slow sender may look like one that waits for its replies
            for _ in range(count):
                sock.send(json.dumps(STATE).encode())
            return bool(ask_lines(server)["too_fast"] > count // 2)

        assert until(sent_and_dropped, 100)
        replies = [json.loads(sock.recv()) for _ in range(7)]
    else:
        lines = server.tcp_socket()
        ask_line(lines, {**OPEN, "vehicle": "flood"})
        lines.sendall((json.dumps(STATE).encode() + b"\n") * count)
        replies = [read_line(lines) for _ in range(7)]
    assert until(lambda: ask_lines(server)["too_fast"] > count // 2)
    told = [reply for reply in replies if reply["type"] == "fault"]
    assert [reply["code"] for reply in told] in ([], ["too_fast"])
    assert all("limits.unanswered_per_second" in reply["expected"] for reply in told)
    assert ask_lines(server)["faults"].get("too_fast") == 1
    honest.flies_on()


class Held(ScriptedSessions):
    """Holds the loop in the first state until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.entered, self.go = threading.Event(), threading.Event()

    def state(self, link: Any, state: VehicleState) -> Command:
        self.entered.set()
        assert self.go.wait(WAIT_S)
        return super().state(link, state)


def test_a_flood_puts_at_most_a_few_messages_before_anothers(tmp_path: Path) -> None:
    # Whatever has come over TCP when the loop goes on was all there before: sendall on loopback fills the receiver.
    from guidance_svc.files.settings import Limits

    sessions = Held()
    limits = Limits(batch_per_connection=4)
    server = Running(sessions, tmp_path / "run.mcap", limits)
    try:
        flood, honest = server.tcp_socket(), server.tcp_socket()
        ask_line(flood, {**OPEN, "vehicle": "flood"})
        ask_line(honest, OPEN)
        flood.sendall(b"".join(json.dumps({**STATE, "seq": k}).encode() + b"\n" for k in range(200)))
        assert sessions.entered.wait(WAIT_S)
        honest.sendall(json.dumps(STATE).encode() + b"\n")
        sessions.go.set()
        assert read_line(honest)["type"] == "command"
        assert read_line(flood)["type"] == "command"
    finally:
        sessions.go.set()
        server.stop()
    order = [vehicle for vehicle, _ in sessions.states]
    assert order.index("curlew") <= 2 * limits.batch_per_connection


def test_a_reader_of_metrics_gets_them_as_text_and_no_session(run_server) -> None:
    server = run_server()
    Honest(server).flies_on()
    with server.tcp_socket() as sock:
        host = f"Host: localhost:{sock.getpeername()[1]}\r\n".encode()
        for piece in (b"GET /met", b"rics HTTP/1.1\r\n", host, b"Accept: */*\r\n", b"\r\n"):
            sock.sendall(piece)
        with sock.makefile("rb") as answer:
            head, _, body = answer.read().partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200 OK\r\nContent-Type: application/openmetrics-text")
    assert f"Content-Length: {len(body)}".encode() in head
    assert b"guidance_sessions 1\n" in body
    assert body.endswith(b"# EOF\n")


@pytest.mark.parametrize("host", ["planted.example", "planted.example:{port}", "127.0.0.1", "[::1]:{port}", ""])
def test_metrics_are_not_given_to_a_page_whose_name_leads_here(run_server, host: str) -> None:
    # DNS rebinding: the browser takes the answer for the page's own, for it asked under the page's own name.
    server = run_server()
    with server.tcp_socket() as sock:
        name = host.format(port=sock.getpeername()[1])
        sock.sendall(f"GET /metrics HTTP/1.1\r\nAccept: */*\r\nhOsT:{name}\r\n\r\n".encode())
        with sock.makefile("rb") as answer:
            text = answer.read()
    assert text.startswith(b"HTTP/1.1 421 Misdirected Request\r\n")
    assert b"guidance_" not in text


def test_silent_connections_do_not_keep_a_script_out(run_server) -> None:
    server = run_server(tcp_connections=3, handshake_ms=1)
    flying = server.tcp_socket()
    ask_line(flying, OPEN)
    for _ in range(20):
        server.tcp_socket()
    assert until(lambda: ask_lines(server).get("type") == "health")
    assert ask_line(flying, STATE)["type"] == "command"


def test_links_that_come_and_go_by_the_thousand_do_not_cost_another_its_session(desk: Desk) -> None:
    opened = json.loads(desk.receive(("zmq", b"honest"), json.dumps(OPEN).encode()))
    assert opened["type"] == "opened"
    for number in range(11_000):  # more than the desk remembers
        desk.receive(("zmq", number), b"{}")
    assert json.loads(desk.receive(("zmq", b"honest"), json.dumps(STATE).encode()))["type"] == "command"
    assert len(desk._numbers) <= 10_000


def test_a_client_that_resets_in_the_middle_leaves_nothing(run_server) -> None:
    server = run_server()
    honest = Honest(server)
    for _ in range(30):
        sock = server.tcp_socket()
        sock.sendall(json.dumps(OPEN).encode()[:50])
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")  # close with a reset
        sock.close()
    honest.flies_on()
    assert until(lambda: ask_lines(server)["tcp_connections"] == 1)
