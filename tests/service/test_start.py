"""How the service starts, or says in one sentence why it does not."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from service_world import WAIT_S
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.service.key_files import make_keys

FREE = ["--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", "--no-record"]


@pytest.fixture
def taken() -> Iterator[str]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield f"127.0.0.1:{listener.getsockname()[1]}"


def configs(folder: Path, access: str) -> Path:
    """A folder of configuration with this in its service.toml."""
    (folder / "flights").mkdir(parents=True)
    (folder / "service.toml").write_text(access)
    return folder


def refused(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["serve", *FREE, *arguments])
    assert result.exit_code == 2
    sentence: str = result.stderr.splitlines()[-1]
    assert sentence.startswith("guidance-svc: ")
    assert "Traceback" not in result.stderr
    return sentence


def test_a_port_that_is_taken_is_named(taken: str) -> None:
    assert f"addresses.tcp: cannot listen; expected a free address; got {taken}" in refused("--tcp", taken)
    assert "addresses.zmq: cannot listen" in refused("--zmq", f"tcp://{taken}")


def test_an_address_beyond_loopback_without_keys_says_how_to_get_them() -> None:
    assert "`guidance-svc keys`" in refused("--zmq", "tcp://0.0.0.0:0")


def test_json_lines_beyond_loopback_are_refused_even_with_keys(tmp_path: Path) -> None:
    make_keys(tmp_path / "keys", None)
    folder = configs(tmp_path / "configs", f'[access]\nkeys = "{tmp_path / "keys"}"\n')
    assert "no keys on the JSON lines" in refused("--configs", str(folder), "--tcp", "0.0.0.0:0")


@pytest.mark.parametrize(
    ("spoil", "text"),
    [
        (lambda keys: (keys / "service.key_secret").unlink(), "cannot read keys"),
        (lambda keys: (keys / "service.key_secret").write_text("nonsense"), "bad key file"),
        (lambda keys: (keys / "service.key_secret").chmod(0o644), "only its owner can read"),
    ],
)
def test_key_files_that_do_not_do_are_named(tmp_path: Path, spoil, text: str) -> None:
    make_keys(tmp_path / "keys", None)
    spoil(tmp_path / "keys")
    folder = configs(tmp_path / "configs", f'[access]\nkeys = "{tmp_path / "keys"}"\n')
    sentence = refused("--configs", str(folder))
    assert text in sentence
    assert "service.key_secret: access.keys" in sentence


def test_slips_of_the_command_line_are_named() -> None:
    assert "one of logfmt, json" in refused("--log-format", "xml")
    assert "the name of a user" in refused("--user", "no-such-user-here")


class Served:
    """`guidance-svc serve` until the end of the test."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "guidance_svc", "serve", *FREE, *arguments]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        assert self.process.stderr is not None
        self.log = []
        for line in self.process.stderr:
            self.log.append(line)
            if "ready" in line:
                break

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.communicate(timeout=WAIT_S)


def test_the_log_as_json_is_one_object_a_line() -> None:
    with Served("--log-format", "json") as served:
        texts = [json.loads(line)["text"] for line in served.log]
    assert texts[-1].startswith("ready: zmq tcp://127.0.0.1:")


def test_json_lines_can_be_turned_off() -> None:
    with Served("--tcp", "") as served:
        assert "tcp none" in served.log[-1]


@pytest.mark.skipif(os.geteuid() != 0 or not Path("/proc/self/status").exists(), reason="only root can change")
def test_a_service_started_as_root_goes_on_as_another_user() -> None:
    import pwd

    wanted = pwd.getpwnam("nobody").pw_uid
    with Served("--user", "nobody") as served:
        status = Path(f"/proc/{served.process.pid}/status").read_text()
    (line,) = [line for line in status.splitlines() if line.startswith("Uid:")]
    assert {int(word) for word in line.split()[1:]} == {wanted}  # real, effective, saved, file system: proc(5)
    assert not any("running as root" in line for line in served.log)
