"""Values of the session layer as bytes and back, exactly: what a session was, kept small, and fit for a file.

Dataclasses become lists of their fields, so the reader must know their shape; `shape` names it, and bytes of
another shape are not read. Nothing in the bytes can be executed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from hashlib import sha256
from operator import attrgetter
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgpack
import msgspec
import numpy as np

T = TypeVar("T")
Turn = Callable[[Any], Any]
OPEN: Final[dict[Any, Callable[[], tuple[type, ...]]]] = {}  # what stands for one of several types
PLAIN: Final = (float, int, str, bool, NoneType)  # what msgpack gives back as it was


def pack(value: object) -> bytes:
    """The bytes of a dataclass of this project; floats to the last bit."""
    kind: Any = type(value)
    return _encode(writer(kind)(value))


def unpack(kind: type[T], data: bytes) -> T:
    """The value of that type whose bytes these are.

    Raises:
        ValueError: these are no bytes of that type.
    """
    wanted: Any = kind
    try:
        value: T = reader(wanted)(msgpack.unpackb(data))
    except (TypeError, ValueError, LookupError, msgpack.UnpackException) as error:
        raise ValueError(f"no bytes of a {kind.__name__}: {error}") from None
    return value


def keep_open(name: TypeVar | type, kinds: Callable[[], tuple[type, ...]]) -> None:
    """A type parameter or a base class stands for one of several records or None, which may become more: each is kept
    with its name.
    """
    OPEN[name] = kinds


def shape(*kinds: type) -> str:
    """A short name for what the bytes of these types look like; it changes with any field of theirs."""
    return _shape(kinds, tuple(named() for named in OPEN.values()))


@cache
def _shape(kinds: tuple[type, ...], named: tuple[tuple[type, ...], ...]) -> str:
    """As `shape`; `named` are the types that stand behind open names now."""
    seen: dict[str, list[str]] = {}
    for kind in kinds:
        _describe(kind, seen)
    return sha256(repr(sorted(seen.items())).encode()).hexdigest()[:16]


@cache
def writer(kind: Any) -> Turn:
    """Turns a value of that type into what msgpack takes; numbers, texts and tuples of them go as they are.

    Raises:
        TypeError: a type that is not kept; raised when the program starts (`shape`), not when a state comes.
    """
    kind = behind(kind)
    if kind in OPEN:
        return _write_open
    if _is_record(kind):
        return _record_writer(kind)
    origin, args = class_of(kind), get_args(kind)
    if origin in (Union, UnionType):
        return _union(args, writer, lambda turns: lambda value: [name := type(value).__name__, turns[name](value)])
    if origin is tuple:
        turns = [writer(arg) for arg in args if arg is not Ellipsis]
        if all(turn is _as_it_is for turn in turns):
            return _as_it_is
        return lambda value: [turn(part) for turn, part in zip(_each(turns, args, value), value, strict=True)]
    if origin is frozenset:
        return sorted
    if origin is np.ndarray:
        return lambda value: value.tolist()
    return _plain_turn(kind)


@cache
def reader(kind: Any) -> Turn:
    """Turns what msgpack gives into a value of that type.

    Raises:
        TypeError: a type that is not kept.
    """
    kind = behind(kind)
    if kind in OPEN:
        named = OPEN[kind]
        return lambda value: None if value is None else reader(_kind_named(named(), value[0]))(value[1])
    if _is_record(kind):
        names = [name for name, _ in _hints(kind)]
        parts = [reader(hint) for _, hint in _hints(kind)]
        return lambda value: kind(**{n: turn(v) for n, turn, v in zip(names, parts, value, strict=True)})
    origin, args = class_of(kind), get_args(kind)
    if origin in (Union, UnionType):
        return _union(args, reader, lambda turns: lambda value: turns[value[0]](value[1]))
    if origin is tuple:
        turns = [reader(arg) for arg in args if arg is not Ellipsis]
        if all(turn is _as_it_is for turn in turns):
            return tuple
        return lambda value: tuple(turn(v) for turn, v in zip(_each(turns, args, value), value, strict=True))
    if origin is frozenset:
        return frozenset
    if origin is np.ndarray:
        return lambda value: np.array(value, dtype=np.float64)
    return _plain_turn(kind)


def _write_open(value: Any) -> list[Any] | None:
    kind: Any = type(value)
    return None if value is None else [kind.__name__, writer(kind)(value)]


def _kind_named(kinds: tuple[type, ...], name: str) -> type:
    return {kind.__name__: kind for kind in kinds}[name]


def _record_writer(kind: Any) -> Turn:
    names = [name for name, _ in _hints(kind)]
    turns = [(at, turn) for at, (_, hint) in enumerate(_hints(kind)) if (turn := writer(hint)) is not _as_it_is]
    get: Callable[[Any], Any] = attrgetter(*names) if len(names) > 1 else lambda value: (getattr(value, names[0]),)
    if not names:
        return lambda value: []
    if not turns and not is_dataclass(kind):
        return _as_it_is

    def turned(value: Any) -> list[Any]:
        row = list(get(value))
        for at, turn in turns:
            row[at] = turn(row[at])
        return row

    return turned


def _union(args: tuple[Any, ...], make: Callable[[Any], Turn], named: Callable[[dict[str, Turn]], Turn]) -> Turn:
    """One type or None goes as it is; of several dataclasses each goes with its name."""
    kinds = [arg for arg in args if arg is not NoneType]
    turn = make(kinds[0]) if len(kinds) == 1 else named({kind.__name__: make(kind) for kind in kinds})
    if turn is _as_it_is:
        return turn
    return lambda value: None if value is None else turn(value)


def _each(turns: list[Turn], args: tuple[Any, ...], value: Any) -> list[Turn]:
    return turns * len(value) if Ellipsis in args else turns


def _plain(value: object) -> object:
    """numpy's own numbers, which a caller in this process may bring along, as Python's."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} cannot be kept")


_encode: Final = msgspec.msgpack.Encoder(enc_hook=_plain).encode


def _plain_turn(kind: Any) -> Turn:
    if kind in PLAIN or get_origin(kind) is Literal:
        return _as_it_is
    raise TypeError(f"{kind!r} cannot be kept: expected a dataclass, a number, a text, a tuple, a set or an array")


def _as_it_is(value: Any) -> Any:
    return value


def behind(kind: Any) -> Any:
    """The type that a name stands for: `type X = ...`, with or without parameters, `NewType`, `Annotated`.

    Libraries change such names from one form to another: numpy's `NDArray` was a plain alias up to 2.4.
    """
    while True:
        origin = get_origin(kind)
        if origin is Annotated:
            kind = get_args(kind)[0]
        elif hasattr(origin, "__value__"):
            kind = _substituted(origin, get_args(kind))
        elif origin is None and hasattr(kind, "__value__"):
            kind = kind.__value__
        elif hasattr(kind, "__supertype__"):
            kind = kind.__supertype__
        elif _is_record(origin):
            kind = origin
        else:
            return kind


def _substituted(alias: Any, args: tuple[Any, ...]) -> Any:
    """What an alias with parameters stands for, with these arguments in their places."""
    value = alias.__value__
    given = dict(zip(alias.__type_params__, args, strict=False))
    asked = tuple(given[parameter] for parameter in getattr(value, "__parameters__", ()))
    return value[asked] if asked else value


def class_of(kind: Any) -> Any:
    """The class, `Union` or `Literal` behind a hint, its arguments left out."""
    kind = behind(kind)
    return get_origin(kind) or kind


def _is_record(kind: Any) -> bool:
    """A dataclass or a named tuple."""
    return is_dataclass(kind) or (isinstance(kind, type) and issubclass(kind, tuple) and hasattr(kind, "_fields"))


@cache
def _hints(kind: Any) -> tuple[tuple[str, Any], ...]:
    """What it is made with: names and types, in order."""
    hints = get_type_hints(kind)
    names = [field.name for field in fields(kind) if field.init] if is_dataclass(kind) else kind._fields
    return tuple((name, hints[name]) for name in names)


def _describe(kind: Any, seen: dict[str, list[str]]) -> None:
    """Note a type and all it is made of.

    Raises:
        TypeError: a type that is not kept.
    """
    kind = behind(kind)
    writer(kind)
    if kind in OPEN:
        for kept in OPEN[kind]():
            _describe(kept, seen)
        return
    if class_of(kind) in (Literal, np.ndarray):
        return
    for arg in get_args(kind):
        if arg is not Ellipsis:
            _describe(arg, seen)
    if _is_record(kind) and kind.__name__ not in seen:
        seen[kind.__name__] = [f"{name} {_text(hint)}" for name, hint in _hints(kind)]
        for _, hint in _hints(kind):
            _describe(hint, seen)


def _text(kind: Any) -> str:
    """A hint in words that are the same in every version of Python and numpy."""
    kind = behind(kind)
    if kind in OPEN:
        return f"open {kind.__name__}"
    origin, args = class_of(kind), get_args(kind)
    if origin is Literal:
        return f"one of {args!r}"
    name = "Union" if origin in (Union, UnionType) else origin.__name__
    if not args or origin is np.ndarray:
        return str(name)
    return f"{name}[{', '.join('...' if arg is Ellipsis else _text(arg) for arg in args)}]"
