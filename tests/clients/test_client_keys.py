"""The ZeroMQ client with CURVE keys, against the real service with an access list.

Keys and handshake are libzmq's own (zmq.auth writes and reads the files), which is the outside source here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import zmq.auth

from guidance_svc.files.settings import AccessSettings
from guidance_svc.service.access import load_access
from guidance_svc.service.key_files import make_pair
from tests.clients.loading import load
from tests.clients.running_service import WAIT_S, Service
from tests.clients.test_clients_and_restarts import STATE, open_curlew


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    """A folder with the pairs of the service, of Curlew's script and of a stranger."""
    for name in ("service", "curlew_script", "stranger"):
        make_pair(tmp_path / "keys", name)
    return tmp_path / "keys"


@pytest.fixture
def service(keys: Path) -> Iterator[Service]:
    entry = {"public_key_file": str(keys / "curlew_script.key"), "vehicles": ["Curlew"]}
    running = Service(load_access(AccessSettings.model_validate({"keys": str(keys), "scripts": {"pilot": entry}})))
    yield running
    running.kill()


@pytest.fixture
def connect(service: Service, keys: Path) -> Iterator[Callable[..., Any]]:
    made: list[Any] = []

    def make(script: str | None, **more: Any) -> Any:
        files = {"key_file": str(keys / f"{script}.key_secret"), "service_key_file": str(keys / "service.key")}
        given = (files if script else {}) | {"timeout_s": WAIT_S, **more}
        made.append(load("guidance_client").GuidanceClient(service.addresses.zmq, **given))
        return made[-1]

    yield make
    for client in made:
        client.hang_up()


def test_a_script_on_the_list_flies_with_its_key(connect: Callable[..., Any]) -> None:
    client = connect("curlew_script", patience_s=WAIT_S)
    open_curlew(client)
    assert client.exchange(STATE)["type"] == "command"
    client.hang_up()
    assert not client.steer({**STATE, "time_s": 100.1})["stale"]  # the new connection shows the key as well


def test_another_vehicle_than_its_own_is_refused_and_told_which_it_may_fly(connect: Callable[..., Any]) -> None:
    client = connect("curlew_script")
    with pytest.raises(load("guidance_client").Fault, match="Curlew") as caught:
        client.open(vehicle="Bargeman", role="tanker", plan="bargeman_to_lagoon")
    assert caught.value.code == "vehicle_not_allowed"


@pytest.mark.parametrize("script", [None, "stranger"])
def test_without_a_key_that_the_service_knows_there_is_no_answer_and_the_error_asks_about_keys(
    connect: Callable[..., Any], script: str | None
) -> None:
    client = connect(script, timeout_s=0.2, tries=1)
    with pytest.raises(TimeoutError, match="does it know yours"):
        open_curlew(client)


def test_one_key_file_without_the_other_is_refused(keys: Path) -> None:
    client, secret = load("guidance_client").GuidanceClient, str(keys / "curlew_script.key_secret")
    with pytest.raises(ValueError, match="expected both or none"):
        client("tcp://127.0.0.1:1", key_file=secret)
    with pytest.raises(ValueError, match="expected both or none"):
        client("tcp://127.0.0.1:1", service_key_file=str(keys / "service.key"))


def test_the_public_key_in_place_of_the_secret_one_is_refused(keys: Path) -> None:
    with pytest.raises(ValueError, match=r"curlew_script\.key"):
        load("guidance_client").GuidanceClient(
            "tcp://127.0.0.1:1",
            key_file=str(keys / "curlew_script.key"),
            service_key_file=str(keys / "service.key"),
        )


def test_the_keys_that_are_shown_are_those_of_the_files(keys: Path) -> None:
    options = load("guidance_client").curve_keys(str(keys / "curlew_script.key_secret"), str(keys / "service.key"))
    assert options[zmq.CURVE_SECRETKEY] == zmq.auth.load_certificate(keys / "curlew_script.key_secret")[1]
    assert options[zmq.CURVE_SERVERKEY] == zmq.auth.load_certificate(keys / "service.key")[0]


@pytest.mark.parametrize("address", ["tcp://192.0.2.1:5771", "tcp://somewhere:5771", "127.0.0.1", "tcp://127.0.0.1:x"])
def test_the_client_without_keys_stays_on_this_machine(address: str) -> None:
    with pytest.raises(ValueError, match="stays on this machine"):
        load("guidance_client_stdlib").GuidanceClient(address)
