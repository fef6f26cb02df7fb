"""Valid messages made wrong, knowing what a message looks like; and bytes that are none. All by seed."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from random import Random
from typing import Any, Final

import msgpack

from guidance_svc.wire.codec import Encoding

Pairs = list[tuple[Any, Any]]

NUMBERS: Final = (
    0, -1, 1, 2**31, 2**53, 2**53 + 1, 2**63 - 1, -(2**63), 2**64 - 1, 2**64, 10**40, -0.0, 5e-324, -5e-324, 1e-300,
    1e12, 1e13, -1e13, 1.1e13, 1e24, 1e100, 1.7976931348623157e308, -1.7976931348623157e308,
    float("nan"), float("inf"), float("-inf"),
)  # fmt: skip
TEXTS: Final = (
    "", "0", "5.0", "NaN", "null", "\x00", "\n", "\r\n", "\x1b[31m", "../../etc/passwd", "..", "a" * 65, "a" * 129,
    "é" * 40, "\u202e", "\ufeff", "\ud800", "a\udcffb", "\U0001f680", "%s%n", "{}", "__class__", "x" * 3000,
    "x" * 70_000, "open", "state", "close", "opened", "command", "fault", "health", "curlew_to_lagoon", "earth",
    "only", "hold", "0-0-cutoff", "1-0-orbit", "99999999-0-cutoff",
)  # fmt: skip
ODD_BYTES: Final = (
    b"\x00", b"\xff", b"\xef\xbb\xbf", b"\xc1", b"\x80", b"\xdd\xff\xff\xff\xff", b"\xdf\xff\xff\xff\xff",
    b"\xdb\xff\xff\xff\xff", b"\xc6\xff\xff\xff\xff", b"\xc9\xff\xff\xff\xff\x05", b"\xdc\xff\xff", b"\xde\xff\xff",
    b"\xd6\xff\x00\x00\x00\x00", b"\xc7\x0c\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff", b"\xd4\x05\x00",
    b"\xed\xa0\x80", b"\\ud800", b"\\u0000", b"1e999999", b"-", b"NaN", b"Infinity", b"}", b"{", b"[" * 50, b"\n",
    b"\r",
)  # fmt: skip


def odd_value(draw: Random) -> Any:
    """Something that stands nowhere in a message, or not there."""
    kind = draw.randrange(12)
    if kind < 4:
        return draw.choice(NUMBERS)
    if kind < 7:
        return draw.choice(TEXTS)
    if kind == 7:
        return draw.choice((None, True, False, b"", b"\xff\xfe", b"x" * 300))
    if kind == 8:
        return draw.choice(
            ([], {}, [[]], [None] * 3, [0.0] * 3, [1.0, 0, 0.0], [0.0] * 5000, {"x": {}}, {"law": "hold"})
        )
    if kind == 9:
        return nested(draw, draw.choice((2, 30, 500, 900)))
    if kind == 10:
        return draw.choice((msgpack.ExtType(5, b"\x00" * 3), msgpack.Timestamp(1, 5), msgpack.ExtType(127, b"")))
    return draw.uniform(-1.0, 1.0) * 10.0 ** draw.randint(-30, 30)


def nested(draw: Random, depth: int) -> Any:
    """Lists or tables in one another."""
    value: Any = 1
    as_list = draw.random() < 0.5
    for _ in range(depth):
        value = [value] if as_list else {"x": value}
    return value


def places(node: Any, found: list[tuple[Any, Any]] | None = None, depth: int = 12) -> list[tuple[Any, Any]]:
    """Every (container, key) in a message, to some depth, and not each of a long list."""
    found = [] if found is None else found
    for key in list(node)[:50] if isinstance(node, dict) else range(min(50, len(node))):
        found.append((node, key))
        if depth > 1 and isinstance(node[key], dict | list):
            places(node[key], found, depth - 1)
    return found


def scaled(value: Any, draw: Random) -> Any:
    """A number near the one that was there, or another unit's."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return odd_value(draw)
    factor = draw.choice((1000.0, 0.001, -1.0, 57.29577951308232, 1.0 + 1e-15, 0.0, 1e9, 2.0, 0.5, 0.3048))
    return int(value * factor) if isinstance(value, int) and draw.random() < 0.7 else value * factor


def drop(holder: Any, key: Any, draw: Random) -> None:
    """A field, or an item of a list, that is not there."""
    del holder[key]


def rename(holder: Any, key: Any, draw: Random) -> None:
    """A misspelt field; in a list, another value."""
    if isinstance(holder, list):
        holder[key] = odd_value(draw)
        return
    text = str(key)
    names = (text.upper(), text[:-1], text + "s", text.replace("_", "-"), draw.choice(TEXTS), text + "\x00", f" {text}")
    holder[draw.choice(names)] = holder.pop(key)


def replaced(holder: Any, key: Any, draw: Random) -> None:
    """Another type, or an extreme number."""
    holder[key] = odd_value(draw)


def nudged(holder: Any, key: Any, draw: Random) -> None:
    """The right type and a doubtful value."""
    holder[key] = scaled(holder[key], draw)


def wrapped(holder: Any, key: Any, draw: Random) -> None:
    """One level too deep."""
    holder[key] = [holder[key]] if draw.random() < 0.5 else {"value": holder[key]}


def added(holder: Any, key: Any, draw: Random) -> None:
    """One more field or item."""
    if isinstance(holder, list):
        holder.append(odd_value(draw))
    else:
        name = draw.choice(("extra", "latitude_deg", "resume", "detail", "seen_event", "", *TEXTS[:20]))
        holder[name] = odd_value(draw)


def swapped(holder: Any, key: Any, draw: Random) -> None:
    """Two values that changed places."""
    other = draw.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
    holder[key], holder[other] = holder[other], holder[key]


CHANGES: Final[tuple[Callable[[Any, Any, Random], None], ...]] = (
    drop, rename, replaced, replaced, nudged, nudged, wrapped, added, swapped,
)  # fmt: skip


def changed(message: dict[str, Any], draw: Random) -> Pairs:
    """The message with one to three changes; pairs, because a key may come twice."""
    message = msgpack.unpackb(msgpack.packb(message))  # a copy
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        where = places(message)
        if where:
            draw.choice(CHANGES)(*draw.choice(where), draw)
    pairs: Pairs = list(message.items())
    if pairs and draw.random() < 0.05:  # a key twice, the second time with something else
        pairs.append((draw.choice(pairs)[0], odd_value(draw)))
    if draw.random() < 0.03:
        pairs.insert(draw.randrange(len(pairs) + 1), (draw.choice((7, None, b"type", 1.5, True)), odd_value(draw)))
    if draw.random() < 0.1:
        draw.shuffle(pairs)
    return pairs


def as_msgpack(pairs: Pairs) -> bytes:
    """MessagePack of what may not fit into it: then the nearest that does."""
    packer = msgpack.Packer(unicode_errors="surrogatepass")
    try:
        packed: bytes = packer.pack_map_pairs(pairs)
        return packed
    except (OverflowError, ValueError):  # beyond 64 bits, or nested too deep for the packer
        return bytes(msgpack.packb({str(key)[:50]: repr(value)[:50] for key, value in pairs}, unicode_errors="replace"))


def as_json(pairs: Pairs, draw: Random) -> bytes:
    """JSON as other languages may write it: bare NaN, lone surrogates, spaces, everything escaped or nothing."""
    ascii_only, gap = draw.random() < 0.7, draw.choice(("", " ", "\t"))
    encode = json.JSONEncoder(ensure_ascii=ascii_only, default=repr).encode
    body = ",".join(f"{gap}{encode(str(key))}:{gap}{encode(value)}" for key, value in pairs)
    return b"{" + body.encode("utf-8", "surrogatepass") + b"}"


def damaged(payload: bytes, draw: Random) -> bytes:
    """Bytes lost, added, flipped or doubled on the way."""
    data = bytearray(payload)
    for _ in range(draw.choice((1, 1, 2, 5))):
        at = draw.randrange(len(data) + 1)
        kind = draw.randrange(6)
        if kind == 0:
            del data[at:]
        elif kind == 1:
            data[at:at] = draw.choice(ODD_BYTES)
        elif kind == 2 and at < len(data):
            data[at] ^= 1 << draw.randrange(8)
        elif kind == 3:
            odd = draw.choice(ODD_BYTES)
            data[at : at + len(odd)] = odd
        elif kind == 4:
            data += data[at : at + 64]
        else:
            data[at : at + draw.randrange(9)] = draw.randbytes(draw.randrange(9))
    return bytes(data)


def raw(draw: Random) -> bytes:
    """No message at all: noise, bombs, other protocols."""
    length = draw.choice((0, 1, 2, 9, 100, 1000))
    makers: tuple[Callable[[], bytes], ...] = (
        lambda: draw.randbytes(length),
        lambda: b"{" + draw.randbytes(length),
        lambda: b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        lambda: draw.choice((b"{", b"[", b'{"a":', b"[[],", b"\x91", b"\x81\xa1a", b'"')) * draw.choice((3, 900, 9000)),
        lambda: b'{"type":"state","seq":' + b"9" * draw.choice((20, 400, 4301, 60_000)) + b"}",
        lambda: b'{"type":"state","seq":1,"time_s":0.' + b"1" * draw.choice((400, 60_000)) + b"}",
        lambda: b"\x81\xa4type" + draw.choice(ODD_BYTES),
        lambda: draw.choice((b"\xdd", b"\xdf", b"\xdb")) + struct.pack(">I", draw.randrange(2**32)) + b"\xa1x" * 9,
        lambda: b"\xef\xbb\xbf" + b'{"type":"close"}',
        lambda: '{"type":"close"}'.encode(draw.choice(("utf-16", "utf-32", "utf-7"))),
        lambda: b'{"type":"close"}' + b" " * draw.choice((1, 65_520, 65_530)) + draw.choice((b"", b"x", b"\x00")),
        lambda: b'{"type":"' + draw.choice(TEXTS).encode("utf-8", "surrogatepass") + b'"}',
        lambda: msgpack.packb(odd_value(draw), unicode_errors="replace", default=repr) if length else b"\xc0",
        lambda: b"A" * draw.choice((65_535, 65_536, 65_537, 200_000)),
    )  # fmt: skip
    try:
        return draw.choice(makers)()
    except (OverflowError, ValueError):  # a number or a depth that the packer does not take
        return b"\xcf" + b"\xff" * 8


def mutation(message: dict[str, Any], draw: Random, encoding: Encoding | None = None) -> bytes:
    """The bytes of one bad message, now and then of one that is good all the same.

    Args:
        message: a good one.
        encoding: None draws one.
    """
    encoding = encoding or draw.choice(("msgpack", "json"))
    part = draw.random()
    if part < 0.12:
        return raw(draw)
    pairs = changed(message, draw) if part < 0.85 else list(message.items())
    payload = as_json(pairs, draw) if encoding == "json" else as_msgpack(pairs)
    return damaged(payload, draw) if part > 0.75 else payload
