"""Addresses to listen on; loopback only."""

from __future__ import annotations

from ipaddress import AddressValueError, IPv4Address

from guidance_svc.errors import ConfigError


def zmq_endpoint(address: str, key: str = "addresses.zmq") -> str:
    """``tcp://127.0.0.1:PORT``, checked.

    Raises:
        ConfigError: another form, or not loopback.

    >>> zmq_endpoint("tcp://localhost:0")
    'tcp://127.0.0.1:0'
    """
    if not address.startswith("tcp://"):
        raise ConfigError("bad_address", key, "tcp://127.0.0.1:PORT", address)
    host, port = host_and_port(address.removeprefix("tcp://"), key)
    return f"tcp://{host}:{port}"


def host_and_port(address: str, key: str = "addresses.tcp") -> tuple[str, int]:
    """``127.0.0.1:PORT``, checked.

    Raises:
        ConfigError: another form, or not loopback.

    >>> host_and_port("127.0.0.1:5771")
    ('127.0.0.1', 5771)
    """
    host, _, port = address.rpartition(":")
    host = "127.0.0.1" if host == "localhost" else host
    if not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise ConfigError("bad_address", key, "HOST:PORT with a port from 0 to 65535", address)
    try:
        loopback = IPv4Address(host).is_loopback
    except AddressValueError:
        raise ConfigError("bad_address", key, "an IPv4 loopback address such as 127.0.0.1", address) from None
    if not loopback:
        expected = "a loopback address, 127.0.0.0/8; a wider one needs keys, which come with a later version"
        raise ConfigError("address_not_loopback", key, expected, address)
    return host, int(port)
