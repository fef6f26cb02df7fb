"""Whether the script keeps to the protocol: numbers, clock, acknowledgements, faults, and a link that breaks."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

from guidance_svc.conform.record import INSTANT_S, Check, Heard, Run, failed, not_seen, passed
from guidance_svc.laws.table import act_of, asks_of, is_over

SILENCE_SLACK_S: Final = 0.15  # a script that asks ten times a second cannot be more exact
OVERDUE_S: Final = 2.0  # as the service warns
STUBBORN: Final = 4  # refusals of one kind in a row; three tries may be a client's patience
STANDING: Final = 3  # states with one and the same time
AGAIN_S: Final = 5.0  # after a repeated event in which a second act would show

OPENS = "the first message is an open that the service accepts"
ACCEPTED = "every state is accepted"
SEQ = "seq rises with each new state"
TIME = "time_s moves forward"
SILENCE = "the script is never silent longer than next_contact_s"
SEEN = "events that were carried out are acknowledged in seen_event, never before their time"
TWICE = "an event that comes once more after it was done is not carried out again"
DELAY = "a reply that is late is waited for, or asked for again"
BACK = "after a lost connection the script opens again with its token in resume, and goes on"
HEEDS = "a fault is heeded: the script corrects itself, or stops and tells"
TAKEN = "a script whose session was taken over stops and does not take it back"
CLOSES = "the script ends with close"


def link_checks(run: Run) -> list[Check]:
    """All of this subject."""
    return [
        opens_check(run), accepted_check(run), seq_check(run), time_check(run), silence_check(run), seen_check(run),
        twice_check(run), delay_check(run), back_check(run), faults_check(run), taken_check(run), closes_check(run),
    ]  # fmt: skip


def opens_check(run: Run) -> Check:
    """Whether the script connects and begins with an `open` that is accepted."""
    if not run.heard:
        return failed("opens", OPENS, "no script connected", "connect to the addresses that were printed; send open")
    first = run.heard[0]
    if run.plan is None:
        told = first.reply.get("message", "nothing was understood")
        return failed("opens", OPENS, f"it was refused: {told}", "read the fault and correct the open message")
    if first.request.get("type") != "open":
        seen = f"the first message was {first.request.get('type', 'garbage')!r}"
        return failed("opens", OPENS, seen, "send open before anything else on every connection")
    return passed("opens", OPENS, f"flight plan {run.plan.name}")


def accepted_check(run: Run) -> Check:
    """No state refused but by the kit's own doing."""
    states = [one for one in run.heard if one.is_state and not one.trial]
    refused = [one for one in states if one.reply.get("type") == "fault" and one.reply.get("code") != "no_session"]
    if not states:
        return not_seen("accepted", ACCEPTED, "no state came")
    if not refused:
        return passed("accepted", ACCEPTED, f"{len(states)} states")
    seen = f"{len(refused)} of {len(states)} were refused, first: {refused[0].reply.get('message')}"
    return failed("accepted", ACCEPTED, seen, f"correct {refused[0].reply.get('field') or 'the message'}")


def seq_check(run: Run) -> Check:
    """Rising, but for a state that is asked again and after a new open."""
    last: Heard | None = None
    count = 0
    for one in run.heard:
        if not one.is_state:
            last = None
            continue
        seq = one.request.get("seq")
        if isinstance(seq, int):
            count += 1
            before = last.request["seq"] if last else -1
            again = last is not None and seq == before and one.request.get("time_s") == last.request.get("time_s")
            if seq <= before and not again:
                seen = f"seq not rising: {seq} after {before}"
                return failed("seq_rises", SEQ, seen, "count seq up by one with each new state, never start anew")
            last = one
    return passed("seq_rises", SEQ, f"{count} states") if count > 1 else not_seen("seq_rises", SEQ, "no two states")


def time_check(run: Run) -> Check:
    """Whether the vehicle's clock rises from state to state."""
    last, still, count = None, 0, 0
    for one in run.states():
        now = one.request["time_s"]
        if not isinstance(now, int | float):
            continue
        count += 1
        if last is not None and now < last - INSTANT_S:
            seen = f"time_s went back from {last:.3f} to {now:.3f} s"
            change = "send the vehicle's own clock; only a reloaded save may take it back"
            return failed("time_moves", TIME, f"time not monotonic: {seen}", change)
        still = still + 1 if now == last else 0
        if still >= STANDING:
            seen = f"time stands still: {still + 1} states with new seq at {now:.3f} s"
            return failed("time_moves", TIME, seen, "read the clock together with the state, once a state")
        last = now
    return passed("time_moves", TIME, f"{count} states") if count > 1 else not_seen("time_moves", TIME, "no two states")


def silence_check(run: Run) -> Check:
    """Time between states against what the reply allowed."""
    commands = run.commands()
    too_long = [
        (b.request["time_s"] - a.request["time_s"], a)
        for a, b in pairwise(commands)
        if b.request["time_s"] - a.request["time_s"] > a.reply["next_contact_s"] + SILENCE_SLACK_S
    ]
    if len(commands) < 2:
        return not_seen("keeps_contact", SILENCE, "no two states were answered")
    if not too_long:
        return passed("keeps_contact", SILENCE, f"{len(commands)} states")
    gap, one = max(too_long, key=lambda pair: pair[0])
    seen = f"{len(too_long)} times, longest {gap:.2f} s at {one.request['time_s']:.1f} s where "
    seen += f"{one.reply['next_contact_s']:.2f} s were allowed"
    return failed("keeps_contact", SILENCE, seen, "send the next state within next_contact_s of vehicle time")


def seen_check(run: Run) -> Check:
    """Acknowledgements: neither too early, nor missing where nothing else shows."""
    at_s: dict[str, float] = {}
    acknowledged: set[str] = set()
    overdue: list[str] = []
    for one in run.heard:
        if not one.is_state:
            continue
        said, now = one.request.get("seen_event"), one.request.get("time_s", 0.0)
        if said in at_s and said not in acknowledged:
            if now < at_s[said] - SILENCE_SLACK_S:
                seen = f"seen_event too early: {said} at {now:.2f} s, its time is {at_s[said]:.2f} s"
                return failed("acknowledges", SEEN, seen, "send an event's id only once it has been carried out")
            acknowledged.add(said)
        event = one.reply.get("event") if one.is_command else None
        if event is not None:
            at_s[event["id"]] = event["at_s"]
            late = now > event["at_s"] + OVERDUE_S and asks_of(event["name"]) and event["id"] not in acknowledged
            if late and not one.trial:
                overdue.append(event["id"])
    return seen_verdict(at_s, acknowledged, overdue)


def seen_verdict(at_s: dict[str, float], acknowledged: set[str], overdue: Sequence[str]) -> Check:
    """From what was gathered."""
    if overdue:
        how = "never sent" if not acknowledged else "not sent"
        seen = f"seen_event {how}: {overdue[0]} stood in {len(overdue)} replies after its time"
        change = "carry the event out, then put its id in seen_event of the next states"
        return failed("acknowledges", SEEN, seen, change)
    if acknowledged:
        return passed("acknowledges", SEEN, f"{len(acknowledged)} of {len(at_s)} events")
    why = "seen_event never sent; the states showed by themselves what was done" if at_s else "no event was sent"
    return not_seen("acknowledges", SEEN, why)


def twice_check(run: Run) -> Check:
    """What the vehicle did after an event was repeated."""
    repeated = [one for one in run.heard if one.trial == "repeated"]
    if not repeated:
        return not_seen("does_once", TWICE, "no event was done while the kit could repeat it")
    event, since = repeated[0].reply["event"], repeated[0].request["time_s"]
    act = act_of(event["name"])
    again = [at for at, mark in run.acts if mark == act and since + INSTANT_S < at <= since + AGAIN_S]
    after = [one for one in run.commands() if since <= one.request["time_s"] <= since + AGAIN_S]
    wanted = {"ignite": True, "cutoff": False}.get(act or "")
    broken = [
        one for one in after[2:]
        if wanted is not None and one.request.get("engine_on", wanted) != wanted and one.reply["engine_on"] == wanted
    ]  # fmt: skip
    stages = {one.request.get("stage") for one in after}
    if again or broken or (act == "separate" and len(stages) > 1):
        seen = f"{event['name']} was carried out again after {since:.2f} s"
        return failed("does_once", TWICE, seen, "remember the ids of events that were done, and pass over them")
    return passed("does_once", TWICE, f"{event['id']} came {len(repeated)} times more and was done once")


def delay_check(run: Run) -> Check:
    """Whether the script went on after a reply that came late."""
    index = next((k for k, one in enumerate(run.heard) if one.trial == "held"), None)
    if index is None:
        return not_seen("waits", DELAY, "no burn was long enough to delay a reply in")
    after = run.heard[index + 1 :]
    if not any(one.is_command for one in after):
        change = "wait a few seconds for a reply, then ask again with the same seq"
        return failed("waits", DELAY, "the script did not go on after a reply that was 0.3 s late", change)
    early = run.heard[index].early
    how = f"it sent {early} messages meanwhile" if early else "it waited"
    return passed("waits", DELAY, how)


def back_check(run: Run) -> Check:
    """What came after the connection was dropped."""
    index = next((k for k, one in enumerate(run.heard) if one.trial == "dropped"), None)
    if index is None:
        return not_seen("comes_back", BACK, "no burn was long enough to drop the connection in")
    after = run.heard[index + 1 :]
    change = "on a lost connection or the fault no_session: connect, send open with resume = token, then states again"
    if not after:
        return failed("comes_back", BACK, "the script did not come back", change)
    opened = next((one for one in after if one.request.get("type") == "open"), None)
    if opened is None:
        return failed("comes_back", BACK, "it sent states without a new open, which were refused: no_session", change)
    if "resume" not in opened.request:
        return failed("comes_back", BACK, "it opened without its token: resume was not sent", change)
    if opened.reply.get("resumed") is not True:
        seen = f"the session was not taken up again: {opened.reply.get('message', 'resumed is false')}"
        return failed("comes_back", BACK, seen, "send the token of opened, with the same plan, role and frame")
    if not any(one.is_command for one in after):
        return failed("comes_back", BACK, "it opened again and sent no more states", change)
    return passed("comes_back", BACK, "it resumed and went on")


def faults_check(run: Run) -> Check:
    """Whether the script goes on sending what is refused."""
    longest, length, code = 0, 0, None
    worst: dict[str, Any] = {}
    for one in run.heard:
        refused = one.reply.get("code") if one.reply.get("type") == "fault" and one.trial != "refused" else None
        length = length + 1 if refused is not None and refused == code else int(refused is not None)
        code = refused
        if length > longest:
            longest, worst = length, one.reply
    if longest == 0:
        return not_seen("heeds_faults", HEEDS, "no fault came")
    if longest >= STUBBORN:
        seen = f"fault ignored: {longest} messages in a row were refused: {worst.get('message')}"
        return failed("heeds_faults", HEEDS, seen, "look at type of each reply; on fault tell its message and stop")
    return passed("heeds_faults", HEEDS, f"{longest} in a row at most")


def taken_check(run: Run) -> Check:
    """What came after the fault `taken_over`."""
    index = next((k for k, one in enumerate(run.heard) if one.trial == "refused"), None)
    if index is None:
        return not_seen("yields", TAKEN, "tried only with --mishaps fault")
    after = run.heard[index + 1 :]
    if any(one.request.get("type") == "open" for one in after):
        change = "on taken_over tell it and stop: two scripts that fight over a vehicle lose it"
        return failed("yields", TAKEN, "it took the session back at once", change)
    stubborn = sum(one.trial == "refused" for one in after)
    if stubborn >= STUBBORN - 1:
        seen = f"fault ignored: it sent {stubborn} more states"
        return failed("yields", TAKEN, seen, "look at type of each reply; on fault tell its message and stop")
    return passed("yields", TAKEN, "it stopped")


def closes_check(run: Run) -> Check:
    """The last message of a flight that came to its end."""
    commands = run.commands()
    if run.ended == "closed":
        return passed("closes", CLOSES, "it did")
    if commands and is_over(commands[-1].reply["phase"], commands[-1].reply["status"]):
        return failed("closes", CLOSES, "the flight was over and no close came", "send close when phase is orbit")
    return not_seen("closes", CLOSES, "the flight did not come to its end")
