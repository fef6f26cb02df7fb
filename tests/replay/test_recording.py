"""What a recording holds, and that it is readable up to any cut."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from flown import fly
from mcap.reader import make_reader

from guidance_svc.errors import RecordingError
from guidance_svc.playback.recordings import RecordedMessage, RecordedPlan, RecordingReader

MESSAGE_OPCODE = 0x05  # MCAP specification, version 0: record = opcode (1 byte), length (8 bytes LE), content
MAGIC = b"\x89MCAP0\r\n"


def messages(path: Path) -> list[RecordedMessage]:
    return [entry for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]


def record_ends(data: bytes) -> list[tuple[int, int]]:
    """(opcode, end) of every record, by the framing of the specification alone."""
    found, at = [], len(MAGIC)
    while at < len(data):
        length = int.from_bytes(data[at + 1 : at + 9], "little")
        found.append((data[at], at + 9 + length))
        at += 9 + length
    return found


def test_every_message_in_and_out_is_there_in_order(tmp_path: Path) -> None:
    found = messages(fly(tmp_path / "a.mcap", steps=6))
    assert Counter(m.type for m in found) == {
        "open": 3, "opened": 3, "state": 12, "command": 12, "refused": 3, "fault": 3, "close": 1, "closed": 1,
    }  # fmt: skip
    assert [m.direction for m in found] == ["in", "out"] * (len(found) // 2)
    assert [m.time_ns for m in found] == sorted(m.time_ns for m in found)
    assert {m.vehicle for m in found if m.type == "state"} == {"kite-1", "kite-2"}


def test_the_flight_plan_is_there_without_references(tmp_path: Path) -> None:
    reader = RecordingReader(fly(tmp_path / "a.mcap", steps=2))
    (plan,) = [entry for entry in reader.entries() if isinstance(entry, RecordedPlan)]
    assert plan.table["vehicle"]["stages"][0]["thrust_n"] == 1e5
    assert plan.table["body"]["radius_m"] == 6378137.0
    assert reader.about["version"] == "test"


@pytest.mark.parametrize("close", [True, False])
def test_no_token_is_ever_written(tmp_path: Path, close: bool) -> None:
    path = fly(tmp_path / "a.mcap", steps=4, close=close)
    text = path.read_bytes() if not close else repr(messages(path)).encode()
    assert b"(not recorded)" in text
    assert b"secret-" not in text
    assert b"wrong" not in text.replace(b"wrong_token", b"").replace(b"wrong token", b"")


def test_compacting_changes_no_message_and_indexes_the_file(tmp_path: Path) -> None:
    live, closed = fly(tmp_path / "live.mcap", close=False), fly(tmp_path / "closed.mcap")
    assert messages(live) == messages(closed)
    assert closed.stat().st_size < live.stat().st_size / 2  # zstd on JSON; a failed rewrite would leave it larger
    with closed.open("rb") as file:  # the library's own seeking reader, which needs the index
        read = list(make_reader(file).iter_messages(log_time_order=True))
    assert len(read) == len(messages(closed))
    assert {schema.encoding for schema, _, _ in read if schema} == {"jsonschema"}


def test_a_recording_cut_at_any_byte_of_its_last_messages_is_read_to_its_last_whole_one(tmp_path: Path) -> None:
    data = fly(tmp_path / "live.mcap", steps=1, close=False, detail=False).read_bytes()
    ends = [end for opcode, end in record_ends(data) if opcode == MESSAGE_OPCODE]
    cut_file = tmp_path / "cut.mcap"
    for size in range(ends[-4], len(data) + 1):
        cut_file.write_bytes(data[:size])
        reader = RecordingReader(cut_file)
        read = sum(isinstance(entry, RecordedMessage) for entry in reader.entries())
        assert read == sum(end <= size for end in ends)
        assert reader.cut


def test_a_recording_cut_at_every_ninth_byte_of_its_beginning_is_read_without_an_error(tmp_path: Path) -> None:
    data = fly(tmp_path / "live.mcap", steps=1, close=False).read_bytes()
    first = next(end for opcode, end in record_ends(data) if opcode == MESSAGE_OPCODE)
    cut_file = tmp_path / "cut.mcap"
    for size in range(1, first, 9):
        cut_file.write_bytes(data[:size])
        assert messages(cut_file) == []


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty_recording"),
        (b"not a recording at all", "foreign_recording"),
        (b"PK\x03", "foreign_recording"),
        (MAGIC + b"\x01\x08" + b"\0" * 15, "foreign_recording"),  # a header: 8 bytes, profile "", library ""
        (MAGIC + b"\x03" + b"\xff" * 40, "damaged_recording"),
    ],
    ids=["empty", "text", "three bytes of another format", "an MCAP file of another program", "a length beyond reason"],
)  # fmt: skip
def test_a_file_that_is_no_recording_is_named(tmp_path: Path, data: bytes, code: str) -> None:
    path = tmp_path / "x.mcap"
    path.write_bytes(data)
    with pytest.raises(RecordingError, match=r"x\.mcap") as caught:
        messages(path)
    assert caught.value.code == code


def test_a_flipped_byte_is_an_error_or_a_message_but_never_a_traceback_of_another_kind(tmp_path: Path) -> None:
    data = fly(tmp_path / "live.mcap", steps=1, close=False).read_bytes()
    path, damaged = tmp_path / "flipped.mcap", 0
    for at in range(0, len(data), 29):
        path.write_bytes(data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :])
        try:
            messages(path)
        except RecordingError:
            damaged += 1
    assert damaged > 0


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        fly(path)
    assert path.read_bytes() == b"mine"


def test_the_number_of_a_link_is_all_that_a_recording_says_of_a_connection(tmp_path: Path) -> None:
    path = fly(tmp_path / "live.mcap", steps=2, close=False)
    assert {message.link for message in messages(path)} == {1, 2, 3}
