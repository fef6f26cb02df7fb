"""Sessions on disk: back after a kill as if nothing had happened, and orderly when the disk is not."""

from __future__ import annotations

import gc
import logging
import os
import random
from dataclasses import replace
from itertools import count
from pathlib import Path
from weakref import ref

import pytest

from guidance_svc.domain import Command, OpenRequest
from guidance_svc.errors import ConfigError, SessionFault
from guidance_svc.service.forgetting import ask_to_forget
from guidance_svc.session.registry import Registry
from guidance_svc.storage import journal as module
from guidance_svc.storage import journal_files
from guidance_svc.storage.journal import FolderJournal
from guidance_svc.storage.journal_files import stem_of
from tests.robustness.kept import Unsynced
from tests.session.exchange import LATE, Exchange, late_flight

DICE_SEED = 20261125


class Life:
    """A service's registry and journal from one start to one kill; nothing is closed, as at kill -9."""

    def __init__(self, folder: Path, history_bytes: int = 1 << 23, memory_bytes: int = 1 << 28) -> None:
        tokens = count()
        self.clock_s = 0.0
        self.registry = Registry(lambda: f"secret-{next(tokens)}", 1000, history_bytes, memory_bytes)
        self.journal = FolderJournal(
            folder, self.registry, lambda: self.clock_s, lambda vehicle, why: self.registry.forget(vehicle), Unsynced()
        )
        self.found = self.journal.take_up()

    def open(self, token: str | None = None, vehicle: str = "curlew", **more: object) -> tuple[str, bool]:
        request = replace(OpenRequest(vehicle, "upper_stage", LATE, resume=token), **more)  # type: ignore[arg-type]
        opened = self.registry.open(f"link of {vehicle}", request)
        self.journal.sync()
        return opened.token, opened.resumed

    def fly(self, exchanges: tuple[Exchange, ...], vehicle: str = "curlew", seq: int = 0) -> list[Command]:
        replies = []
        for exchange in exchanges:
            message = exchange.message._replace(seq=exchange.message.seq + seq)
            replies.append(self.registry.state(f"link of {vehicle}", message)._replace(seq=exchange.message.seq))
            self.journal.sync()
            while self.registry.pending():
                self.registry.work()
        return replies

    def kill(self) -> None:
        """The process is gone: the system takes its locks and files back, and nothing else happens."""
        self.journal._lock.release()
        for descriptor in self.journal._files.values():
            os.close(descriptor)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "journal"


def expected(exchanges: tuple[Exchange, ...]) -> list[Command]:
    return [exchange.reply for exchange in exchanges]


def test_after_kills_at_random_states_the_replies_are_those_of_the_unkilled_flight(folder: Path) -> None:
    dice = random.Random(DICE_SEED)
    cuts = sorted(dice.sample(range(1, len(late_flight())), 25))
    life = Life(folder)
    token, _ = life.open()
    for start, end in zip([0, *cuts], [*cuts, len(late_flight())], strict=True):
        assert life.fly(late_flight()[start:end]) == expected(late_flight()[start:end])
        life.kill()
        life = Life(folder)
        assert life.found == ["curlew"]
        assert life.open(token) == (token, True)


def test_a_state_that_was_answered_before_the_kill_gets_the_same_reply_after_it(folder: Path) -> None:
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:200])
    life.kill()
    life = Life(folder)
    life.open(token)
    assert life.fly(late_flight()[199:260]) == expected(late_flight()[199:260])


def test_a_save_reloaded_before_and_after_the_kill_is_answered_exactly(folder: Path) -> None:
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:500])
    life.fly(late_flight()[300:320], seq=1000)
    life.kill()
    life = Life(folder)
    life.open(token)
    assert life.fly(late_flight()[320:330], seq=1000) == expected(late_flight()[320:330])
    assert life.fly(late_flight()[50:140], seq=2000) == expected(late_flight()[50:140])


def test_without_the_token_nobody_gets_a_restored_session(folder: Path) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:20])
    life.kill()
    life = Life(folder)
    for token, code in ((None, "vehicle_taken"), ("secret-1", "wrong_token")):
        with pytest.raises(SessionFault) as caught:
            life.open(token)
        assert caught.value.code == code


def test_a_closed_session_leaves_nothing_behind(folder: Path) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:200])
    life.registry.close("link of curlew")
    life.journal.sync()
    assert [path.name for path in folder.iterdir()] == [".lock"]
    life.kill()
    assert Life(folder).found == []


def test_a_changed_plan_file_does_not_change_the_flight_and_is_told(folder: Path) -> None:
    life = Life(folder)
    token, _ = life.open(named=True)
    life.fly(late_flight()[:300])
    life.kill()
    life = Life(folder)
    changed = OpenRequest("curlew", "upper_stage", replace(LATE, major_cycle_s=2.0), resume=token, named=True)
    opened = life.registry.open("link of curlew", changed)
    assert opened.resumed
    assert opened.plan == LATE
    assert "goes on with the plan that it began with" in opened.warnings[0]
    assert life.fly(late_flight()[300:340]) == expected(late_flight()[300:340])


def test_the_tokens_are_not_on_disk_and_the_files_are_their_owners_alone(folder: Path) -> None:
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:200])
    assert folder.stat().st_mode & 0o777 == 0o700
    for path in folder.iterdir():
        assert token.encode() not in path.read_bytes(), path
        assert path.stat().st_mode & 0o077 == 0, path


def test_a_second_service_on_the_folder_is_refused_in_a_sentence(folder: Path) -> None:
    life = Life(folder)
    with pytest.raises(ConfigError) as caught:
        Life(folder)
    assert caught.value.code == "folder_in_use"
    assert str(os.getpid()) in str(caught.value)
    life.kill()
    Life(folder)


def test_a_file_in_place_of_the_folder_is_refused_in_a_sentence(folder: Path) -> None:
    folder.write_text("not a folder")
    with pytest.raises(ConfigError) as caught:
        Life(folder)
    assert (caught.value.code, caught.value.field) == ("cannot_keep", "journal.folder")


def test_whatever_is_cut_off_or_damaged_one_session_does_not_cost_the_others(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    dice = random.Random(DICE_SEED)
    for trial in range(8):  # each byte: robustness/test_damaged_journal.py
        where = folder / str(trial)
        life = Life(where)
        token, _ = life.open()
        other, _ = life.open(vehicle="bargeman")
        life.fly(late_flight()[:150])
        life.fly(late_flight()[:150], "bargeman")
        life.kill()
        victim = dice.choice(sorted(where.glob(f"{stem_of('curlew')}.*")))
        data = bytearray(victim.read_bytes())
        if data and trial % 2:
            data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
        else:
            del data[dice.randrange(len(data) + 1) :]
        victim.write_bytes(data)
        life = Life(where)
        assert "bargeman" in life.found
        assert life.open(other, "bargeman") == (other, True)
        assert life.fly(late_flight()[150:160], "bargeman") == expected(late_flight()[150:160])
        _, resumed = life.open(token) if "curlew" in life.found else life.open()
        later = life.fly(late_flight()[150:200])
        assert later[-1].cutoff_at_s == pytest.approx(late_flight()[199].reply.cutoff_at_s, abs=0.1), (victim, resumed)
        life.kill()
    assert any("set aside" in record.message for record in caplog.records)


def test_a_session_of_another_version_is_set_aside_and_kept(
    folder: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:50])
    monkeypatch.setattr(journal_files, "session_shape", lambda: "0" * 16)
    monkeypatch.setattr(journal_files, "__version__", "9.9")
    life.registry.seats["curlew"].session.history.save_anew()
    life.registry.touched.add("curlew")
    life.journal.sync()
    monkeypatch.undo()
    life.kill()
    assert Life(folder).found == []
    assert "written by version 9.9" in caplog.text
    assert len(list(folder.glob("*.states.set-aside"))) == 1  # for who goes back to that version


@pytest.mark.parametrize("damage", ["gone", "rubbish"])
def test_a_session_whose_states_are_lost_goes_on_from_its_last_mark_and_says_so(folder: Path, damage: str) -> None:
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:300])
    life.kill()
    states = next(folder.glob("*.states"))
    states.unlink() if damage == "gone" else states.write_bytes(b"rubbish")
    life = Life(folder)
    opened = life.registry.open("link of curlew", OpenRequest("curlew", "upper_stage", LATE, resume=token))
    assert opened.resumed
    assert "damaged" in opened.warnings[0]
    replies = life.fly(late_flight()[300:340])
    assert [reply.phase for reply in replies] == [exchange.reply.phase for exchange in late_flight()[300:340]]
    assert replies[-1].cutoff_at_s == pytest.approx(late_flight()[339].reply.cutoff_at_s, abs=0.01)


def test_files_of_others_in_the_folder_are_left_alone(folder: Path) -> None:
    folder.mkdir(mode=0o755)
    for name in ("my.states", "x.1.marks", "notes.head"):
        (folder / name).write_text("mine")
    life = Life(folder)
    life.open()
    life.kill()
    Life(folder)
    assert all((folder / name).read_text() == "mine" for name in ("my.states", "x.1.marks", "notes.head"))
    assert folder.stat().st_mode & 0o777 == 0o755


@pytest.fixture
def full_disk(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """A disk that is full while the list says so, in the middle of a write."""
    full, write_all = [False], module.write_all

    def write(descriptor: int, data: bytes, at: int) -> None:
        if full[0]:
            write_all(descriptor, data[: len(data) // 2], at)
            raise OSError(28, "No space left on device")
        write_all(descriptor, data, at)

    monkeypatch.setattr(module, "write_all", write)
    return full


def test_on_a_full_disk_guidance_goes_on_says_so_once_and_catches_up(
    folder: Path, full_disk: list[bool], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:100])
    full_disk[0] = True
    assert life.fly(late_flight()[100:200]) == expected(late_flight()[100:200])
    assert life.journal.state == "stopped: No space left on device"
    life.clock_s = 11.0
    life.fly(late_flight()[200:210])
    assert caplog.text.count("no longer kept on disk") == 1
    full_disk[0] = False
    life.fly(late_flight()[210:220])  # before the next try
    assert life.journal.state != "ok"
    life.clock_s = 22.0
    life.fly(late_flight()[220:300])
    assert life.journal.state == "ok"
    life.kill()
    life = Life(folder)
    life.open(token)
    assert life.fly(late_flight()[300:400]) == expected(late_flight()[300:400])


def test_the_files_are_bounded_like_the_history(folder: Path) -> None:
    life = Life(folder, history_bytes=20_000)
    token, _ = life.open()
    life.fly(late_flight()[:600])
    assert sum(path.stat().st_size for path in folder.glob("*.states")) <= 20_000
    assert len(list(folder.glob("*.states"))) == 1
    life.kill()
    life = Life(folder, history_bytes=20_000)
    life.open(token)
    assert life.fly(late_flight()[600:700]) == expected(late_flight()[600:700])


def held(life: Life) -> int:
    return sum(seat.session.history.held_bytes for seat in life.registry.seats.values())


def test_what_memory_has_let_go_of_is_read_back_and_reloads_stay_exact(folder: Path) -> None:
    # All of the flight takes 420 kB; a tenth of it may stay in memory. Back by seconds and by the whole flight.
    life, dice = Life(folder, memory_bytes=40_000), random.Random(DICE_SEED)
    token, _ = life.open()
    assert life.fly(late_flight()) == expected(late_flight())
    assert held(life) <= 40_000
    history = life.registry.seats["curlew"].session.history
    assert history.first == 0
    assert history.base > 0
    here, back = len(late_flight()), 0
    for trial in range(1, 9):
        there = dice.randrange(0, max(here - 20, 1))
        end = min(there + dice.choice((3, 60)), len(late_flight()))
        back += there < here
        assert life.fly(late_flight()[there:end], seq=1000 * trial) == expected(late_flight()[there:end])
        assert held(life) <= 50_000  # the limit, and what a reload brings back until the next time room is made
        life.fly(late_flight()[end : end + 100], seq=1000 * trial)
        here = min(end + 100, len(late_flight()))
        if trial in (2, 5):
            life.kill()
            life = Life(folder, memory_bytes=40_000)
            assert life.open(token) == (token, True)
            assert held(life) <= 50_000
    assert back == 8


def test_a_reload_beyond_memory_finds_its_phase_where_the_journal_was_damaged(folder: Path) -> None:
    life = Life(folder, memory_bytes=40_000)
    life.open()
    life.fly(late_flight())
    for path in (*folder.glob("*.states"), *folder.glob("*.marks")):
        path.write_bytes(b"")
    again = life.fly(late_flight()[100:200], seq=10_000)
    assert again[0].phase == late_flight()[100].reply.phase
    assert again[-1].cutoff_at_s == pytest.approx(late_flight()[199].reply.cutoff_at_s, abs=0.01)


def test_memory_stays_bounded_on_a_full_disk_and_what_it_still_has_is_kept(
    folder: Path, full_disk: list[bool]
) -> None:
    life = Life(folder, memory_bytes=40_000)
    token, _ = life.open()
    life.fly(late_flight()[:100])
    full_disk[0] = True
    assert life.fly(late_flight()[100:500]) == expected(late_flight()[100:500])
    assert held(life) <= 40_000
    full_disk[0], life.clock_s = False, 30.0
    life.fly(late_flight()[500:510])
    assert life.journal.state == "ok"
    life.kill()
    life = Life(folder, memory_bytes=40_000)
    life.open(token)
    assert life.fly(late_flight()[505:600], seq=1000) == expected(late_flight()[505:600])


def test_the_largest_histories_make_room_for_all(folder: Path) -> None:
    life = Life(folder, memory_bytes=120_000)
    names = [f"v{k}" for k in range(4)]
    for name in names:
        life.open(vehicle=name)
    life.fly(late_flight()[:20], "v3")
    for name in names[:3]:
        life.fly(late_flight()[:150], name)
        assert held(life) <= 120_000
    assert life.registry.seats["v3"].session.history.base == 0  # a small one keeps all it has
    for name in names[:3]:
        assert life.fly(late_flight()[5:25], name, seq=1000) == expected(late_flight()[5:25])


def test_vehicles_that_differ_in_case_or_have_odd_names_keep_apart(folder: Path) -> None:
    names = ["curlew", "Curlew", "..", ".", "-", "con", "a.b", "a_b"]
    stems = [stem_of(name).lower() for name in names]
    assert len(set(stems)) == len(names)
    life = Life(folder)
    tokens = {name: life.open(vehicle=name)[0] for name in names}
    for name in names:
        life.fly(late_flight()[:1], name)
    life.kill()
    life = Life(folder)
    assert sorted(life.found) == sorted(names)
    assert all(life.open(token, name) == (token, True) for name, token in tokens.items())
    assert all(path.parent == folder for path in folder.rglob("*"))


def test_a_session_without_a_state_leaves_nothing_in_the_journal(folder: Path) -> None:
    life = Life(folder)
    for k in range(50):
        life.open(vehicle=f"stranger-{k}")
    assert [path.name for path in folder.iterdir() if path.suffix == ".head"] == []
    life.kill()
    assert Life(folder).found == []


def test_a_flight_that_begins_anew_under_its_token_is_not_followed_by_the_old_one_after_a_kill(folder: Path) -> None:
    life = Life(folder)
    token, _ = life.open()
    life.fly(late_flight()[:20])
    again, resumed = life.open(token, role="tanker")  # another flight: it begins anew
    assert (again, resumed) == (token, False)
    life.kill()
    assert Life(folder).found == []


def test_more_sessions_than_open_files_all_come_back(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "OPEN_FILES", 2)
    life = Life(folder)
    names = [f"v{k}" for k in range(6)]
    tokens = {name: life.open(vehicle=name)[0] for name in names}
    for at in range(0, 40, 10):
        for name in names:
            life.fly(late_flight()[at : at + 10], name)
    life.kill()
    life = Life(folder)
    for name in names:
        life.open(tokens[name], name)
        assert life.fly(late_flight()[40:45], name) == expected(late_flight()[40:45])


def test_who_runs_the_service_can_have_a_session_given_up(folder: Path) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:30])

    def service_turns(seconds: float) -> None:
        life.clock_s += 1.0
        life.journal.sync()

    ask_to_forget(folder, "curlew", service_turns)
    assert "curlew" not in life.registry.seats
    assert life.open()[1] is False  # without a token


def test_what_else_lies_in_the_folder_of_requests_does_not_stop_them(folder: Path) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:1])
    (folder / "forget" / "a folder").mkdir(parents=True)
    os.mkfifo(folder / "forget" / "a pipe")

    def service_turns(seconds: float) -> None:
        life.clock_s += 1.0
        life.journal.sync()

    ask_to_forget(folder, "curlew", service_turns)
    assert "curlew" not in life.registry.seats


def test_a_session_is_given_up_in_the_journal_where_no_service_runs(folder: Path) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:1])
    kept, _ = life.open(vehicle="bargeman")
    life.fly(late_flight()[:1], "bargeman")
    life.kill()
    ask_to_forget(folder, "curlew", lambda seconds: None)
    life = Life(folder)
    assert life.found == ["bargeman"]
    assert life.open(kept, "bargeman")[1]


@pytest.mark.parametrize(("vehicle", "code"), [("nobody", "no_session"), ("curlew", "not_forgotten")])
def test_what_cannot_be_given_up_is_told(folder: Path, vehicle: str, code: str) -> None:
    life = Life(folder)
    life.open()
    life.fly(late_flight()[:1])
    with pytest.raises(ConfigError) as caught:
        ask_to_forget(folder, vehicle, lambda seconds: None)  # a service that hangs
    assert caught.value.code == code
    assert "curlew" in life.registry.seats


def test_a_flight_that_is_over_is_gone_from_memory_without_the_garbage_collector(folder: Path) -> None:
    life = Life(folder)
    gc.collect()
    gc.disable()
    try:
        life.open()
        life.fly(late_flight()[:30])
        history = ref(life.registry.seats["curlew"].session.history)
        life.registry.close("link of curlew")
        life.journal.sync()
        life.journal._syncing.close()  # what is to be written to the disk has been
        assert history() is None
    finally:
        gc.enable()
