"""The clients in other languages: each flies the simulated Curlew to orbit and has the Python clients' safety net.

A language whose tools are missing is skipped, saying which. The flights' goal is that of the flight plan; the net's
expectations are those that test_safety_net.py holds the Python clients to.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from typing import Any

import pytest

from guidance_svc.demo.vehicle import Range, Server
from guidance_svc.rehearsal.craft import Craft
from tests.clients.conftest import command_for
from tests.clients.loading import CLIENTS, load
from tests.clients.running_service import WAIT_S, Service
from tests.clients.test_outages import apsides_km

DRIVERS = Path(__file__).parent / "languages"
EXAMPLES = CLIENTS / "examples"
CUT_AT = 300  # states, ten a second: a minute before the cutoff
LONGEST_S = 600.0  # bound of a child process, never waited out


@dataclass(frozen=True)
class Language:
    """How a language's example and its net driver are run.

    Args:
        tools: programs that must be there.
        needs: commands that must succeed, such as looking for a library.
        build: commands before, in a scratch folder that stands for {out}.
        example, driver: commands.
    """

    name: str
    tools: tuple[str, ...]
    needs: tuple[tuple[str, ...], ...]
    build: tuple[tuple[str, ...], ...]
    example: tuple[str, ...]
    driver: tuple[str, ...]


WARNINGS = ("-std=c99", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{CLIENTS}")
LANGUAGES = (
    Language(
        "javascript", ("node",), (), (),
        ("node", f"{EXAMPLES}/fly_upper_stage.js"),
        ("node", f"{DRIVERS}/net_driver.js", f"{CLIENTS}/guidance_client.js"),
    ),
    Language(
        "lua", ("lua5.4",), (("lua5.4", "-e", "require('socket')"),), (),
        ("lua5.4", f"{EXAMPLES}/fly_upper_stage.lua"),
        ("lua5.4", f"{DRIVERS}/net_driver.lua", f"{CLIENTS}/guidance_client.lua"),
    ),
    Language(
        "c", ("gcc",), (),
        (("gcc", *WARNINGS, f"{EXAMPLES}/fly_upper_stage.c", "-o", "{out}/fly", "-lm"),
         ("gcc", *WARNINGS, f"{DRIVERS}/net_driver.c", "-o", "{out}/net", "-lm")),
        ("{out}/fly",),
        ("{out}/net",),
    ),
    Language(
        "csharp", ("mcs", "mono"), (),
        (("mcs", "-warnaserror", "-out:{out}/fly.exe", f"{CLIENTS}/GuidanceClient.cs", f"{EXAMPLES}/FlyUpperStage.cs"),
         ("mcs", "-warnaserror", "-out:{out}/net.exe", f"{CLIENTS}/GuidanceClient.cs", f"{DRIVERS}/NetDriver.cs")),
        ("mono", "{out}/fly.exe"),
        ("mono", "{out}/net.exe"),
    ),
)  # fmt: skip


@dataclass
class Built:
    language: Language
    out: str

    def command(self, parts: tuple[str, ...]) -> list[str]:
        return [part.replace("{out}", self.out) for part in parts]


@pytest.fixture(scope="module", params=LANGUAGES, ids=lambda language: language.name)
def built(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Built:
    language: Language = request.param
    for tool in language.tools:
        if shutil.which(tool) is None:
            pytest.skip(f"{language.name}: no {tool} on this machine")
    for parts in language.needs:
        if subprocess.run(parts, capture_output=True, timeout=LONGEST_S).returncode != 0:
            pytest.skip(f"{language.name}: {' '.join(parts)} fails on this machine")
    made = Built(language, str(tmp_path_factory.mktemp(language.name)))
    for parts in language.build:
        done = subprocess.run(made.command(parts), capture_output=True, text=True, timeout=LONGEST_S)
        assert done.returncode == 0, done.stdout + done.stderr
    return made


@pytest.fixture
def curlew(near_cutoff: Callable[[], Craft]) -> Craft:
    return near_cutoff()


@pytest.fixture
def vehicle(curlew: Craft, service: Service) -> Iterator[str]:
    """Curlew alone behind the simulated vehicle's socket."""
    vehicles = Range(service.library, "bargeman_to_lagoon", None, None)
    vehicles._crafts["Curlew"] = curlew
    with Server(0, vehicles) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        yield f"tcp://127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join(WAIT_S)


def run(command: list[str], stdin: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, input=stdin, capture_output=True, text=True, timeout=LONGEST_S)


def flies_to_lagoon(done: subprocess.CompletedProcess[str], curlew: Craft) -> None:
    """Exit code 0, and the plan's orbit: 460 km within 0.1 km, round within 50 m where it was burnt."""
    assert done.returncode == 0, done.stdout + done.stderr
    last = done.stdout.splitlines()[-1]  # of the Python examples a line a phase, of the others an object
    assert (json.loads(last)["status"] if last.startswith("{") else last.split()[-1]) == "complete", last
    perigee_km, apogee_km = apsides_km(curlew)
    assert apogee_km - perigee_km < 0.05
    height_km = (hypot(*curlew.state.position_m) - 6378137.0) / 1e3
    assert height_km == pytest.approx(460.0, abs=0.1)


@pytest.mark.slow  # the next test is the same and more
def test_the_example_flies_the_upper_stage_to_orbit(
    built: Built, curlew: Craft, vehicle: str, service: Service
) -> None:
    guidance = f"tcp://{service.addresses.tcp}"
    done = run([*built.command(built.language.example), "--guidance", guidance, "--vehicle", vehicle])
    flies_to_lagoon(done, curlew)


def broken(name: str, value: Any) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda command: {**command, "seq": command["seq"] + 0.5, name: value}


def lacking(name: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda command: {key: value for key, value in command.items() if key != name}


BROKEN = (
    broken("cutoff_at_s", "soon"), broken("throttle", None), broken("engine_on", "yes"), broken("pointing", [1.0, 0.0]),
    broken("time_s", "later"),
    broken("engines", "three"), broken("cut_on_contact", "yes"),
    lambda command: {**command, "engine_on": True, "cutoff_at_s": None, "latest_off_at_s": None},
    broken("throttle_down", {"at_s": None}), lacking("next_contact_s"), lacking("phase"),
)  # fmt: skip


def steps(seed: int) -> list[dict[str, Any]]:
    """A flight with late answers, gaps, cutoffs, throttle steps, phases and reloaded saves, from a seed."""
    dice, time_s, seq, found, real_s = random.Random(seed), 0.0, 0, [], 0.0
    for _ in range(300):
        time_s = round(time_s + dice.choice((0.1, 0.1, 0.1, 0.7, 3.0)), 9)
        if dice.random() < 0.02:
            time_s = round(max(0.0, time_s - dice.choice((1.0, 30.0))), 9)
        shown = {"engine_on": dice.random() < 0.5, "throttle": dice.choice((0.3, 1.0))}
        shown |= dice.choice(({}, {}, {"contact": False}, {"contact": dice.random() < 0.2}))
        found.append({"do": "at", "time_s": time_s, "state": dice.choice((None, shown, shown))})
        if dice.random() < 0.6:
            seq += 1
            answered_s = round(time_s - dice.choice((0.0, 0.0, 0.3)), 9)
            found.append({"do": "take", "command": an_answer(dice, seq, answered_s)})
            if dice.random() < 0.1:
                found.append({"do": "take", "command": dice.choice(BROKEN)(found[-1]["command"])})
        trouble = dice.choice(("", "", "", "", "no answer from somewhere"))
        real_s += 0.1
        found.append({"do": "now", "time_s": time_s, "trouble": trouble, "real_s": real_s})
        if dice.random() < 0.1:  # a clock that reads no number: null on the way to the driver
            real_s += dice.choice((0.2, 3.0))
            found.append({"do": "now", "time_s": None, "trouble": trouble, "real_s": real_s})
    return found


def an_answer(dice: random.Random, seq: int, time_s: float) -> dict[str, Any]:
    direction = [dice.uniform(-1.0, 1.0) for _ in range(3)]
    length = hypot(*direction)
    return command_for(
        {"seq": seq, "time_s": time_s},
        phase=dice.choice(("insertion",) * 9 + ("coast",)),
        pitch_deg=dice.uniform(-90.0, 90.0),
        heading_deg=dice.uniform(0.0, 360.0),
        pointing=[x / length for x in direction],
        throttle=dice.choice((0.46, 0.8, 1.0)),
        engine_on=dice.random() < 0.8,
        cutoff_at_s=dice.choice((None, time_s + dice.choice((0.2, 2.0, 60.0)))),
        latest_off_at_s=dice.choice((time_s + 1.5, time_s + 60.0)),
        next_contact_s=dice.choice((0.5, 0.5, 600.0)),
        throttle_down=dice.choice((None, {"at_s": time_s + 0.3, "throttle": 0.46})),
        **dice.choice(({}, a_landing(dice, time_s))),
    )


def a_landing(dice: random.Random, time_s: float) -> dict[str, Any]:
    ahead = {"id": "0-0-ignite", "name": dice.choice(("ignite", "deploy_legs")), "at_s": time_s + 0.2}
    return {"cut_on_contact": True, "engines": dice.choice((None, 1, 3)), "event": dice.choice((None, ahead))}


@pytest.mark.slow
def test_the_python_example_for_real_time_flies_the_upper_stage_to_orbit(
    curlew: Craft, vehicle: str, service: Service
) -> None:
    pace = ["--patience", str(WAIT_S), "--speed", "1e9"]  # every answer comes in time, and nothing sleeps
    links = ["--guidance", f"tcp://{service.addresses.tcp}", "--vehicle", vehicle]
    done = run([sys.executable, str(EXAMPLES / "fly_real_time.py"), *pace, *links])
    flies_to_lagoon(done, curlew)  # though the script cuts at ticks: the service puts its cutoffs there
    assert "no answer" not in done.stderr


def test_the_example_flies_on_when_its_connection_is_cut_in_the_burn(
    built: Built, curlew: Craft, vehicle: str, service: Service
) -> None:
    guidance = f"tcp://{service.addresses.tcp}"
    cut = threading.Thread(target=lambda: service.cut_at(CUT_AT))
    cut.start()
    done = run([*built.command(built.language.example), "--guidance", guidance, "--vehicle", vehicle])
    cut.join(LONGEST_S)
    assert service.cuts == 1
    flies_to_lagoon(done, curlew)


def test_the_example_lets_go_of_a_vehicle_that_another_script_took_over(
    built: Built, vehicle: str, service: Service
) -> None:
    guidance = f"tcp://{service.addresses.tcp}"
    other: Any = load("guidance_client_stdlib").GuidanceClient(guidance, timeout_s=WAIT_S)

    def take_over() -> None:
        service.cut_after = CUT_AT
        if service.reached.wait(5.0 * WAIT_S):
            other.open("Curlew", "upper_stage", "curlew_to_lagoon", resume=service.tokens[0])

    taker = threading.Thread(target=take_over)
    taker.start()
    done = run([*built.command(built.language.example), "--guidance", guidance, "--vehicle", vehicle])
    taker.join(5.0 * WAIT_S)
    assert done.returncode != 0
    assert "another" in done.stderr
    assert other.exchange(CURLEW)["type"] == "command"  # it was not taken back
    other.hang_up()


JS_STEER = """
const { GuidanceClient } = require(process.argv[1]);
const client = new GuidanceClient(process.argv[2], { warn: () => {} });
const state = JSON.parse(process.argv[3]);
(async () => {
  await client.open({ vehicle: "Curlew", role: "upper_stage", plan: "curlew_to_lagoon" });
  let wasFresh = null;
  for (let n = 0; ; n += 1) {
    const told = client.steer({ ...state, time_s: state.time_s + 1e-6 * n });
    const fresh = !told.stale && told.command !== null;
    if (fresh !== wasFresh) console.log(JSON.stringify({ fresh, says: told.says, resumed: client.resumed }));
    wasFresh = fresh;
    await new Promise((resolve) => setTimeout(resolve, 1));
  }
})();
"""
CURLEW = {"time_s": 152.3, "position_m": [6.48e6, 0.0, 0.0], "velocity_m_s": [500.0, 2500.0, 0.0], "mass_kg": 123400.0}


def test_steer_in_javascript_never_waits_and_opens_the_line_again_by_itself(service: Service) -> None:
    if shutil.which("node") is None:
        pytest.skip("javascript: no node on this machine")
    given = [f"{CLIENTS}/guidance_client.js", f"tcp://{service.addresses.tcp}", json.dumps(CURLEW)]
    with subprocess.Popen(["node", "-e", JS_STEER, *given], stdout=subprocess.PIPE, text=True) as script:
        assert script.stdout is not None
        try:
            lines = (json.loads(line) for line in script.stdout)  # each comes when the answer turns stale or fresh
            assert not next(lines)["fresh"]  # the first call does not wait for its answer
            assert next(lines)["fresh"]
            service.kill()
            gone = next(lines)
            assert not gone["fresh"]
            assert gone["says"].startswith("no answer from tcp://127.0.0.1")
            service.start(forget=False)
            assert next(lines) == {"fresh": True, "says": "", "resumed": True}
        finally:
            script.kill()


SAME = ("time_s", "throttle", "engine_on", "engines", "stale")


@pytest.mark.parametrize("seed", range(4))
def test_its_safety_net_says_what_that_of_the_python_clients_says(built: Built, seed: int) -> None:
    tick_s = 0.1 * (seed % 2)
    real_s = 0.0
    net: Any = load("guidance_client").SafetyNet(tick_s, 1.0, lambda: real_s)
    wanted = []
    for step in steps(seed):
        real_s = step.get("real_s", real_s)
        if step["do"] == "take":
            net.take(step["command"])
        elif step["do"] == "at":
            net.at(step["time_s"], step["state"])
        else:
            wanted.append(net.now(step["time_s"], step["trouble"]))
    text = "".join(json.dumps(step) + "\n" for step in steps(seed))
    done = run([*built.command(built.language.driver), str(tick_s), "1.0"], text)
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == len(wanted)
    for mine, theirs in zip(wanted, told, strict=True):
        assert {name: theirs[name] for name in SAME} == {name: mine[name] for name in SAME}
        assert bool(theirs["says"]) == bool(mine["says"])
        for name in ("pitch_deg", "heading_deg", "pointing"):  # the same sums in another order of rounding
            assert theirs[name] == (None if mine[name] is None else pytest.approx(mine[name], abs=1e-9)), name
    assert {True, False} == {mine["engine_on"] for mine in wanted} == {mine["stale"] for mine in wanted}
