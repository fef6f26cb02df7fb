"""The service's own settings: addresses, limits, recordings; each limit's reason stands in configs/service.toml."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, Field

from guidance_svc.wire.plans import MODEL

Count = Annotated[int, Field(ge=1, le=1_000_000)]


class Addresses(BaseModel):
    """Where the service listens; loopback only."""

    model_config = MODEL

    zmq: str = "tcp://127.0.0.1:5770"
    """ROUTER."""
    tcp: str = "127.0.0.1:5771"
    """JSON lines."""


class Limits(BaseModel):
    """Caps on everything that a peer can make grow."""

    model_config = MODEL

    message_bytes: Annotated[int, Field(ge=1024, le=16_777_216)] = 65536
    """Longest frame or line."""
    tcp_connections: Count = 256
    tcp_unsent_bytes: Annotated[int, Field(ge=4096, le=1_073_741_824)] = 1_048_576
    """Replies held for a script that does not read; beyond it the connection is closed."""
    zmq_queue_messages: Count = 1000
    """High-water mark, per script and direction; replies beyond it are dropped."""
    batch_messages: Count = 256
    """Messages taken before their replies go out."""
    sessions: Count = 1000
    handshake_ms: Count = 1000
    heartbeat_ms: Count = 5000


class Recording(BaseModel):
    """Where recordings go."""

    model_config = MODEL

    folder: str = "recordings"
    """Empty: none is made."""


class Settings(BaseModel):
    """configs/service.toml."""

    model_config = MODEL

    addresses: Addresses = Addresses()
    limits: Limits = Limits()
    recording: Recording = Recording()
