"""A flight through a service process from which all that Linux has and macOS does not is taken away.

No macOS was at hand. What is taken: `without_linux/sitecustomize.py`; it holds for the service's own children too.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.storage.compacting import needs_compacting
from tests.clients.loading import load
from tests.systems.short_flight import ROOT, ServiceProcess, expected, flown

WITHOUT = Path(__file__).parent / "without_linux"
COUNT, KILL_AT = 60, 40  # ignition comes with the 21st


def test_a_flight_a_kill_and_a_resume_go_as_on_linux(tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, first_path=str(WITHOUT))
    client = load("guidance_client_stdlib").GuidanceClient(f"tcp://{service.tcp}", timeout_s=2.0, tries=30)
    try:
        replies = flown(service, client, COUNT, KILL_AT)
        client.hang_up()
    finally:
        code = service.end()
    assert replies == expected(COUNT)
    assert any(reply["engine_on"] for reply in replies[:KILL_AT])
    assert code == 0
    assert "Traceback" not in "".join(service.log)
    last = sorted((tmp_path / "recordings").glob("*.mcap"))[-1]
    assert not needs_compacting(last)
    entries = [one for one in RecordingReader(last).entries() if isinstance(one, RecordedMessage)]
    assert [one.message for one in entries if one.type == "command"] == replies[KILL_AT:]


def test_nothing_of_linux_is_left_there() -> None:
    code = (
        "import sys, os, socket, guidance_svc.systems as s\n"
        "assert sys.platform == 'darwin' and not hasattr(os, 'getresuid') and not hasattr(socket, 'TCP_INFO')\n"
        "assert s.bytes_received(socket.socket()) == 0 and s.seed_rand(1) and not s.WINDOWS\n"
        "s.lower_priority(1, batch=True)\n"
        "with socket.socket() as sock: s.keep_alive(sock, 5, 3)\n"
    )
    environment = {"PYTHONPATH": f"{WITHOUT}:{ROOT}"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def test_privileges_are_given_up_without_linuxs_calls(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    from guidance_svc.service import privileges

    ids = {"uid": 0, "gid": 0}
    for name in ("getresuid", "getresgid"):
        monkeypatch.delattr(os, name, raising=False)
    for kind in ("uid", "gid"):
        monkeypatch.setattr(os, f"get{kind}", lambda kind=kind: ids[kind])
        monkeypatch.setattr(os, f"gete{kind}", lambda kind=kind: ids[kind])
        monkeypatch.setattr(os, f"set{kind}", lambda number, kind=kind: ids.update({kind: number}))
    monkeypatch.setattr(os, "setgroups", lambda groups: None)
    privileges.drop_privileges("nobody")
    assert 0 not in ids.values()
