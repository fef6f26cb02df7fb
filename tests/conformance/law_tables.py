"""What documents say of laws and events, made from the phase table and put between marks."""

from __future__ import annotations

import re
from itertools import pairwise

from guidance_svc.laws.plan_model import DEFAULT_PHASES
from guidance_svc.laws.plan_rules import may_follow
from guidance_svc.laws.table import EVENTS, LAWS

BEGIN, END = "<!-- made from the phase table by `python -m tests.conformance.build` -->", "<!-- to here -->"
SESSIONS_OWN = "*"
NAME_WIDTH, ARROW_WIDTH = max(map(len, LAWS)) + 2, 18


def with_block(text: str, block: str) -> str:
    """A document with what stands between its marks replaced."""
    between = re.compile(f"{re.escape(BEGIN)}\n.*?{re.escape(END)}", re.S)
    if len(between.findall(text)) != 1:
        raise ValueError(f"expected the marks {BEGIN} and {END} once each")
    return between.sub(lambda _: f"{BEGIN}\n\n{block}\n\n{END}", text)


def protocol_block() -> str:
    """The tables of phases and events in clients/PROTOCOL.md."""
    phases = [
        (f"`{name}`", (row.kind.__doc__ or "").splitlines()[0], ", ".join(f"`{kind.name}`" for kind in row.events))
        for name, row in LAWS.items()
    ]
    events = [(f"`{name}`", kind.asks or "nothing: it tells what begins", kind.sign) for name, kind in EVENTS.items()]
    return "\n\n".join(
        (table(("`phase`", "what it does", "its events"), phases), table(("event", "asks to", "is shown by"), events))
    )


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """A table in Markdown."""
    lines = (f"| {' | '.join(row)} |" for row in (head, ("---",) * len(head), *rows))
    return "\n".join(lines).replace(" --- ", "---").replace("|  |", "| |")


def diagram() -> str:
    """The phases as states: the way from the pad to orbit, then for each law what ends it and what may come next."""
    whole = [phase.law for phase in DEFAULT_PHASES["launch_vehicle"]]
    way = whole[0] + "".join(f" --{LAWS[law].ended_by}--> {after}" for law, after in pairwise(whole))
    return "\n".join(f"    {line}".rstrip() for line in (way, "", *(exits(law) for law in LAWS), "", *notes()))


def exits(law: str) -> str:
    """One law, what ends it, and what may come next."""
    later = " | ".join(map(marked, may_follow(law)))
    if not later:
        return f"{marked(law):{NAME_WIDTH}}the end"
    arrow = f"--{LAWS[law].ended_by}--"
    return f"{marked(law) + ' ':-<{NAME_WIDTH}}{arrow:-<{ARROW_WIDTH}}> {later}"


def marked(law: str) -> str:
    """The law's name, with a star where no plan may name it."""
    return law + (SESSIONS_OWN if LAWS[law].model is None else "")


def notes() -> list[str]:
    """What the arrows do not say."""
    rows = [row for row in LAWS.values() if row.model is not None]
    never_first = ", ".join(row.name for row in rows if not row.first) or "none"
    never_last = ", ".join(row.name for row in rows if not row.last) or "none"
    return [
        f"{SESSIONS_OWN} stands in no plan: the session puts it in",
        f"no plan begins with: {never_first}; no plan ends with: {never_last}",
    ]
