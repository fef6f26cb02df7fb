"""Log lines: one record is one line with its vehicle and seq, whatever stands in it."""

from __future__ import annotations

import json
import logging
import os
import re
import shlex
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guidance_svc.errors import ConfigError
from guidance_svc.service.logs import FloodFilter, LineFormatter, set_up_logs
from guidance_svc.service.privileges import drop_privileges


def line(form: Any, text: str, *arguments: object, **extra: object) -> str:
    record = logging.LogRecord("x", logging.WARNING, "x.py", 1, text, arguments, None)
    record.created = 1_000_000_000.25
    record.__dict__.update(extra)
    return LineFormatter(form).format(record)


def test_a_line_carries_time_level_vehicle_and_seq() -> None:
    # 1,000,000,000 s after the epoch is 2001-09-09T01:46:40Z: POSIX time, worked by `date -u -d @1000000000`.
    assert line("logfmt", "%s opened", "it", vehicle="Curlew", seq=7) == (
        'time=2001-09-09T01:46:40.250Z level=warning vehicle=Curlew seq=7 text="it opened"'
    )


def test_fields_that_are_unknown_are_left_out() -> None:
    assert line("logfmt", "stopped", vehicle=None) == "time=2001-09-09T01:46:40.250Z level=warning text=stopped"


def test_json_lines_say_the_same() -> None:
    fields = json.loads(line("json", "a b", vehicle="Curlew", seq=7))
    assert fields == {
        "time": "2001-09-09T01:46:40.250Z", "level": "warning", "vehicle": "Curlew", "seq": 7, "text": "a b",
    }  # fmt: skip


@given(text=st.text(max_size=60))
def test_what_a_peer_sends_can_begin_neither_a_line_nor_a_field(text: str) -> None:
    # Second way: the shell's own rules for words and quotes (shlex) must find exactly these four fields.
    made = line("logfmt", "%s", text, vehicle="Curlew")
    assert made.isprintable()
    names = [word.partition("=")[0] for word in shlex.split(made)]
    assert names == ["time", "level", "vehicle", "text"]
    assert json.loads(line("json", "%s", text))["text"] == text
    assert line("json", "%s", text).isprintable()


def test_a_traceback_stays_on_its_line() -> None:
    try:
        raise ZeroDivisionError("a\nb")
    except ZeroDivisionError:
        record = logging.LogRecord("x", logging.ERROR, "x.py", 1, "bug", (), sys.exc_info())
    made = LineFormatter("logfmt").format(record)
    assert made.isprintable()
    assert "ZeroDivisionError" in made


def test_a_flood_of_lines_of_one_kind_is_thinned_and_counted_and_other_kinds_are_written() -> None:
    flood = FloodFilter(burst=5)

    def written(text: str, at_s: float, *values: object) -> str | None:
        record = logging.LogRecord("x", logging.WARNING, "x.py", 1, text, values, None)
        record.created = at_s
        return record.getMessage() if flood.filter(record) else None

    # 1000 lines in 10 s: five at once, then one a second; whole seconds later than the first one.
    lines = [written("connection %d closed", 0.01 * k, k) for k in range(1000)]
    kept = [text for text in lines if text is not None]
    assert len(kept) == pytest.approx(5 + 10, abs=1)
    assert kept[4] == "connection 4 closed"
    assert re.fullmatch(r"connection \d+ closed \((9\d|100) like it left out\)", kept[-1])
    assert written("another kind", 10.0) == "another kind"


def test_an_unknown_form_is_refused() -> None:
    with pytest.raises(ConfigError, match="one of logfmt, json"):
        set_up_logs("xml")


DROP = """
import os, sys
from guidance_svc.service.privileges import drop_privileges
drop_privileges(sys.argv[1])
try:
    os.setuid(0)
except PermissionError:
    print("gone", os.getuid(), os.getgid(), sorted(os.getgroups()))
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_root_is_given_up_for_good_with_its_groups() -> None:
    import grp
    import pwd

    entry = pwd.getpwnam("nobody")
    done = subprocess.run([sys.executable, "-c", DROP, "nobody"], capture_output=True, text=True, timeout=60)
    groups = sorted({entry.pw_gid, *(g.gr_gid for g in grp.getgrall() if "nobody" in g.gr_mem)})
    assert done.stdout.strip() == f"gone {entry.pw_uid} {entry.pw_gid} {groups}", done.stderr


def test_an_unknown_user_is_named() -> None:
    with pytest.raises(ConfigError, match="unknown user"):
        drop_privileges("no-such-user-here")
