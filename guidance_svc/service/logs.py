"""Log lines for people and machines: one record, one line, whatever a peer has sent.

    time=2026-11-25T16:46:12.123Z level=warning vehicle=Curlew seq=12 text="fault 1 of Curlew: ..."
"""

from __future__ import annotations

import json
import logging
import sys
import time
from typing import Final, Literal, TextIO, get_args

from guidance_svc.errors import ConfigError

Form = Literal["logfmt", "json"]
FIELDS: Final = ("vehicle", "seq")  # that a call may give through `extra`
BURST: Final = 200  # lines of one kind at once: a hundred vehicles that open after a restart

_ESCAPES: Final = {'"': '\\"', "\\": "\\\\"}


class LineFormatter(logging.Formatter):
    """One record as one line of key=value pairs, or as one JSON object.

    Control characters, line ends and anything else that does not print are escaped: what a script sends cannot
    begin a line of its own, nor a field.
    """

    def __init__(self, form: Form = "logfmt") -> None:
        super().__init__()
        self._form = form

    def format(self, record: logging.LogRecord) -> str:
        """The line, without its end."""
        fields: dict[str, object] = {"time": _utc(record.created), "level": record.levelname.lower()}
        for name in FIELDS:
            value = getattr(record, name, None)
            if value is not None:
                fields[name] = value
        fields["text"] = record.getMessage()
        if record.exc_info:
            fields["trace"] = self.formatException(record.exc_info)
        if self._form == "json":
            return json.dumps(fields)
        return " ".join(f"{name}={_value(value)}" for name, value in fields.items())


class FloodFilter(logging.Filter):
    """Lets through of each kind of line (the text before its values are put in) a burst, then one a second.

    A peer that comes back again and again must not fill the disk; what was left out is counted on the next line.
    """

    def __init__(self, burst: int = BURST) -> None:
        super().__init__()
        self._burst = float(burst)
        self._kinds: dict[str, tuple[float, float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the line is written."""
        kind, now_s = str(record.msg), record.created
        tokens, at_s, left_out = self._kinds.get(kind, (self._burst, now_s, 0))
        tokens = min(self._burst, tokens + max(0.0, now_s - at_s))
        if tokens < 1.0:
            self._kinds[kind] = (tokens, now_s, left_out + 1)
            return False
        if left_out:
            record.msg = f"{kind} ({left_out} like it left out)"
        self._kinds[kind] = (tokens - 1.0, now_s, 0)
        return True


def set_up_logs(form: str, stream: TextIO | None = None) -> None:
    """Log to standard error in the chosen form, from `info` upwards.

    Raises:
        ConfigError: no such form.
    """
    if form not in get_args(Form):
        raise ConfigError("bad_value", "--log-format", f"one of {', '.join(get_args(Form))}", form)
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.addFilter(FloodFilter())
    handler.setFormatter(LineFormatter("json" if form == "json" else "logfmt"))
    logging.basicConfig(level=logging.INFO, handlers=[handler])


def _utc(seconds: float) -> str:
    whole = int(seconds)
    return f"{time.strftime('%Y-%m-%dT%H:%M:%S', time.gmtime(whole))}.{int(1000 * (seconds - whole)):03d}Z"


def _value(value: object) -> str:
    """As it is where that is safe, else in quotes with escapes."""
    text = str(value)
    if text and all(c.isprintable() and c not in ' "\'=\\' for c in text):
        return text
    inner = "".join(_ESCAPES.get(c) or (c if c.isprintable() else _escape(c)) for c in text)
    return f'"{inner}"'


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
