"""The service's own settings: addresses, access, limits, recordings; the reasons stand in configs/service.toml."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, Field, model_validator

from guidance_svc.session.budget import HISTORY_MEMORY_BYTES
from guidance_svc.session.session import HISTORY_BYTES
from guidance_svc.wire.plans import MODEL

Count = Annotated[int, Field(ge=1, le=1_000_000)]
Vehicles = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.\-*?]{1,64}$")]
"""Name of a vehicle; `*` and `?` stand for any characters."""


class Addresses(BaseModel):
    """Where the service listens."""

    model_config = MODEL

    zmq: str = "tcp://127.0.0.1:5770"
    """ROUTER; beyond loopback only with keys."""
    tcp: str = "127.0.0.1:5771"
    """JSON lines, loopback only; empty: none, which is the default where there are keys."""


class ScriptAccess(BaseModel):
    """One script that may connect, known by its key."""

    model_config = MODEL

    public_key: Annotated[str, Field(pattern=r"^[!-~]{40}$")] | None = None
    """In the text form of CURVE keys (Z85)."""
    public_key_file: str | None = None
    """Instead: the file NAME.key, in the folder of the keys unless the path is absolute."""
    vehicles: Annotated[list[Vehicles], Field(min_length=1)]
    """Names of vehicles that it may command; `*` and `?` stand for any characters."""

    @model_validator(mode="after")
    def _one_key(self) -> ScriptAccess:
        if (self.public_key is None) == (self.public_key_file is None):
            raise ValueError("either public_key or public_key_file")
        return self


class AccessSettings(BaseModel):
    """Keys, and which key may command which vehicles."""

    model_config = MODEL

    keys: str = ""
    """Folder that `guidance-svc keys` made; empty: no keys, loopback only."""
    scripts: dict[Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]{0,63}$")], ScriptAccess] = {}
    json_lines: list[Vehicles] = []
    """Vehicles that the JSON lines, which have no keys, may command where there are keys."""

    @model_validator(mode="after")
    def _lines_with_keys(self) -> AccessSettings:
        if self.json_lines and not self.keys:
            raise ValueError("json_lines only where there are keys: without them every program may command any vehicle")
        return self


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
    zmq_unread_messages: Count = 64
    """Of one script, held before the service reads them; beyond it the script's own queue grows."""
    zmq_connections: Count = 600
    message_frames: Count = 1000
    """Frames of one ZeroMQ message; beyond it the connection is cut."""
    unfinished_bytes: Annotated[int, Field(ge=65536, le=1_073_741_824)] = 8_388_608
    """What a ZeroMQ connection may send without a message that the service gets to read; beyond it it is cut."""
    batch_messages: Count = 16
    """Messages answered before their replies go out."""
    batch_per_connection: Count = 4
    """Messages of one connection in a batch."""
    batch_us_per_connection: Count = 500
    """Time that they may take; the one that exceeds it is the last."""
    unanswered_per_second: Count = 1000
    """Messages of one connection sent while an earlier one waits for its reply."""
    sessions: Count = 1000
    history_bytes: Annotated[int, Field(ge=65536, le=1 << 30)] = HISTORY_BYTES
    """Past states of one session, in memory and in the journal; a reload within them is exact."""
    history_memory_bytes: Annotated[int, Field(ge=1 << 20, le=1 << 40)] = HISTORY_MEMORY_BYTES
    """What the histories of all sessions take of the memory together; older states are left in the journal."""
    idle_expiry_s: Annotated[float, Field(gt=0.0, le=1e9)] = 604_800.0
    """Real time without a message after which a session is given up."""
    handshake_ms: Count = 1000
    heartbeat_ms: Count = 5000
    """How often the system asks an idle peer whether it is there; after three tries in vain its connection ends."""


class Recording(BaseModel):
    """The section `recording`: where recordings go and how long they stay."""

    model_config = MODEL

    folder: str = "recordings"
    """Empty: none is made."""
    rotate_bytes: Annotated[int, Field(ge=65536, le=1 << 40)] = 1 << 28
    """A recording goes on in a new file beyond this."""
    keep_bytes: Annotated[int, Field(ge=0, le=1 << 50)] = 0
    """Of all recordings in the folder; the oldest are removed. 0: none ever is."""


class JournalSettings(BaseModel):
    """Where sessions are kept so that they come back."""

    model_config = MODEL

    folder: str = "journal"
    """Empty: sessions end with the service."""


class BoardSettings(BaseModel):
    """The section `board`: the live page."""

    model_config = MODEL

    address: str = "127.0.0.1:5772"
    """HTTP, loopback only; port 0 takes any free one."""


class Settings(BaseModel):
    """Every section of configs/service.toml."""

    model_config = MODEL

    addresses: Addresses = Addresses()
    access: AccessSettings = AccessSettings()
    limits: Limits = Limits()
    recording: Recording = Recording()
    journal: JournalSettings = JournalSettings()
    board: BoardSettings = BoardSettings()

    @model_validator(mode="after")
    def _no_keyless_way_beside_keys(self) -> Settings:
        if self.access.keys and "tcp" not in self.addresses.model_fields_set:
            self.addresses = self.addresses.model_copy(update={"tcp": ""})
        return self
