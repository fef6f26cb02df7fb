"""Who may connect and command what: keys, the list of scripts, tokens; and that neither keys nor tokens are written."""

from __future__ import annotations

import base64
import logging
import secrets
import sys
from pathlib import Path
from typing import Any

import msgpack
import pytest
import zmq
from peers_world import Proxy, access_for, ask_lines, closed_by_peer, connect, curve, stranger, until
from scripted_sessions import ScriptedSessions
from service_world import OPEN, STATE, WAIT_S, Running, ask_line, small_library
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import load_settings
from guidance_svc.files.settings import AccessSettings, Limits
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.service.access import Access, Link, load_access
from guidance_svc.service.addresses import host_and_port, zmq_endpoint
from guidance_svc.service.desk import Desk
from guidance_svc.service.health_view import ask_health
from guidance_svc.service.key_files import make_keys
from guidance_svc.session.registry import Registry

MECHANISM_MISMATCH = int(zmq.PROTOCOL_ERROR_ZMTP_MECHANISM_MISMATCH)


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    return tmp_path / "keys"


@pytest.fixture
def access(keys: Path) -> Access:
    return access_for(keys, curlew=["curlew"], tankers=["Barge*"])


def ask(sock: zmq.Socket[bytes], message: object) -> dict[str, Any]:
    sock.send(msgpack.packb(message))
    reply: dict[str, Any] = msgpack.unpackb(sock.recv())
    return reply


def refused(server: Running, event: int, **options: bytes) -> int:
    """Connect a peer that must not get in, and say something; the value of the event that tells so."""
    sock = server.zmq_socket(address="")
    for name, value in options.items():
        sock.setsockopt(getattr(zmq, name), value)
    monitor = sock.get_monitor_socket(event)
    monitor.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
    try:
        sock.connect(server.server.ready.zmq)
        sock.send(msgpack.packb({**OPEN, "vehicle": "stolen"}))
        return int.from_bytes(monitor.recv_multipart()[0][2:6], sys.byteorder)
    finally:
        sock.disable_monitor()
        monitor.close()
        sock.close()


def test_a_script_with_its_key_flies_its_vehicle(run_server, access: Access, keys: Path) -> None:
    sock = run_server(access).zmq_socket(**curve(keys, "curlew"))
    assert ask(sock, OPEN)["type"] == "opened"
    assert ask(sock, STATE)["type"] == "command"


def test_a_vehicle_that_is_not_on_the_list_of_the_key_is_refused(
    run_server, access: Access, keys: Path, sessions: ScriptedSessions
) -> None:
    sock = run_server(access).zmq_socket(**curve(keys, "tankers"))
    fault = ask(sock, OPEN)
    assert (fault["code"], fault["field"], fault["got"]) == ("vehicle_not_allowed", "vehicle", "curlew")
    assert fault["expected"] == "one of Barge* (access.scripts.tankers.vehicles)"
    assert sessions.vehicles == {}
    assert ask(sock, {**OPEN, "vehicle": "Bargeman"})["type"] == "opened"


def test_a_script_sees_the_health_of_its_own_vehicles_only(run_server, access: Access, keys: Path) -> None:
    server = run_server(access)
    curlew, tankers = (server.zmq_socket(**curve(keys, name)) for name in ("curlew", "tankers"))
    ask(curlew, OPEN)
    ask(tankers, {**OPEN, "vehicle": "Bargeman"})
    assert [one["vehicle"] for one in ask(curlew, {"type": "health"})["sessions"]] == ["curlew"]
    assert [one["vehicle"] for one in ask(tankers, {"type": "health"})["sessions"]] == ["Bargeman"]


def refused_handshakes(server: Running, honest: zmq.Socket[bytes]) -> int:
    count: int = ask(honest, {"type": "health"})["refused_handshakes"]
    return count


def test_an_unknown_key_is_refused_at_the_handshake_logged_once_and_counted(
    run_server, access: Access, keys: Path, caplog: pytest.LogCaptureFixture
) -> None:
    server = run_server(access)
    honest = server.zmq_socket(**curve(keys, "curlew"))
    before = ask(honest, OPEN)
    options = stranger(keys)
    for _ in range(3):
        assert refused(server, zmq.EVENT_HANDSHAKE_FAILED_AUTH, **options) == 400  # the status of RFC 27
    assert before["type"] == "opened"
    assert ask(honest, STATE)["type"] == "command"
    assert refused_handshakes(server, honest) >= 3
    assert caplog.text.count("unknown key") == 1


def test_a_peer_without_a_key_never_gets_in(run_server, access: Access, keys: Path) -> None:
    server = run_server(access)
    honest = server.zmq_socket(**curve(keys, "curlew"))
    ask(honest, OPEN)
    assert refused(server, zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL) == MECHANISM_MISMATCH
    assert ask(honest, STATE)["type"] == "command"
    assert refused_handshakes(server, honest) >= 1


def test_a_peer_with_another_service_key_never_gets_in(
    run_server, access: Access, keys: Path, sessions: ScriptedSessions
) -> None:
    server = run_server(access)
    honest = server.zmq_socket(**curve(keys, "curlew"))
    wrong = {**curve(keys, "curlew"), "CURVE_SERVERKEY": zmq.curve_keypair()[0]}
    refused(server, zmq.EVENT_DISCONNECTED, **wrong)
    assert sessions.vehicles == {}
    assert ask(honest, OPEN)["type"] == "opened"


def test_a_handshake_played_again_is_refused_and_what_followed_it_is_not_obeyed(
    run_server, access: Access, keys: Path, sessions: ScriptedSessions
) -> None:
    # CURVE (RFC 26): the service's cookie and short-term key are new each time, so that old boxes do not open.
    server = run_server(access)
    proxy = Proxy(server.server.ready.zmq)
    context = zmq.Context()
    sock = context.socket(zmq.DEALER)
    sock.setsockopt(zmq.LINGER, 0)
    sock.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
    for name, value in curve(keys, "curlew").items():
        sock.setsockopt(getattr(zmq, name), value)
    sock.connect(proxy.endpoint)
    ask(sock, OPEN)
    ask(sock, STATE)
    context.destroy(0)
    proxy.close()
    assert len(sessions.states) == 1
    with connect(server.server.ready.zmq) as again:
        again.sendall(bytes(proxy.sent))
        assert closed_by_peer(again)
    assert len(sessions.states) == 1
    honest = server.zmq_socket(**curve(keys, "curlew"))
    assert refused_handshakes(server, honest) >= 1


def test_another_key_does_not_take_over_a_routing_id_that_became_free(
    run_server, access: Access, keys: Path, sessions: ScriptedSessions
) -> None:
    server = run_server(access)
    first = server.zmq_socket(**curve(keys, "curlew"))
    ask(first, OPEN)
    ((link, _),) = sessions.vehicles.items()
    assert isinstance(link, Link)
    assert link.script == "curlew"
    first.close()
    assert until(lambda: ask_lines(server)["zmq_connections"] == 0)
    second = server.zmq_socket(**curve(keys, "tankers"), ROUTING_ID=link.peer)
    assert ask(second, STATE)["code"] == "no_session"


@pytest.fixture
def registry() -> Registry:
    return Registry(lambda: secrets.token_urlsafe(16))


@pytest.mark.parametrize("kind", ["a guess", "nothing", "the other's", "almost it", "too long"])
def test_only_the_token_of_that_vehicle_resumes_it(registry: Registry, kind: str) -> None:
    desk = Desk(registry, small_library())
    one, other = Link("zmq", b"1"), Link("zmq", b"2")

    def say(link: Link, **fields: object) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(desk.receive(link, msgpack.packb({**OPEN, **fields})))
        return reply

    token = say(one)["token"]
    others = say(other, vehicle="bargeman")["token"]
    assert msgpack.unpackb(desk.receive(one, msgpack.packb(STATE)))["type"] == "command"
    shown = {"a guess": secrets.token_urlsafe(16), "nothing": None, "the other's": others,
             "almost it": token[:-1] + ("A" if token[-1] != "A" else "B"), "too long": token * 6}[kind]  # fmt: skip
    fault = say(Link("zmq", b"3"), resume=shown)
    assert fault["code"] in ("wrong_token", "vehicle_taken", "bad_value")
    assert token not in str(fault)
    assert registry.vehicle_of(one) == "curlew"
    assert say(Link("zmq", b"3"), resume=token)["resumed"] is True


def all_bytes(path: Path) -> bytes:
    """A recording as it lies there, and every payload in it that was kept as base64."""
    data = path.read_bytes()
    shown = [
        base64.b64decode(entry.message["payload_base64"])
        for entry in RecordingReader(path).entries()
        if isinstance(entry, RecordedMessage) and entry.type == "refused"
    ]
    return data + b"".join(shown)


def test_neither_tokens_nor_keys_are_in_the_log_or_in_the_recording(
    tmp_path: Path, access: Access, keys: Path, registry: Registry, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    server = Running(registry, tmp_path / "run.mcap", Limits(), access)  # type: ignore[arg-type]
    try:
        sock = server.zmq_socket(**curve(keys, "curlew"))
        token = ask(sock, OPEN)["token"]
        spoilt = [
            {**OPEN, "resume": token}, {**OPEN, "resume": [token]}, {**OPEN, "resume": token * 8},
            {**OPEN, "resume": token, "protocol": 7}, {**OPEN, "token": token}, {**STATE, "token": token},
            {**STATE, "resume": {"token": token}}, {**OPEN, "resume": {token: 1}}, {"type": "resume", "resume": token},
        ]  # fmt: skip
        for number, message in enumerate(spoilt):
            assert ask(sock, message)["type"] == ("fault" if number else "opened")
        sock.send(msgpack.packb({**OPEN, "resume": token})[:-9])
        sock.recv()
        refused(server, zmq.EVENT_HANDSHAKE_FAILED_AUTH, **stranger(keys))
    finally:
        server.stop()
    written = caplog.text.encode() + all_bytes(server.path)
    assert b"open" in written
    assert token.encode() not in written
    for file in ("service", "curlew"):
        _, secret = zmq.auth.load_certificate(keys / f"{file}.key_secret")
        assert secret is not None
        assert secret not in written
        assert zmq.utils.z85.decode(secret) not in written
    assert access.pair.secret.decode() not in repr(access.pair)


def test_key_files_are_for_their_owner_alone_and_never_overwritten(keys: Path) -> None:
    make_keys(keys, "curlew")
    modes = {path.name: path.stat().st_mode & 0o777 for path in (keys, *keys.iterdir())}
    assert modes == {"keys": 0o700, "service.key": 0o644, "service.key_secret": 0o600,
                     "curlew.key": 0o644, "curlew.key_secret": 0o600}  # fmt: skip
    before = {path: path.read_bytes() for path in keys.iterdir()}
    for name in ("curlew", None):
        with pytest.raises(ConfigError, match="never overwritten"):
            make_keys(keys, name)
    assert {path: path.read_bytes() for path in keys.iterdir()} == before


def test_the_keys_command_says_what_to_do_next_and_shows_no_secret(keys: Path) -> None:
    result = CliRunner().invoke(app, ["keys", "curlew", "--folder", str(keys)])
    assert result.exit_code == 0, result.stderr
    assert "[access.scripts.curlew]" in result.stdout
    _, secret = zmq.auth.load_certificate(keys / "curlew.key_secret")
    assert secret is not None
    assert secret.decode() not in result.stdout


@pytest.mark.parametrize("name", ["../x", "service", "a b", "", "x" * 65, "a\n"])
def test_a_key_name_that_is_no_name_is_refused(keys: Path, name: str) -> None:
    with pytest.raises(ConfigError, match="at most 64"):
        make_keys(keys, name)


def settings(keys: Path, **scripts: dict[str, object]) -> AccessSettings:
    return AccessSettings.model_validate({"keys": str(keys), "scripts": scripts})


def test_a_secret_key_that_others_can_read_is_refused(access: Access, keys: Path) -> None:
    (keys / "service.key_secret").chmod(0o640)
    with pytest.raises(ConfigError, match=r"chmod 600 .*got mode 0640"):
        load_access(settings(keys))


def test_missing_and_foreign_key_files_are_named_and_not_shown(access: Access, keys: Path) -> None:
    with pytest.raises(ConfigError, match=r"access\.scripts\.x\.public_key_file: cannot read keys"):
        load_access(settings(keys, x={"public_key_file": "x.key", "vehicles": ["*"]}))
    (keys / "y.key").write_text("password=hunter2")
    with pytest.raises(ConfigError, match="bad key file") as caught:
        load_access(settings(keys, y={"public_key_file": "y.key", "vehicles": ["*"]}))
    assert "hunter2" not in str(caught.value)
    with pytest.raises(ConfigError, match="bad key"):
        load_access(settings(keys, z={"public_key": "~" * 40, "vehicles": ["*"]}))


def test_one_key_for_two_scripts_is_refused(access: Access, keys: Path) -> None:
    entry = {"public_key_file": "curlew.key", "vehicles": ["*"]}
    with pytest.raises(ConfigError, match="key twice"):
        load_access(settings(keys, a=entry, b=entry))


def test_scripts_without_keys_are_a_mistake_that_is_told() -> None:
    table = {"scripts": {"a": {"public_key": "a" * 40, "vehicles": ["*"]}}}
    with pytest.raises(ConfigError, match=r"access\.keys"):
        load_access(AccessSettings.model_validate(table))


@pytest.mark.parametrize("address", ["tcp://0.0.0.0:5770", "tcp://192.168.1.5:5770", "tcp://*:0"])
def test_an_address_beyond_loopback_needs_keys(address: str) -> None:
    with pytest.raises(ConfigError, match="needs keys"):
        zmq_endpoint(address)
    assert zmq_endpoint(address, with_keys=True).startswith("tcp://")


def test_json_lines_are_off_where_there_are_keys_unless_they_are_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "configs"
    folder.mkdir()
    for text, tcp in (
        ("", "127.0.0.1:5771"),
        ('[access]\nkeys = "keys"\n', ""),
        ('[access]\nkeys = "keys"\n[addresses]\ntcp = "127.0.0.1:0"\n', "127.0.0.1:0"),
    ):
        (folder / "service.toml").write_text(text)
        assert load_settings(folder).addresses.tcp == tcp


def test_json_lines_beside_keys_command_the_reserved_vehicles_alone_and_see_no_others(
    run_server, keys: Path, sessions: ScriptedSessions
) -> None:
    made = access_for(keys, curlew=["curlew"])
    server = run_server(Access(made.pair, made._by_key, ("Gannet*",)))
    with_key = server.zmq_socket(**curve(keys, "curlew"))
    ask(with_key, OPEN)
    said = ({**OPEN, "vehicle": "curlew"}, {"type": "health"}, {**OPEN, "vehicle": "Gannet-2"}, {"type": "health"})
    with connect(server.server.ready.tcp) as line:
        fault, health, opened, again = (ask_line(line, message) for message in said)
    assert (fault["code"], fault["expected"]) == ("vehicle_not_allowed", "one of Gannet* (access.json_lines)")
    assert health["sessions"] == []
    assert opened["type"] == "opened"
    assert [one["vehicle"] for one in again["sessions"]] == ["Gannet-2"]
    assert ask(with_key, STATE)["type"] == "command"


def test_json_lines_beside_keys_command_nothing_by_default(run_server, access: Access) -> None:
    with connect(run_server(access).server.ready.tcp) as line:
        fault = ask_line(line, OPEN)
    assert (fault["code"], fault["expected"]) == ("vehicle_not_allowed", "one of none (access.json_lines)")


def test_json_lines_list_without_keys_is_a_mistake_that_is_told() -> None:
    with pytest.raises(ValueError, match="json_lines only where there are keys"):
        AccessSettings.model_validate({"json_lines": ["Gannet"]})


def test_who_holds_the_service_key_may_ask_how_it_is_and_commands_nothing(
    run_server, access: Access, keys: Path
) -> None:
    server = run_server(access)
    ask(server.zmq_socket(**curve(keys, "curlew")), OPEN)
    report = ask_health(server.server.ready.zmq, access)
    assert [one["vehicle"] for one in report["sessions"]] == ["curlew"]
    own = {"CURVE_PUBLICKEY": access.pair.public, "CURVE_SECRETKEY": access.pair.secret}
    sock = server.zmq_socket(**own, CURVE_SERVERKEY=access.pair.public)
    assert ask(sock, {**OPEN, "vehicle": "Bargeman"})["code"] == "vehicle_not_allowed"


def test_json_lines_stay_on_loopback_whatever_there_is_of_keys() -> None:
    with pytest.raises(ConfigError, match="no keys on the JSON lines"):
        host_and_port("0.0.0.0:5771")
