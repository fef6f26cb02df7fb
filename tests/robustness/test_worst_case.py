"""No message takes more than its counted budget: inputs that once took too long, and a few of the search's own.

The search itself is `python -m tests.robustness.worst_case`.
"""

from __future__ import annotations

from random import Random

import pytest

from guidance_svc.session.session import CYCLE_STEPS, LIGHT_STEPS, MARK_STEPS, REPLY_STEPS
from tests.robustness.conversations import Conversation, a_conversation, varied
from tests.robustness.worst_case import corpus, costs

MESSAGE_STEPS = max(REPLY_STEPS, LIGHT_STEPS + CYCLE_STEPS) + MARK_STEPS
"""50 ms without compiled kernels, at 12 us a step."""


def refuse_excess(conversation: Conversation) -> list[str]:
    """Check every message of a conversation; the kinds of the replies."""
    kinds = []
    for cost in costs(conversation):
        assert cost.steps <= MESSAGE_STEPS, cost
        assert cost.reply.get("code") != "internal_error", cost
        kinds.append(cost.reply["type"])
    return kinds


@pytest.mark.parametrize(("why", "conversation"), corpus(), ids=lambda value: value if isinstance(value, str) else "")
def test_what_once_took_too_long_is_answered_within_the_budget(why: str, conversation: Conversation) -> None:
    assert refuse_excess(conversation) == ["opened"] + ["command"] * len(conversation.states)


def test_a_few_conversations_of_the_search_keep_to_the_budget() -> None:
    draw, kinds = Random(20261128), []
    for _ in range(6):
        conversation = a_conversation(draw)
        kinds += refuse_excess(conversation) + refuse_excess(varied(conversation, draw))
    assert kinds.count("command") > 20


def test_twenty_stages_find_a_law_within_a_few_states() -> None:
    (twenty,) = [row for why, row in corpus() if why.startswith("twenty stages")]
    assert [cost.reply.get("status") for cost in costs(twenty)][-1] == "ok"
