"""A calm table in the terminal: one row a vehicle, a few looks a second, read from the recording as it grows."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from queue import Empty, Queue
from typing import TYPE_CHECKING, Any, Final

from guidance_svc.board.feed import BATCH_RECORDS, Feed
from guidance_svc.board.running import step_back
from guidance_svc.board.shown import BELOW_RESERVE
from guidance_svc.board.tail import check_beginning
from guidance_svc.files.config_files import Library, chosen_folder, load_library
from guidance_svc.service.clocks import steady_ns
from guidance_svc.storage.folder_lock import is_written

if TYPE_CHECKING:
    from rich.console import Console, JustifyMethod, RenderableType

LOOK_S: Final = 0.5
LINES_WAITING: Final = 200  # of the log; the service drops what does not fit
ROWS_SPARED: Final = 6  # of the terminal's height, for the head and the shell
SILENT_S: Final = 3.0  # beyond what the reply allowed
STYLES: Final = {"good": "green", "settling": "cyan", "look": "yellow", "bad": "bold red", "done": "dim", "idle": "dim"}
MARKS: Final = {"good": "+", "settling": "~", "look": "!", "bad": "x", "done": "=", "idle": "."}
# Name and width, so that nothing moves as numbers grow; a narrow terminal loses those with the highest rank first.
COLUMNS: Final[Mapping[str, tuple[int, int]]] = {
    "": (22, 0), "vehicle": (12, 0), "phase": (11, 0), "cutoff in": (9, 0), "next event": (20, 3),
    "landing": (44, 1), "perigee km": (15, 1), "apogee km": (14, 1), "to gain m/s": (11, 2), "margin kg": (9, 2),
    "link": (28, 4),
}  # fmt: skip
OF_LANDING: Final = "landing"  # a column that is there while a vehicle lands; those of orbits go where all do
OF_ORBITS: Final = ("perigee km", "apogee km", "to gain m/s")


def show_table(recording: Path, configs: Path | None, beside_service: bool) -> None:
    """The table of a recording: once for a past one; else kept up until Ctrl-C or, beside a service, until it ends.

    Args:
        beside_service: log lines come on standard input and are printed above the table; its end is the end.

    Raises:
        RecordingError: no recording, an empty or a foreign file.
        ConfigError: a bad configs folder.
    """
    from rich.console import Console

    if beside_service:
        step_back()
    console, live = Console(), beside_service or is_written(recording)
    if not live:
        check_beginning(recording)
    rows = Rows(recording, load_library(chosen_folder(configs)), live)
    if not live or not (console.is_terminal or beside_service):
        rows.look()
        console.print(rows.table(width=console.width))
        if rows.remark():
            console.print(rows.remark(), markup=False, highlight=False, soft_wrap=True)
        return
    try:
        keep_up(rows, console, beside_service)
    except KeyboardInterrupt:
        return


def keep_up(rows: Rows, console: Console, beside_service: bool) -> None:
    """Look, draw, wait; log lines in between."""
    from rich.live import Live

    heard = log_lines() if beside_service else None
    with Live(rows.table(width=console.width), console=console, auto_refresh=False, transient=False) as live:
        while True:
            rows.look()
            live.update(rows.table(console.height - ROWS_SPARED, console.width), refresh=True)
            if heard is None:
                time.sleep(LOOK_S)
                continue
            until_s = time.monotonic() + LOOK_S
            while (left_s := until_s - time.monotonic()) > 0.0:
                try:
                    line = heard.get(timeout=left_s)
                except Empty:
                    break
                if line is None:
                    rows.look()
                    live.update(rows.table(console.height - ROWS_SPARED, console.width), refresh=True)
                    return
                console.print(printable(line.decode(errors="replace")), markup=False, highlight=False, soft_wrap=True)


def log_lines() -> Queue[bytes | None]:
    """The lines of standard input as they come, without their ends; then None.

    By a thread, since some systems (Windows) can wait for sockets alone.
    """
    lines: Queue[bytes | None] = Queue(LINES_WAITING)

    def listen() -> None:
        rest = b""
        while heard := os.read(sys.stdin.fileno(), 65536):
            *whole, rest = (rest + heard).split(b"\n")
            for line in whole:
                lines.put(line)
        lines.put(None)

    threading.Thread(target=listen, daemon=True).start()
    return lines


class Rows:
    """What the table shows.

    Args:
        recording: to read.
        library: for names in plans that came inline.
        live: whether it is still being written.
    """

    def __init__(self, recording: Path, library: Library, live: bool) -> None:
        self._feed = Feed(recording, library, live)
        self._moments: dict[str, dict[str, Any]] = {}
        self._seen = 0

    def close(self) -> None:
        """Let the recording go."""
        self._feed.tail.close()

    def remark(self) -> str:
        """What is wrong with the recording, in words; "" where nothing is."""
        return self._feed.remark()

    def look(self) -> None:
        """Read what is new."""
        while self._feed.look(BATCH_RECORDS):
            pass
        version = self._feed.version
        for text in self._feed.since(self._seen):
            moment = json.loads(text)
            self._moments[moment["vehicle"]] = moment
        self._seen = version

    def table(self, most: int | None = None, width: int = 160) -> RenderableType:
        """The rows, those to look at first where there are more than `most`; the columns that fit the width."""
        from rich.table import Table
        from rich.text import Text

        began_ns = self._feed.course.first_ns
        now_s = None if began_ns is None or not self._feed.live else (steady_ns() - began_ns) / 1e9
        table = Table(box=None, pad_edge=False, header_style="dim", expand=False)
        lands = [moment.get("landing") is not None for moment in self._moments.values()]
        idle = (*(() if any(lands) else (OF_LANDING,)), *(OF_ORBITS if lands and all(lands) else ()))
        names = fitting(width, idle)
        for name in names:
            justify: JustifyMethod = "left" if name in ("", "vehicle", "phase", OF_LANDING, "link") else "right"
            table.add_column(name, justify=justify, no_wrap=True, min_width=COLUMNS[name][0])
        shown, left = choose_moments(list(self._moments.values()), most)
        for moment in shown:
            kind, *cells = row(moment, now_s)
            told = dict(zip(COLUMNS, cells, strict=True))
            table.add_row(*(Text(told[name], style=STYLES.get(kind, "") if name == "" else "") for name in names))
        if not shown:
            table.add_row("", Text("no vehicle yet", style="dim"))
        if left:
            table.add_row("", Text(f"and {left} more", style="dim"))
        return table


def fitting(width: int, idle: Sequence[str] = (OF_LANDING,)) -> list[str]:
    """The columns that fit a terminal, two spaces between them, without those that have nothing to show.

    >>> fitting(80)
    ['', 'vehicle', 'phase', 'cutoff in']
    """
    ranks = sorted({rank for _, rank in COLUMNS.values()}, reverse=True)
    for most in ranks:
        names = [name for name, (_, rank) in COLUMNS.items() if rank <= most and name not in idle]
        if sum(COLUMNS[name][0] + 2 for name in names) - 2 <= width:
            return names
    return names


def choose_moments(moments: Sequence[dict[str, Any]], most: int | None) -> tuple[Sequence[dict[str, Any]], int]:
    """The moments that fit, in their order; those in trouble before others. And how many are left out."""
    if most is None or len(moments) <= max(most, 1):
        return moments, 0
    order = list(STYLES)
    rank = {"bad": 0, "look": 1, "settling": 2, "good": 3}
    loud = sorted(range(len(moments)), key=lambda i: (rank.get(moments[i]["verdict"], len(order)), i))[: max(most, 1)]
    return [moments[i] for i in sorted(loud)], len(moments) - len(loud)


def row(moment: Mapping[str, Any], now_s: float | None) -> tuple[str, ...]:
    """The verdict's kind, then the cells.

    Args:
        now_s: wall time since the recording began; None for a past one.
    """
    kind, word = moment["verdict"], moment["word"]
    if word.startswith(BELOW_RESERVE):
        word = "margin below reserve"  # how far stands in its own column
    age_s = None if now_s is None else max(now_s - moment["wall_s"], 0.0)
    silent = age_s is not None and age_s > SILENT_S + moment.get("next_contact_s", 0.0)
    if silent and kind in ("good", "settling"):
        kind, word = "look", "silent"
    event, aim, link = moment.get("event"), moment.get("at_cutoff") or {}, moment["link"]
    landing = moment.get("landing")
    coming = event is not None and event["in_s"] > 0.0 and event["act"] != "cutoff"
    parts = [f"gaps {link['gaps']}", f"faults {link['faults']}"]
    if age_s is not None and not moment["closed"]:
        parts.insert(0, f"{age_s:.1f} s ago")
    if "arrivals" in moment:
        parts.insert(0, f"arrivals {len(moment['arrivals'])}")
    return (
        kind,
        f"{MARKS[kind]} {word}",
        printable(moment["vehicle"]),
        printable(str(moment.get("phase", ""))),
        clock(moment.get("to_cutoff_s")) if landing is None else "",
        f"{event['name']} {clock(event['in_s'])}" if coming and event else "",
        landing_words(landing) if landing is not None else "",
        now_and_then(moment.get("perigee_m"), aim.get("perigee_m")),
        now_and_then(moment.get("apogee_m"), aim.get("apogee_m")),
        number(moment.get("velocity_to_gain_m_s")),
        number(moment.get("margin_kg")),
        ", ".join(parts),
    )


def landing_words(landing: Mapping[str, Any]) -> str:
    """When it touches, how far off and how fast, how much throttle is left, and what the tower said.

    >>> told = {"contact_in_s": 8.2, "miss_m": 0.06, "contact_speed_m_s": 0.31, "throttle_margin": 0.25}
    >>> landing_words(told | {"clearance": "not_ready", "clearance_word": "tower not ready", "decide_in_s": 3.04})
    'in 0:08.2, 0.1 m, 0.31 m/s, throttle 25 %, tower not ready, decide 0:03.0'
    """
    miss, speed, spare, decide_s = (
        landing[name] for name in ("miss_m", "contact_speed_m_s", "throttle_margin", "decide_in_s")
    )
    parts = [
        f"in {clock(landing['contact_in_s'])}" if landing["contact_in_s"] is not None else "",
        "" if miss is None else f"{miss:.1f} m" if miss < 1e3 else f"{miss / 1e3:.1f} km",
        "" if speed is None else f"{speed:.2f} m/s",
        "" if spare is None else f"throttle {100.0 * spare:.0f} %",
        landing["clearance_word"],
        f"decide {clock(decide_s)}" if decide_s is not None and decide_s > 0.0 else "",
    ]
    return ", ".join(filter(None, parts))


def printable(text: str) -> str:
    """Without characters that would move the cursor or change the colours."""
    return "".join(c if c.isprintable() else "?" for c in text)


def now_and_then(now_m: float | None, then_m: float | None) -> str:
    """Kilometres now, and at cutoff."""
    now = "" if now_m is None else f"{now_m / 1e3:.1f}" if abs(now_m) < 1e6 else f"{now_m / 1e3:.0f}"
    return now if then_m is None else f"{now} > {then_m / 1e3:.1f}"


def number(value: float | None) -> str:
    """A number without decimals; empty text where there is none."""
    return "" if value is None else f"{value:.0f}"


def clock(seconds: float | None) -> str:
    """m:ss.t, or nothing.

    >>> clock(75.04)
    '1:15.0'
    """
    if seconds is None:
        return ""
    tenths = round(abs(seconds) * 10.0)
    minutes, rest = divmod(tenths, 600)
    return f"{'-' if seconds < 0.0 and tenths else ''}{minutes}:{rest / 10.0:04.1f}"
