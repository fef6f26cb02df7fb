"""The reader that follows a recording while it grows: whole records only, each once, on to the next part."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from board_recordings import Writer, climb, state_at
from mcap.opcode import Opcode
from mcap.records import Message
from mcap.stream_reader import StreamReader
from mcap.writer import MCAP0_MAGIC

from guidance_svc.board.tail import Tail
from guidance_svc.errors import RecordingError
from guidance_svc.storage.framing import MESSAGE_HEAD, Record

Opening = Callable[[Path], Tail]


@pytest.fixture
def follow() -> Iterator[Opening]:
    """Opens tails that are closed at the end."""
    with ExitStack() as stack:
        yield lambda path: stack.enter_context(closing(Tail(path)))


def texts(records: list[Record]) -> list[bytes]:
    """The messages' bytes."""
    return [r.content[MESSAGE_HEAD.size :] for r in records if r.opcode == Opcode.MESSAGE]


def by_the_library(path: Path) -> list[bytes]:
    """The messages as the container's own maintained library reads them."""
    with path.open("rb") as file:
        return [record.data for record in StreamReader(file).records if isinstance(record, Message)]


@pytest.mark.parametrize("compacted", [False, True])
def test_every_record_comes_once_however_the_bytes_arrive(tmp_path: Path, follow: Opening, compacted: bool) -> None:
    whole = climb(tmp_path / "whole.mcap", steps=40).finish(compacted)
    data, dice = whole.read_bytes(), random.Random(5)
    growing = tmp_path / "apart" / "growing.mcap"
    growing.parent.mkdir()
    growing.touch()
    tail, found, at = follow(growing), list[Record](), 0
    while at < len(data):
        size = dice.choice((1, 7, 300, 5000))
        with growing.open("ab") as file:
            file.write(data[at : at + size])
        at += size
        found += tail.poll()
    assert texts(found) == by_the_library(whole)
    assert len(texts(found)) == 4 + 2 * 2 * 40
    assert tail.ended
    assert not tail.damage


@pytest.mark.parametrize("compacted", [False, True])
def test_a_file_cut_anywhere_gives_all_that_is_whole_before_the_cut(
    tmp_path: Path, follow: Opening, compacted: bool
) -> None:
    whole = climb(tmp_path / "whole.mcap", steps=5).finish(compacted)
    data, messages = whole.read_bytes(), by_the_library(whole)
    cut = tmp_path / "apart" / "cut.mcap"
    cut.parent.mkdir()
    counts = []
    for size in range(0, len(data) - len(MCAP0_MAGIC), 41):
        cut.write_bytes(data[:size])
        tail = follow(cut)
        found = texts(list(tail.poll()))
        assert found == messages[: len(found)]
        assert not tail.ended
        assert not tail.damage
        counts.append(len(found))
    assert counts == sorted(counts)
    assert counts[-1] == len(messages)


def test_reading_goes_on_with_the_part_that_names_this_one(tmp_path: Path, follow: Opening) -> None:
    first = climb(tmp_path / "a.mcap", ("kite",), steps=3)
    tail = follow(first.path)
    found = texts(list(tail.poll()))
    first.finish()
    found += texts(list(tail.poll()))
    assert tail.ended
    Writer(tmp_path / "b.mcap", after="other.mcap").finish()
    assert texts(list(tail.poll())) == []
    second = Writer(tmp_path / "c.mcap", after="a.mcap")
    second.pair("kite", state_at(3))
    more = texts(list(tail.poll()))
    assert tail.path == second.path
    assert [b'"seq":3,' in text for text in more] == [True, True]
    second.pair("kite", state_at(4))
    assert len(texts(list(tail.poll()))) == 2
    assert not tail.ended
    second.finish()


def test_a_live_file_that_is_compacted_meanwhile_is_read_to_its_end(tmp_path: Path, follow: Opening) -> None:
    writer = climb(tmp_path / "a.mcap", ("kite",), steps=3)
    tail = follow(writer.path)
    next(iter(tail.poll()))
    writer.pair("kite", state_at(3))
    writer.finish(compacted=True)  # another file under the same name
    assert len(texts(list(tail.poll()))) <= 10
    assert tail.ended


@pytest.mark.parametrize("content", [b"PK\x03\x04 something else altogether", b"\x89MCAP9\r\n rest"])
def test_a_foreign_file_is_refused_in_a_sentence(tmp_path: Path, follow: Opening, content: bytes) -> None:
    path = tmp_path / "foreign.mcap"
    path.write_bytes(content)
    tail = follow(path)
    with pytest.raises(RecordingError, match="expected an MCAP file"):
        list(tail.poll())


def test_a_missing_file_is_refused_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="expected a readable file"):
        Tail(tmp_path / "none.mcap")


def test_an_empty_file_is_one_that_has_not_begun(tmp_path: Path, follow: Opening) -> None:
    path = tmp_path / "empty.mcap"
    path.touch()
    tail = follow(path)
    assert list(tail.poll()) == []
    assert tail.waiting


def test_damage_ends_the_reading_and_is_told(tmp_path: Path, follow: Opening) -> None:
    path = climb(tmp_path / "a.mcap", ("kite",), steps=20).finish(compacted=False)
    data = bytearray(path.read_bytes())
    at = data.index(b'"seq":15,') - 200  # somewhere before that message
    data[at : at + 400] = bytes([0xEE]) * 400
    path.write_bytes(data)
    tail = follow(path)
    found = texts(list(tail.poll()))
    assert 0 < len(found) < 42
    assert "damaged at byte" in tail.damage


def test_unwritten_blocks_of_zeros_are_a_cut_and_no_damage(tmp_path: Path, follow: Opening) -> None:
    path = climb(tmp_path / "a.mcap", ("kite",), steps=3).abandon()
    with path.open("ab") as file:
        file.write(bytes(4096))
    tail = follow(path)
    assert len(texts(list(tail.poll()))) == 2 + 6
    assert not tail.damage
