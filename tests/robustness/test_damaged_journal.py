"""Small seeded parts of the runs with flipped bits and power cuts, and what they and others found."""

from __future__ import annotations

import json
import logging
import random
import shutil
from pathlib import Path

import pytest

from guidance_svc.session.history import FRAME, frame_state, whole_frames
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import digest_of
from guidance_svc.session.session import DAMAGED
from guidance_svc.storage import durable
from guidance_svc.storage.durable import AtOnce, Order, Syncing
from guidance_svc.storage.journal import BEGUN_ANEW, LOST
from guidance_svc.storage.journal_files import stem_of
from tests.robustness import flips, powercut
from tests.robustness.kept import NEIGHBOUR, VICTIM, Kept, NotYet, What, flight, what_is

BEYOND_BYTES = 12_000  # of memory: the last mark of the flight and the states after it
WAIT_S = 60.0  # bound of a wait for a thread; never waited out


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "journal"


def test_a_flipped_bit_in_any_file_leaves_the_last_state_or_a_note_and_never_another_flight() -> None:
    tally = flips.run(bits=1, every=600, seed=2)
    assert {".head", ".states", ".marks", "forget"} <= {kind for kind, _ in tally}
    assert {outcome for _, outcome in tally} == {"right", "earlier, told", "set aside, told"}


@pytest.mark.slow
def test_every_flipped_byte_leaves_the_last_state_or_a_note() -> None:
    assert sum(flips.run(bits=1, every=1, seed=3).values()) > 10_000


def test_a_power_cut_leaves_what_the_session_was_or_a_note() -> None:
    tally = powercut.run(images=2, every=37, seed=4)
    assert sum(tally.values()) > 20
    assert {"all: what it last was", "any: earlier, told"} <= set(tally)


@pytest.mark.slow
def test_a_power_cut_after_any_call_leaves_what_the_session_was_or_a_note() -> None:
    assert sum(powercut.run(images=6, every=1, seed=5).values()) > 2000


def one_of_two(folder: Path) -> tuple[dict[str, What], Path]:
    """Two vehicles in flight, killed; what they were, and the victim's head."""
    life = Kept(folder)
    for vehicle in (VICTIM, NEIGHBOUR):
        life.open(vehicle)
        life.fly(vehicle, 0, 20)
    were = {vehicle: what_is(life, vehicle) for vehicle in (VICTIM, NEIGHBOUR)}
    life.kill()
    return were, next(folder.glob(f"{stem_of(VICTIM)}.*.head"))


@pytest.mark.parametrize(("key", "value"), [("generation", 7), ("token_sha256", "0" * 64), ("vehicle", NEIGHBOUR)])
def test_a_head_that_says_something_else_is_set_aside_with_its_files_and_a_reason(
    folder: Path, key: str, value: object, caplog: pytest.LogCaptureFixture
) -> None:
    # a flipped `generation` let an `open` without a token in and had the good files removed
    were, head = one_of_two(folder)
    first, _, body = head.read_bytes().partition(b"\n")
    head.write_bytes(first + b"\n" + json.dumps({**json.loads(body), key: value}, indent=1).encode())
    states = next(folder.glob(f"{stem_of(VICTIM)}.*.states")).read_bytes()
    life = Kept(folder)
    assert life.found == [NEIGHBOUR]
    assert what_is(life, NEIGHBOUR) == were[NEIGHBOUR]
    assert "its files are set aside: its head is damaged" in caplog.text
    assert [path.read_bytes() for path in folder.glob("*.states.set-aside")] == [states]
    assert "its head is damaged" in next(folder.glob("*.reason.txt")).read_text()
    opened = life.open(VICTIM)
    assert (opened.resumed, opened.warnings) == (False, (BEGUN_ANEW,))


def test_what_an_earlier_version_kept_is_set_aside_and_told(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    folder.mkdir(mode=0o700)
    for kind in ("head", "1.states", "1.marks"):
        (folder / f"{stem_of(VICTIM)}.{kind}").write_text('{"format": 1}')
    life = Kept(folder)
    assert life.found == []
    assert "written by an earlier version" in caplog.text
    assert len(list(folder.glob("*.set-aside"))) == 3
    assert life.open(VICTIM).warnings == (BEGUN_ANEW,)


def test_whatever_one_session_raises_the_start_goes_on(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    were, _ = one_of_two(folder)
    real = Kept(folder / "other").registry.restore.__func__  # type: ignore[attr-defined]

    def restore(self: object, request: bytes, digest: str, *more: object) -> str:
        if digest == were[VICTIM].token:
            raise MemoryError
        return str(real(self, request, digest, *more))

    monkeypatch.setattr("guidance_svc.session.registry.Registry.restore", restore)
    life = Kept(folder)
    assert life.found == [NEIGHBOUR]
    assert what_is(life, NEIGHBOUR) == were[NEIGHBOUR]


def test_nothing_that_an_intact_head_does_not_replace_is_taken_away(folder: Path) -> None:
    one_of_two(folder)
    later = folder / f"{stem_of(VICTIM)}.9.9.states"  # its head was lost, or a kill came first
    later.write_bytes(b"something")
    orphan = folder / f"{stem_of('nobody')}.1.1.marks"
    orphan.write_bytes(b"something")
    life = Kept(folder)
    assert sorted(life.found) == sorted([VICTIM, NEIGHBOUR])
    assert later.read_bytes() == b"something"
    assert orphan.with_name(orphan.name + ".set-aside").read_bytes() == b"something"


def test_the_set_before_goes_only_when_the_new_one_is_on_the_disk(folder: Path) -> None:
    life = Kept(folder, 1500, NotYet())
    token = life.open(VICTIM).token
    life.fly(VICTIM, 0, 80)
    heads = sorted(path.name for path in folder.glob("*.head"))
    assert len(heads) > 2
    was = what_is(life, VICTIM)
    life.kill()
    newest = max(folder.glob("*.head"), key=lambda path: int(path.name.split(".")[2]))
    newest.with_suffix(".states").write_bytes(b"")  # as a disk shows what it has not written
    newest.with_suffix(".marks").write_bytes(b"")
    life = Kept(folder, 1500, AtOnce())
    assert life.registry.seats[VICTIM].note == LOST
    assert what_is(life, VICTIM).reply != was.reply
    assert life.open(VICTIM, token).resumed
    assert len(list(folder.glob("*.head"))) == 1  # a new set, on the disk


def test_a_disk_that_does_not_take_it_keeps_the_set_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep, drop = tmp_path / "keep", tmp_path / "drop"
    for path in (keep, drop):
        path.write_text("x")

    def fail(path: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(durable, "sync_path", fail)
    durable.carry_out(Order((keep,), (drop,), lambda: pytest.fail("told that it lasts")))
    assert drop.exists()


def test_the_thread_takes_away_in_order_and_closing_waits_for_it(tmp_path: Path) -> None:
    syncing, told = Syncing(), []
    for number in range(20):
        (tmp_path / f"keep-{number}").write_text("x")
        (tmp_path / f"drop-{number}").write_text("x")
        done = lambda number=number: told.append(number)  # noqa: E731
        syncing.later([tmp_path / f"keep-{number}", tmp_path], [tmp_path / f"drop-{number}"], done)
    syncing.close()
    assert told == list(range(20))
    assert not list(tmp_path.glob("drop-*"))


def test_a_request_to_forget_that_names_another_vehicle_gives_nobody_up(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    life = Kept(folder)
    for vehicle in (VICTIM, NEIGHBOUR):
        life.open(vehicle)
    asked = folder / "forget"
    asked.mkdir()
    (asked / "a folder").mkdir()  # which stopped all later requests
    (asked / stem_of(VICTIM)).write_text(NEIGHBOUR)
    life.clock_s += 2.0
    life.journal.sync()
    assert life.given_up == []
    assert "it is set aside" in caplog.text
    (asked / stem_of(VICTIM)).write_text(VICTIM)
    life.clock_s += 2.0
    life.journal.sync()
    assert life.given_up == [VICTIM]


def test_an_undone_branch_behind_a_new_one_is_no_part_of_the_stream() -> None:
    # a power cut may lose the cut of a file and keep what was written after it, whose states are as long
    old = b"".join(frame_state(bytes([65 + n]) * 50, 1) for n in range(6))
    new = b"".join(frame_state(bytes([97 + n]) * 50, 2) for n in range(2))
    shown = old[: 2 * len(new) // 2] + new + old[2 * len(new) :]
    assert len(shown) == len(old)
    assert [data[:1] for _, data, _ in whole_frames(shown)] == [b"A", b"B", b"a", b"b"]


def test_zeros_that_were_never_written_are_no_states() -> None:
    assert list(whole_frames(frame_state(b"x" * 20, 1) + bytes(10 * FRAME.size)))[1:] == []


def test_a_journal_that_cannot_be_read_at_all_is_told_in_a_sentence(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from guidance_svc.errors import ConfigError

    def fail(self: Path) -> object:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "iterdir", fail)
    with pytest.raises(ConfigError, match="Input/output error"):
        Kept(folder)


@pytest.fixture(autouse=True)
def _told(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)


def reloaded_after_a_flip(folder: Path, kind: str, dice: random.Random) -> str:
    """Flip a bit of what memory has let go of, then reload to a time there: "exact" or "earlier, told".

    The files are whole when the service starts: the damage is met by the reload alone.
    """
    life, there = Kept(folder, memory_bytes=BEYOND_BYTES), dice.randrange(5, 75)
    life.open(VICTIM, "secret-0")
    history = life.registry.seats[VICTIM].session.history
    assert history.first == 0
    assert history.base > sum(len(frame_state(pack(each.message), 1)) for each in flight()[:there])
    path = next(folder.glob(f"{stem_of(VICTIM)}.*.{kind}"))
    data = bytearray(path.read_bytes())
    near = history.before(flight()[there].message.time_s).at - dice.randrange(1, 900)
    data[max(near, 0) if kind == "states" else dice.randrange(len(data) // 2)] ^= 1 << dice.randrange(8)
    path.write_bytes(data)
    replies = life.fly(VICTIM, there, there + 6, 1000)
    told = [DAMAGED in reply.warnings for reply in replies]
    assert all(told) or not any(told)
    if any(told):
        flown_times_s = [one.state.time_s for one in history.states_from(history.first)]
        whole = len(flown_times_s) - 6
        assert flown_times_s == [each.message.time_s for each in (*flight()[:whole], *flight()[there : there + 6])]
    else:  # a mark after the damage bore the reload; reading from the first state on ends at the damage
        assert replies == [each.reply._replace(seq=each.reply.seq + 1000) for each in flight()[there : there + 6]]
    life.kill()
    again = Kept(folder)
    seat = again.registry.seats[VICTIM]
    assert seat.digest == digest_of("secret-0")
    command = seat.session.last_command
    assert seat.note or (command and command._replace(warnings=()) == replies[-1]._replace(warnings=()))
    again.kill()
    return "earlier, told" if any(told) else "exact"


@pytest.mark.parametrize(
    ("kind", "wanted"), [("states", {"exact", "earlier, told"}), ("marks", {"exact"})], ids=["states", "marks"]
)
def test_what_was_flipped_in_the_part_that_only_the_journal_has_makes_a_reload_earlier_and_told(
    folder: Path, tmp_path: Path, kind: str, wanted: set[str]
) -> None:
    # A mark that is damaged costs no more than flying again from the one before it.
    life = Kept(folder, memory_bytes=BEYOND_BYTES)
    life.open(VICTIM)
    life.fly(VICTIM, 0, 120)
    life.kill()
    outcomes, dice = set(), random.Random(6)
    for trial in range(8):
        outcomes.add(reloaded_after_a_flip(Path(shutil.copytree(folder, tmp_path / str(trial))), kind, dice))
    assert outcomes == wanted
