"""Who may connect and command what: CURVE keys, and the list of scripts in service.toml."""

from __future__ import annotations

import logging
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from zmq.utils import z85

from guidance_svc.errors import ConfigError, SessionFault
from guidance_svc.files.settings import AccessSettings
from guidance_svc.service.key_files import SERVICE, read_public, read_secret

OWN_NAME = "~service"  # no script can have that name
KNOWN_KEY_LIMIT = 1000  # unknown keys that are remembered, so that each is logged once

_log = logging.getLogger(__name__)


class Link(NamedTuple):
    """A connection: equal links are the same script's same connection.

    Args:
        transport: "zmq" or "tcp".
        peer: routing id, or number of the connection; never shown.
        script: whose key it showed; empty where there are no keys.
    """

    transport: str
    peer: Hashable
    script: str = ""


@dataclass(frozen=True, slots=True)
class KeyPair:
    """The service's own keys, in text form; the secret one is never shown."""

    public: bytes
    secret: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Script:
    """One entry of the list."""

    name: str
    vehicles: tuple[str, ...]

    def may_command(self, vehicle: str) -> bool:
        """Whether a vehicle's name is on its list."""
        return any(fnmatchcase(vehicle, pattern) for pattern in self.vehicles)


class Access:
    """The keys and the list; asked at the handshake and at each `open`.

    Args:
        pair: of the service.
        by_key: scripts by their raw public key, 32 bytes.
        json_lines: names and patterns of the vehicles that the JSON lines may command.

    The service's own key may ask for `health`, and commands nothing.
    """

    def __init__(self, pair: KeyPair, by_key: Mapping[bytes, Script], json_lines: tuple[str, ...] = ()) -> None:
        self.pair = pair
        self._lines = Script("json_lines", json_lines)
        self._by_key = {raw_key(pair.public, "access.keys"): Script(OWN_NAME, ()), **by_key}
        self._by_name = {script.name: script for script in self._by_key.values()}
        self._refused: dict[bytes, None] = {}

    def script_with(self, key: bytes, address: str) -> Script | None:
        """Whose public key this is; an unknown one is logged once.

        Args:
            key: 32 bytes; the handshake has shown that the peer holds the secret one.
            address: of the peer, for the log.
        """
        script = self._by_key.get(key)
        if script is None and key not in self._refused:
            self._refused[key] = None
            if len(self._refused) > KNOWN_KEY_LIMIT:
                del self._refused[next(iter(self._refused))]
            _log.warning("unknown key %s from %s refused (logged once a key)", sha256(key).hexdigest()[:16], address)
        return script

    def may_command(self, link: Hashable, vehicle: str) -> bool:
        """Whether a connection may command a vehicle: by its key's list, or that of the JSON lines."""
        script = self._script_of(link)
        return script is not None and script.may_command(vehicle)

    def may_see(self, link: Hashable, vehicle: str) -> bool:
        """Whether `health` shows a connection that vehicle: its own; every one to who holds the service's own key."""
        own = isinstance(link, Link) and link.script == OWN_NAME
        return own or self.may_command(link, vehicle)

    def _script_of(self, link: Hashable) -> Script | None:
        if not isinstance(link, Link):
            return None
        return self._lines if link.transport == "tcp" else self._by_name.get(link.script)

    def check(self, link: Hashable, vehicle: str) -> None:
        """Refuse an `open` of a vehicle that is not on the script's list.

        Raises:
            SessionFault: vehicle_not_allowed.
        """
        if self.may_command(link, vehicle):
            return
        script = self._script_of(link)
        allowed = ", ".join(script.vehicles) if script is not None and script.vehicles else "none"
        key = "json_lines" if script is self._lines else f"scripts.{script.name if script else ''}.vehicles"
        raise SessionFault("vehicle_not_allowed", "vehicle", f"one of {allowed} (access.{key})", vehicle)


def load_access(settings: AccessSettings) -> Access | None:
    """The keys and the list from their files; None where there are no keys.

    Raises:
        ConfigError: a file that is missing, malformed or readable by others; two scripts with one key.
    """
    if not settings.keys:
        if settings.scripts:
            expected = "the folder that `guidance-svc keys` made, where there are access.scripts"
            raise ConfigError("keys_missing", "access.keys", expected, "nothing")
        return None
    folder = Path(settings.keys)
    public, secret = read_secret(folder / f"{SERVICE}.key_secret", "access.keys")
    scripts: dict[bytes, Script] = {}
    for name, entry in settings.scripts.items():
        where = f"access.scripts.{name}.public_key"
        if entry.public_key_file is not None:
            text = read_public(folder / entry.public_key_file, f"{where}_file")
        else:
            text = (entry.public_key or "").encode()
        key = raw_key(text, where)
        if key in scripts:
            raise ConfigError("key_twice", where, "a key of its own", f"that of {scripts[key].name}")
        scripts[key] = Script(name, tuple(entry.vehicles))
    if not scripts:
        _log.warning("access.keys is set and access.scripts is empty: no script can connect over ZeroMQ")
    return Access(KeyPair(public, secret), scripts, tuple(settings.json_lines))


def raw_key(text: bytes, where: str) -> bytes:
    """The 32 bytes of a key in text form.

    Raises:
        ConfigError: not 40 characters of Z85.
    """
    try:
        key: bytes = z85.decode(text)
    except (ValueError, KeyError, OverflowError):
        key = b""
    if len(text) != 40 or len(key) != 32:
        raise ConfigError("bad_key", where, "the 40 characters of a public key", f"{len(text)} characters")
    return key
