"""Two scripts with one token, against the real service: the later one flies, the first is told and does not fight back.

The expectations are the words of clients/PROTOCOL.md (the project's own contract), not of any outside source.
"""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import pytest

from tests.clients.running_service import WAIT_S
from tests.clients.test_clients_and_restarts import STATE, open_curlew

MakeClient = Callable[..., Any]


@pytest.mark.parametrize("call", ["exchange", "steer"])
def test_the_displaced_script_is_told_and_the_later_one_flies_on(
    make_client: MakeClient, module: ModuleType, call: str
) -> None:
    first, second = make_client(patience_s=WAIT_S), make_client(patience_s=WAIT_S)
    token = open_curlew(first)["token"]
    getattr(first, call)(STATE)
    assert open_curlew(second, resume=token)["resumed"]
    for _ in range(3):
        with pytest.raises(module.Fault) as caught:
            getattr(first, call)({**STATE, "time_s": 100.1})
        assert caught.value.code == "taken_over"
        assert getattr(second, call)({**STATE, "time_s": 100.2})["time_s"] == 100.2
    assert first.stopped.code == "taken_over"


def test_a_script_that_stays_silent_while_it_is_displaced_learns_it_with_its_next_state(
    make_client: MakeClient, module: ModuleType
) -> None:
    first, second = make_client(), make_client()
    open_curlew(second, resume=open_curlew(first)["token"])
    with pytest.raises(module.Fault, match="another"):
        first.exchange(STATE)
    first.hang_up()  # nor does a new connection of its own take the vehicle back
    with pytest.raises(module.Fault, match="another"):
        first.exchange(STATE)
    assert second.exchange(STATE)["type"] == "command"
