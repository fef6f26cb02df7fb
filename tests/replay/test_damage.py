"""Recordings that were cut or changed, given to every command that reads one: a sentence, and what is whole is used."""

from __future__ import annotations

import traceback
import tracemalloc
from itertools import count
from pathlib import Path
from random import Random

import pytest
from flown import Service, fly
from mcap.writer import CompressionType, Writer
from test_rotation import messages
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.errors import GuidanceError, RecordingError
from guidance_svc.playback.calibrating import calibrate_recording
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.playback.replay import InProcess, replay
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.framing import PROFILE
from guidance_svc.storage.recorder import McapRecorder

SEED = 20


def read(path: Path) -> tuple[list[RecordedMessage], RecordingReader]:
    """What is read of a file; nothing where it is refused with a sentence."""
    reader = RecordingReader(path)
    found: list[RecordedMessage] = []
    refused = ""
    try:
        for entry in reader.entries():
            if isinstance(entry, RecordedMessage):
                found.append(entry)
    except RecordingError as error:
        refused = error.sentence()
    assert not refused or (path.name in refused and not found), "what is whole is used"
    return found, reader


def play_and_calibrate(path: Path) -> None:
    """Either works or is refused with a sentence; any other exception fails the test."""
    service = Service()
    told: list[str] = []
    try:
        replay(path, InProcess(service.desk, service.registry))
    except GuidanceError as error:
        told.append(error.sentence())
    try:
        calibrate_recording(path, None, told.append)
    except GuidanceError as error:
        told.append(error.sentence())
    assert all("\n" not in text for text in told)


def flipped(data: bytes, at: int, bit: int) -> bytes:
    return data[:at] + bytes([data[at] ^ (1 << bit)]) + data[at + 1 :]


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fly(tmp_path_factory.mktemp("live") / "live.mcap", 4, close=False, detail=False)


@pytest.fixture(scope="module")
def compacted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fly(tmp_path_factory.mktemp("compacted") / "compacted.mcap", 4, detail=False)


@pytest.mark.parametrize("kind", ["live", "compacted"])
def test_a_recording_cut_anywhere_is_read_up_to_there(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    source: Path = request.getfixturevalue(kind)
    data, whole = source.read_bytes(), messages(source)
    random, cut = Random(SEED), tmp_path / "cut.mcap"
    for size in sorted(random.sample(range(len(data)), 150)):
        cut.write_bytes(data[:size])
        found, reader = read(cut)
        assert found == whole[: len(found)]
        assert reader.cut == (size > 0)
        assert size == 0 or "cut short at byte" in reader.remark()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["live", "compacted"])
def test_a_recording_cut_at_each_byte_is_played_and_calibrated_or_refused_in_a_sentence(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    source: Path = request.getfixturevalue(kind)
    data, whole = source.read_bytes(), messages(source)
    cut = tmp_path / "cut.mcap"
    for size in range(len(data)):
        cut.write_bytes(data[:size])
        found, _ = read(cut)
        assert found == whole[: len(found)]
        if size % 10 == 0:
            play_and_calibrate(cut)


@pytest.mark.parametrize("kind", ["live", "compacted"])
def test_a_changed_bit_gets_a_sentence_or_nothing_and_what_stands_before_is_used(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    source: Path = request.getfixturevalue(kind)
    data, whole = source.read_bytes(), messages(source)
    random, changed, told = Random(SEED), tmp_path / "changed.mcap", 0
    for _ in range(50):
        changed.write_bytes(flipped(data, random.randrange(len(data)), random.randrange(8)))
        found, reader = read(changed)
        told += bool(reader.remark()) or not found
        if kind == "compacted":  # a chunk is used whole or not at all; a plain file has no checksums
            assert [m.message for m in found] == [m.message for m in whole[: len(found)]]
        play_and_calibrate(changed)
    assert told > 5  # a check that flips are noticed at all


def test_damage_behind_whole_messages_is_named_and_they_are_played(live: Path, tmp_path: Path) -> None:
    data, changed = live.read_bytes(), tmp_path / "changed.mcap"
    at = data.rindex(b'"type":"state"')
    changed.write_bytes(data[:at] + b"\x00" + data[at + 1 :])
    service = Service()
    verdict = replay(changed, InProcess(service.desk, service.registry))
    assert verdict.mismatch is None
    assert verdict.compared > 5
    assert "damaged at byte" in verdict.remark
    assert "messages before it are whole" in verdict.remark


def test_a_message_that_went_missing_is_noticed(live: Path, tmp_path: Path) -> None:
    data, changed = live.read_bytes(), tmp_path / "changed.mcap"
    start = data.index(b'"seq":2,') - 60
    head = data.rindex(b"\x05", 0, start + 40)
    while int.from_bytes(data[head + 1 : head + 9], "little") > 5000:  # the opcode byte, not one like it
        head = data.rindex(b"\x05", 0, head)
    length = int.from_bytes(data[head + 1 : head + 9], "little")
    changed.write_bytes(data[:head] + data[head + 9 + length :])
    _, reader = read(changed)
    assert "follows message" in reader.remark()


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", "got an empty file"),
        (b"name = 'curlew'\n", "a file beginning"),
        (b"\x89MCAP0\r\n", "cut short"),
        (bytes(3000), "a file beginning"),
    ],
    ids=["empty", "text", "magic only", "zeros"],
)
@pytest.mark.parametrize("command", ["replay", "calibrate"])
def test_a_file_that_is_no_recording_gets_one_sentence_and_exit_code_2(
    command: str, data: bytes, text: str, tmp_path: Path
) -> None:
    path = tmp_path / "x.mcap"
    path.write_bytes(data)
    result = CliRunner().invoke(app, [command, str(path)])
    assert result.exit_code == 2, traceback.format_exception(result.exception)
    assert text in result.stdout + result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize("command", ["replay", "calibrate"])
def test_a_folder_in_place_of_a_recording_gets_one_sentence(command: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, [command, str(tmp_path)])
    assert result.exit_code == 2
    assert "cannot read" in result.stderr


def test_the_command_says_up_to_where_a_cut_recording_was_played(live: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(live.read_bytes()[:-10])
    result = CliRunner().invoke(app, ["replay", str(cut)])
    assert result.exit_code == 0, result.stderr
    assert "cut short at byte" in result.stdout
    assert "the same" in result.stdout


def test_recorded_refusals_are_not_told_again_by_a_replay(live: Path, caplog: pytest.LogCaptureFixture) -> None:
    service = Service()
    verdict = replay(live, InProcess(service.desk, service.registry))
    assert verdict.mismatch is None
    assert caplog.messages == []
    service.ask(1, {"type": "state"})
    assert len(caplog.messages) == 1  # the desk speaks again afterwards


def packed(path: Path, sizes: list[int]) -> Path:
    """A recording of chunks that unpack to so many bytes of zeros each, as no recorder writes."""
    with path.open("wb") as file:
        writer = Writer(file, compression=CompressionType.ZSTD, chunk_size=1)
        writer.start(PROFILE)
        schema = writer.register_schema("state", "jsonschema", b"{}")
        about = {"vehicle": "kite", "type": "state", "direction": "in"}
        channel = writer.register_channel("/kite/state", "json", schema, about)
        for sequence, size in enumerate(sizes, start=1):
            body = b'{"link":1,"pad":"' + b"0" * size + b'"}'
            writer.add_message(channel, 1, body, 1, sequence)
        writer.finish()
    return path


BOMBS = {
    "one chunk of 40 MB": [40 << 20], "one of 5 MB": [5 << 20], "30 of 1 MB": [1 << 20] * 30,
    "300 tiny ones": [1] * 300, "400 of 60 kB": [60_000] * 400,
}  # fmt: skip
COMMANDS = ("report", "calibrate", "replay")  # one reader: each kind of file by one of them always, by the others too


@pytest.mark.parametrize(("command", "sizes"), [
    pytest.param(command, sizes, id=f"{command}-{name}", marks=[] if k % 3 == number else [pytest.mark.slow])
    for k, (name, sizes) in enumerate(BOMBS.items()) for number, command in enumerate(COMMANDS)
])  # fmt: skip
def test_a_small_file_that_unpacks_to_much_is_refused_in_one_sentence(
    command: str, sizes: list[int], tmp_path: Path
) -> None:
    path = packed(tmp_path / "bomb.mcap", sizes)
    assert path.stat().st_size < 100_000
    tracemalloc.start()
    result = CliRunner().invoke(app, [command, str(path)])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert result.exit_code == 2
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert len(result.output.splitlines()) == 1
    assert any(words in result.output for words in ("damaged", "nothing flown", "nothing to"))
    assert peak < 60e6


def test_a_recording_of_a_simulator_that_stands_still_is_not_taken_for_a_bomb(tmp_path: Path) -> None:
    # The best that honest data compress: the same state and the same reply again and again.
    ticks = count(1)
    recorder = McapRecorder(tmp_path / "still.mcap", lambda: next(ticks), {"version": "test"})
    state = {"type": "state", "time_s": 1.0, "mass_kg": 2.0, "position_m": [7e6, 0.0, 0.0], "velocity_m_s": [0.0] * 3}
    for seq in range(20_000):
        recorder.exchange(1, "kite", {**state, "seq": seq}, {"type": "command", "seq": seq, "warnings": ["w" * 300]})
    recorder.close()
    assert compact(tmp_path / "still.mcap")
    found, reader = read(tmp_path / "still.mcap")
    assert (len(found), reader.remark()) == (40_000, "")


def test_a_recording_that_is_being_written_is_not_called_cut_short(tmp_path: Path) -> None:
    recorder = McapRecorder(tmp_path / "live.mcap", lambda: 1, {"version": "test"})
    recorder.exchange(1, "kite", {"type": "state", "seq": 1}, {"type": "command", "seq": 1})
    recorder.flush()
    _, reader = read(tmp_path / "live.mcap")
    assert reader.remark() == "the recording live.mcap is being written; used up to its last whole message"
    recorder.close()
    _, reader = read(tmp_path / "live.mcap")
    assert reader.remark() == ""
