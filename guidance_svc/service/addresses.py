"""Addresses to listen on: loopback, and for ZeroMQ with keys any other."""

from __future__ import annotations

from ipaddress import AddressValueError, IPv4Address

from guidance_svc.errors import ConfigError

NO_KEYS = "a loopback address, 127.0.0.0/8; a wider one needs keys: `guidance-svc keys`, then access.keys"
LINES_HAVE_NO_KEYS = 'a loopback address, 127.0.0.0/8: there are no keys on the JSON lines; "" turns them off'


def zmq_endpoint(address: str, key: str = "addresses.zmq", with_keys: bool = False) -> str:
    """``tcp://HOST:PORT``, checked.

    Args:
        with_keys: whether only scripts with a known key can connect; without, loopback alone is allowed.

    Raises:
        ConfigError: another form, or not loopback.

    >>> zmq_endpoint("tcp://localhost:0")
    'tcp://127.0.0.1:0'
    >>> zmq_endpoint("tcp://0.0.0.0:5770", with_keys=True)
    'tcp://0.0.0.0:5770'
    """
    if not address.startswith("tcp://"):
        raise ConfigError("bad_address", key, "tcp://127.0.0.1:PORT", address)
    host, port, loopback = _parts(address.removeprefix("tcp://"), key)
    if not (loopback or with_keys):
        raise ConfigError("address_not_loopback", key, NO_KEYS, address)
    return f"tcp://{host}:{port}"


def host_and_port(address: str, key: str = "addresses.tcp") -> tuple[str, int]:
    """``127.0.0.1:PORT``, checked.

    Raises:
        ConfigError: another form, or not loopback.

    >>> host_and_port("127.0.0.1:5771")
    ('127.0.0.1', 5771)
    """
    host, port, loopback = _parts(address, key)
    if not loopback:
        raise ConfigError("address_not_loopback", key, LINES_HAVE_NO_KEYS, address)
    return host, port


def _parts(address: str, key: str) -> tuple[str, int, bool]:
    """Host, port, and whether it is loopback."""
    host, _, port = address.rpartition(":")
    host = {"localhost": "127.0.0.1", "*": "0.0.0.0"}.get(host, host)
    if not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise ConfigError("bad_address", key, "HOST:PORT with a port from 0 to 65535", address)
    try:
        return host, int(port), IPv4Address(host).is_loopback
    except AddressValueError:
        raise ConfigError("bad_address", key, "an IPv4 address such as 127.0.0.1", address) from None
