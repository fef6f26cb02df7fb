"""The bar of a long replay: on a terminal only, and it moves with the reader."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from flown import Service, fly

from guidance_svc.playback import reading_bar as module
from guidance_svc.playback.reading_bar import reading_bar
from guidance_svc.playback.replay import InProcess, replay


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("screen", "shown"), [(Terminal(), True), (io.StringIO(), False)])
def test_a_bar_is_shown_on_a_terminal_only(
    screen: io.StringIO, shown: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = fly(tmp_path / "long.mcap", 20, close=False)
    monkeypatch.setattr(module, "LONG_BYTES", 0)
    monkeypatch.setattr(module, "EVERY_BYTES", 1000)
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    service = Service()
    with reading_bar(path) as watch:
        verdict = replay(path, InProcess(service.desk, service.registry), watch)
    assert verdict.mismatch is None
    assert ("long.mcap" in screen.getvalue()) == shown
