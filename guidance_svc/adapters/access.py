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

from guidance_svc.adapters.key_files import SERVICE, read_public, read_secret
from guidance_svc.adapters.settings import AccessSettings
from guidance_svc.errors import ConfigError, SessionFault

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
    """

    def __init__(self, pair: KeyPair, by_key: Mapping[bytes, Script]) -> None:
        self.pair = pair
        self._by_key = dict(by_key)
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
        """Whether a connection may command a vehicle; JSON lines, which have no keys and stay on loopback, may."""
        if not isinstance(link, Link):
            return False
        script = self._by_name.get(link.script)
        return link.transport == "tcp" or (script is not None and script.may_command(vehicle))

    def check(self, link: Hashable, vehicle: str) -> None:
        """Refuse an `open` of a vehicle that is not on the script's list.

        Raises:
            SessionFault: vehicle_not_allowed.
        """
        if self.may_command(link, vehicle):
            return
        name = link.script if isinstance(link, Link) else ""
        script = self._by_name.get(name)
        allowed = ", ".join(script.vehicles) if script is not None else "none"
        raise SessionFault(
            "vehicle_not_allowed", "vehicle", f"one of {allowed} (access.scripts.{name}.vehicles)", vehicle
        )


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
    return Access(KeyPair(public, secret), scripts)


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
