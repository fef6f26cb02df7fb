"""Both one-file clients against the real service, killed and started again on the same ports; every wait is bounded.

The expectations are the words of clients/PROTOCOL.md (the project's own contract), not of any outside source.
"""

from __future__ import annotations

import socket
import stat
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.clients.running_service import WAIT_S, Service

STATE = {"time_s": 100.0, "position_m": [6.48e6, 0.0, 0.0], "velocity_m_s": [500.0, 2500.0, 0.0], "mass_kg": 123400.0}


def open_curlew(client: Any, **more: Any) -> dict[str, Any]:
    opened: dict[str, Any] = client.open(vehicle="Curlew", role="upper_stage", plan="curlew_to_lagoon", **more)
    return opened


def test_a_script_goes_on_after_a_restart_of_the_service_and_is_told_that_it_began_anew(
    service: Service, make_client: Callable[..., Any]
) -> None:
    client = make_client()
    old = open_curlew(client)["token"]
    client.exchange(STATE)
    service.kill()
    service.start()
    with pytest.warns(UserWarning, match="began anew"):
        assert client.exchange({**STATE, "time_s": 100.1})["type"] == "command"
    assert client.resumed is False
    assert client.token != old


def test_the_new_token_holds_at_the_next_hiccup(service: Service, make_client: Callable[..., Any]) -> None:
    client = make_client()
    open_curlew(client)
    service.kill()
    service.start()
    with pytest.warns(UserWarning, match="began anew"):
        client.exchange(STATE)
    client.hang_up()
    assert client.exchange({**STATE, "time_s": 100.1})["type"] == "command"
    assert client.resumed is True


def test_a_script_that_caught_the_error_of_a_dead_service_is_not_locked_out(
    service: Service, make_client: Callable[..., Any]
) -> None:
    client = make_client(tries=2)
    open_curlew(client)
    client.exchange(STATE)
    service.kill()
    client.timeout_s = 0.1
    for _ in range(2):
        with pytest.raises(TimeoutError, match="is the service up"):
            client.exchange(STATE)
    service.start()
    client.timeout_s = WAIT_S
    with pytest.warns(UserWarning, match="began anew"):
        assert client.exchange(STATE)["type"] == "command"


def test_a_service_that_comes_up_late_is_waited_for(service: Service, make_client: Callable[..., Any]) -> None:
    service.kill()
    client = make_client(tries=1)
    late = threading.Timer(0.2, service.start)
    late.start()
    try:
        assert open_curlew(client)["type"] == "opened"
    finally:
        late.join(WAIT_S)


def test_refused_tries_are_few_because_the_pauses_grow(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.clients.loading import load

    module, now, tries = load("guidance_client_stdlib"), [0.0], []

    def refuse(*_: Any) -> None:
        tries.append(now[0])
        raise ConnectionRefusedError

    def sleep(seconds: float) -> None:
        now[0] += seconds

    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(module, "time", type("Clock", (), {"sleep": sleep}))
    client = module.GuidanceClient("tcp://127.0.0.1:1", timeout_s=5.0, tries=2, clock=lambda: now[0])
    with pytest.raises(TimeoutError, match=r"in 2 x 5\.0 s"):
        open_curlew(client)
    assert now[0] == pytest.approx(10.0)  # both tries waited out
    assert 4 <= len(tries) <= 20


def test_a_reloaded_save_forgets_the_event_that_was_done_after_it(
    service: Service, make_client: Callable[..., Any]
) -> None:
    client = make_client()
    open_curlew(client)
    event = client.exchange(STATE)["event"]
    client.done(event)
    client.exchange({**STATE, "time_s": 100.2})
    client.exchange({**STATE, "time_s": 100.1})
    assert [state.seen_event for state in service.states] == [None, event["id"], None]


def test_a_restarted_script_resumes_by_its_token_file(
    service: Service, make_client: Callable[..., Any], tmp_path: Path
) -> None:
    file = tmp_path / "curlew.token"
    token = open_curlew(make_client(token_file=str(file)))["token"]
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    again = make_client(token_file=str(file))
    opened = open_curlew(again)
    assert (opened["resumed"], opened["token"]) == (True, token)
    again.close()
    assert not file.exists()


def test_an_old_token_file_is_rewritten_after_a_restart_of_the_service(
    service: Service, make_client: Callable[..., Any], tmp_path: Path
) -> None:
    file = tmp_path / "curlew.token"
    file.write_text("of-another-day", encoding="utf-8")
    file.chmod(0o644)
    with pytest.warns(UserWarning, match="began anew"):
        token = open_curlew(make_client(token_file=str(file)))["token"]
    assert file.read_text(encoding="utf-8") == token
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_first_open_warns_of_nothing(service: Service, make_client: Callable[..., Any]) -> None:
    client = make_client()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert open_curlew(client)["resumed"] is False
    assert client.resumed is False
