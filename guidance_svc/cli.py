"""The commands, each a thin entry. Bodies import what they need, so that --help is quick."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast, get_args

import typer

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Body, Role
from guidance_svc.errors import ConfigError, GuidanceError

if TYPE_CHECKING:
    from guidance_svc.adapters.changes import VehicleChange
    from guidance_svc.adapters.config_files import Library
    from guidance_svc.adapters.replay import Answering
    from guidance_svc.adapters.server import Ready

BAD_INPUT = 2  # exit code: what was asked cannot be done as it stands
DIFFERENT = 1  # exit code of replay: a reply differs

app = typer.Typer(
    help=f"Guidance for scripted flight computers, over a socket.\n\n{CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Configs = Annotated[
    Path | None,
    typer.Option(
        "--configs",
        help="Folder with bodies/, vehicles/, flights/ and service.toml; default: ./configs, else the shipped one.",
    ),
]


@app.command()
def serve(
    zmq: Annotated[str | None, typer.Option(help="ZeroMQ address, tcp://127.0.0.1:PORT; port 0: any free one.")] = None,
    tcp: Annotated[str | None, typer.Option(help='Address for JSON lines, 127.0.0.1:PORT; "": none.')] = None,
    configs: Configs = None,
    record: Annotated[Path | None, typer.Option(help="Folder for the recording.")] = None,
    no_record: Annotated[bool, typer.Option("--no-record", help="Make no recording.")] = False,
    journal: Annotated[Path | None, typer.Option(help="Folder that keeps the sessions over a restart.")] = None,
    no_journal: Annotated[bool, typer.Option("--no-journal", help="Let sessions end with the service.")] = False,
    user: Annotated[str | None, typer.Option(help="Go on as this user once the sockets are bound.")] = None,
    log_format: Annotated[str, typer.Option(help="Log lines as logfmt or json.")] = "logfmt",
    board: Annotated[bool, typer.Option("--board", help="Show all vehicles on a page; needs the extra board.")] = False,
    board_address: Annotated[str | None, typer.Option(help="Where, 127.0.0.1:PORT; implies --board.")] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Log lines alone, even on a terminal.")] = False,
) -> None:
    """Answer flight scripts until SIGTERM or Ctrl-C."""
    import logging

    from guidance_svc.adapters.board.beside import Watching
    from guidance_svc.adapters.logs import set_up_logs
    from guidance_svc.bootstrap import Choices, make_service, run_service

    log = logging.getLogger("guidance_svc.serve")
    with plain_errors():
        set_up_logs(log_format)
        watching = Watching(configs, board, board_address, plain, log_format)
        service = make_service(Choices(configs, zmq, tcp, record, no_record, journal, no_journal, user))
        typer.echo(CAUTION)
        typer.echo(f"configs: {service.configs}")
        typer.echo(f"recording: {service.recording or 'none'}")
        typer.echo(f"journal: {service.journal or 'none'}")
        if service.taken_up:
            typer.echo(f"sessions taken up again, each waits for its token: {', '.join(service.taken_up)}")

        def on_ready(ready: Ready) -> None:
            log.info("ready: zmq %s tcp %s (Ctrl-C to stop)", ready.zmq, ready.tcp)

        with watching.of(service.recording, typer.echo):
            run_service(service, on_ready)
    log.info("stopped")


@app.command()
def keys(
    name: Annotated[str | None, typer.Argument(help="Script to make a pair for; default: the service only.")] = None,
    folder: Annotated[Path, typer.Option(help="Where the keys are kept, for their owner alone.")] = Path("keys"),
) -> None:
    """Make the key pairs that the service needs to listen beyond this machine."""
    from guidance_svc.adapters.key_files import make_keys

    with plain_errors():
        typer.echo("\n".join(make_keys(folder, name)))


@app.command()
def health(
    connect: Annotated[
        str | None,
        typer.Option(help="JSON lines, HOST:PORT, or ZeroMQ, tcp://HOST:PORT; default: as service.toml says."),
    ] = None,
    configs: Configs = None,
) -> None:
    """Ask a running service how it is: counts, reply times, sessions."""
    from rich.console import Console

    from guidance_svc.adapters.config_files import chosen_folder, load_settings
    from guidance_svc.adapters.health_view import ask_health, health_tables

    with plain_errors():
        addresses = load_settings(chosen_folder(configs)).addresses
        Console().print(health_tables(ask_health(connect or addresses.tcp or addresses.zmq)))


@app.command()
def forget(
    vehicle: Annotated[str, typer.Argument(help="Whose session to give up.")],
    journal: Annotated[Path | None, typer.Option(help="The service's journal; default: as service.toml says.")] = None,
    configs: Configs = None,
) -> None:
    """Give up a vehicle's session whose token is lost, in a running service or in its journal."""
    import time

    from guidance_svc.adapters.config_files import chosen_folder, load_settings
    from guidance_svc.adapters.forgetting import ask_to_forget

    with plain_errors():
        folder = journal or Path(load_settings(chosen_folder(configs)).journal.folder)
        ask_to_forget(folder, vehicle, time.sleep)
    typer.echo(f"{vehicle}: session given up")


@app.command()
def check(
    flights: Annotated[
        list[str] | None,
        typer.Argument(metavar="[FLIGHT]...", help="Names of flight plans, or TOML files; default: all of the folder."),
    ] = None,
    configs: Configs = None,
    role: Annotated[
        str, typer.Option(help="For plans without phases: booster, upper_stage or tanker.")
    ] = "upper_stage",
    frame: Annotated[
        str,
        typer.Option(
            help="Your frame, the keys of `frame` in `open`: motion=turning,axes=x/z/y,handedness=left,"
            "meridian_at_zero_deg=0,height_above=ellipsoid,up=geodetic,local_velocity=inertial; each is optional."
        ),
    ] = "",
    latitude_deg: Annotated[float, typer.Option(help="Of the second vector, geocentric.", min=-90.0, max=90.0)] = 28.0,
    longitude_deg: Annotated[float, typer.Option(help="Of the second test vector.", min=-180.0, max=180.0)] = -35.0,
) -> None:
    """Validate the configuration; show each flight plan as understood, and test vectors of your frame."""
    from guidance_svc.adapters.checking import frame_from, frame_lines

    with plain_errors():
        understood = frame_from(frame)
        body = show_plans(flights or [], configs, role_of(role))
        if body is not None:
            typer.echo("\n".join(frame_lines(body, understood, latitude_deg, longitude_deg)))
        typer.echo("all good")


@app.command()
def board(
    recording: Annotated[Path, typer.Argument(help="A recording; one that is still being written is followed.")],
    address: Annotated[str | None, typer.Option(help="127.0.0.1:PORT; default: that of service.toml.")] = None,
    table: Annotated[bool, typer.Option("--table", help="A table in this terminal instead of a page.")] = False,
    configs: Configs = None,
    beside_service: Annotated[bool, typer.Option("--beside-service", hidden=True)] = False,
) -> None:
    """Show every vehicle of a recording on a page, at any moment of it, until Ctrl-C."""
    import os

    os.environ.setdefault("NUMBA_DISABLE_JIT", "1")  # compiling the kernels takes longer than what they do here
    from guidance_svc.adapters.board.running import show_board
    from guidance_svc.adapters.terminal import show_table

    with plain_errors():
        if table:
            show_table(recording, configs, beside_service)
        else:
            show_board(recording, address, configs, beside_service, typer.echo)


@app.command()
def replay(
    file: Annotated[Path, typer.Argument(help="A recording.")],
    connect: Annotated[
        str | None,
        typer.Option(help="Play to a running service, tcp://127.0.0.1:PORT, instead of a fresh one in this process."),
    ] = None,
    flight_plan: Annotated[
        str | None,
        typer.Option(help="Play with this flight plan (name or TOML file) and show what changes."),
    ] = None,
    vehicle: Annotated[str | None, typer.Option(help="Whose plan to change, where several fly.")] = None,
    configs: Configs = None,
) -> None:
    """Play a recording again and compare the replies; exit 1 and show the first difference if there is one."""
    from guidance_svc.adapters.addresses import zmq_endpoint
    from guidance_svc.adapters.config_files import chosen_folder, load_library
    from guidance_svc.adapters.replay import OverSocket
    from guidance_svc.bootstrap import fresh_service

    with plain_errors():
        library = load_library(chosen_folder(configs))
        service: Answering = fresh_service(library)
        if connect is not None:
            service = OverSocket(zmq_endpoint(connect, "--connect"))
        try:
            if flight_plan is None:
                code = show_replay(file, service)
            else:
                name, library = named_plan(flight_plan, library)
                code = show_changes(file, service, vehicle, library.inlined(name))
        finally:
            service.close()
    raise typer.Exit(code)


@app.command()
def calibrate(
    recording: Annotated[Path, typer.Argument(help="A recording with at least one burn.")],
    vehicle: Annotated[str | None, typer.Option(help="Which vehicle, where several fly.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Vehicle file to write; default: NAME-measured.toml for each vehicle.")
    ] = None,
) -> None:
    """Estimate engine and drag figures from recorded flights; print them and write a vehicle file."""
    from guidance_svc.adapters.calibrating import calibrate_recording, write_vehicle_file
    from guidance_svc.report.calibration_text import table_lines

    with plain_errors():
        found = [one for one in calibrate_recording(recording, vehicle, typer.echo) if one.stages or one.missed]
        if out is not None and len(found) != 1:
            names = ", ".join(one.vehicle for one in found)
            raise ConfigError("which_vehicle", "--vehicle", f"one of {names} with --out", "nothing")
        typer.echo(CAUTION)
        for one in found:
            typer.echo("\n".join(table_lines(one)))
            if one.stages:
                path = out or Path(f"{one.vehicle}-measured.toml")
                write_vehicle_file(one, path)
                typer.echo(f"  vehicle file: {path}")


@app.command()
def report(
    recording: Annotated[Path, typer.Argument(help="A recording.")],
    vehicle: Annotated[str | None, typer.Option(help="Only this vehicle; default: all.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the files; default: NAME-report.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="Also one CSV file a vehicle, the unit in each column.")] = False,
    odm: Annotated[
        bool, typer.Option("--odm", help="Also CCSDS Orbit Parameter and Orbit Ephemeris Messages (.opm, .oem).")
    ] = False,
    epoch: Annotated[
        str, typer.Option(help="UTC of vehicle time 0, for --odm; the default is invented.")
    ] = "2026-01-01T00:00:00",
    no_replay: Annotated[
        bool, typer.Option("--no-replay", help="Show only recorded numbers; do not play the recording again for more.")
    ] = False,
) -> None:
    """Show how a recorded flight went: one HTML page, and a PNG sheet for each vehicle."""
    from guidance_svc.adapters.config_files import Library
    from guidance_svc.adapters.report_files import Wanted, run_report
    from guidance_svc.bootstrap import fresh_service

    with plain_errors():
        wanted = Wanted(recording, vehicle, out, csv, odm, epoch, not no_replay)
        run_report(wanted, lambda: fresh_service(Library()), typer.echo)


@app.command()
def boost(
    flight: Annotated[str, typer.Argument(help="Flight plan with a boost, by name or as a TOML file.")],
    carries: Annotated[str | None, typer.Option(help="Flight plan of the vehicle that the booster carries.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Where to write the plan with its new program; default: FLIGHT.planned.toml.")
    ] = None,
    plot: Annotated[Path | None, typer.Option(help="HTML page with the ascent; needs matplotlib.")] = None,
    configs: Configs = None,
) -> None:
    """Search the boost program that leaves the most propellant at orbit within the plan's limits."""
    from guidance_svc.adapters.config_files import chosen_folder, load_library
    from guidance_svc.loopback.boost_command import run_boost

    with plain_errors():
        name, library = named_plan(flight, load_library(chosen_folder(configs)))
        code = run_boost(library, name, carries, out, plot, typer.echo)
    raise typer.Exit(code)


@app.command()
def campaign(
    file: Annotated[Path, typer.Argument(help="Campaign, a TOML file; see configs/campaigns/.")],
    out: Annotated[
        Path, typer.Option(help="Folder for the report, the page of plots and one flight plan a launch.")
    ] = Path("campaign-out"),
    configs: Configs = None,
) -> None:
    """Plan the launches that fill a depot by a date in a plane; write a flight plan for each."""
    from guidance_svc.adapters.config_files import chosen_folder, load_library
    from guidance_svc.loopback.campaign_command import run_campaign

    with plain_errors():
        code = run_campaign(load_library(chosen_folder(configs)), file, out, typer.echo)
    raise typer.Exit(code)


PlaneOption = Annotated[
    str | None,
    typer.Option(
        help="Target plane: inclination=30,node=262.5 (deg), and optional: at=DATE or SECONDS, height=460 (km) "
        "or rate=-7.1 (deg a day) for its drift, argument=40 (deg) of a vehicle to meet there."
    ),
]
MoonOption = Annotated[
    str | None, typer.Option(help="The Moon's plane instead, at=DATE,height=460: aligned with it on that date.")
]
OrbitOption = Annotated[
    str | None,
    typer.Option(
        help="The orbit of another vehicle instead, by its state: position=x/y/z,velocity=x/y/z (m, m/s, inertial, "
        "z north), at=DATE or SECONDS."
    ),
]
MeridianOption = Annotated[
    float | None,
    typer.Option(help="Inertial angle of longitude 0 at the clock's zero; default: the Earth's by --epoch, else 0."),
]


@app.command()
def windows(
    flight: Annotated[str, typer.Argument(help="Flight plan with a site and a target, by name or as a TOML file.")],
    plane: PlaneOption = None,
    moon: MoonOption = None,
    orbit: OrbitOption = None,
    carries: Annotated[str | None, typer.Option(help="Flight plan of the vehicle that the booster carries.")] = None,
    start: Annotated[str, typer.Option("--from", help="Date (with --epoch), or seconds of the simulator.")] = "0",
    days: Annotated[float, typer.Option(help="Span to search.")] = 30.0,
    epoch: Annotated[str | None, typer.Option(help="Date in UTC of the vehicle clock's zero.")] = None,
    meridian_deg: MeridianOption = None,
    j3: Annotated[float, typer.Option(help="Of the simulator's gravity, beside the plan's own J2.")] = 0.0,
    j4: Annotated[float, typer.Option(help="Likewise.")] = 0.0,
    margin_m_s: Annotated[
        float | None, typer.Option(help="What the plane may cost at a window's edges; default: 20.", min=0.0)
    ] = None,
    margin_kg: Annotated[float | None, typer.Option(help="The same as propellant.", min=0.0)] = None,
    waiting_km: Annotated[float | None, typer.Option(help="Height of a waiting orbit, for the phasing time.")] = None,
    impulsive: Annotated[bool, typer.Option("--impulsive", help="Fly nothing: azimuths by formula.")] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for plots and one flight plan a launch.")] = None,
    configs: Configs = None,
) -> None:
    """List the launch opportunities into a plane that drifts; write a flight plan for each."""
    from guidance_svc.adapters.config_files import chosen_folder, load_library
    from guidance_svc.loopback.windows_command import ask_of, run_windows

    with plain_errors():
        name, library = named_plan(flight, load_library(chosen_folder(configs)))
        run_windows(
            library,
            ask_of(name, carries, (plane, moon, orbit), start, days, epoch, meridian_deg, (j3, j4),
                   (margin_m_s, margin_kg), waiting_km, not impulsive, out),
            typer.echo,
        )  # fmt: skip


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the recording, the logs and the plot page.")] = Path("demo-out"),
    speed: Annotated[str, typer.Option(help="Vehicle seconds in a real second: max, or a number such as 10.")] = "max",
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="A line a phase, even on a terminal.")] = False,
) -> None:
    """Fly a booster, an upper stage and a tanker over sockets, and print how exactly they arrived."""
    from guidance_svc.loopback.demo import run_demo, speed_of

    with plain_errors():
        times = speed_of(speed)
    raise typer.Exit(run_demo(out, as_json, times, plain=plain))


@app.command()
def conform(
    connect: Annotated[
        str | None,
        typer.Option(help="Check a running service instead: tcp://127.0.0.1:PORT (ZeroMQ) or 127.0.0.1:PORT (lines)."),
    ] = None,
    zmq: Annotated[str, typer.Option(help="Where your script connects by ZeroMQ.")] = "tcp://127.0.0.1:5770",
    tcp: Annotated[str, typer.Option(help="Where your script connects for JSON lines.")] = "127.0.0.1:5771",
    plan: Annotated[str, typer.Option(help="Flight plan of the vehicle that the kit flies.")] = "curlew_to_lagoon",
    role: Annotated[str, typer.Option(help="booster, upper_stage or tanker.")] = "upper_stage",
    vehicle_port: Annotated[int, typer.Option(help="Where your script finds the kit's vehicle.")] = 5821,
    own_vehicle: Annotated[bool, typer.Option("--own-vehicle", help="Your script flies your own simulator.")] = False,
    mishaps: Annotated[
        str, typer.Option(help="Played on purpose: drop, delay, repeat, fault (ends the flight); or none.")
    ] = "drop,delay,repeat",
    patience_s: Annotated[float, typer.Option(help="Real time to wait for a silent script.", min=0.1)] = 30.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
    configs: Configs = None,
) -> None:
    """Play the service to your script and say what is wrong with it; exit 1 if anything is."""
    from guidance_svc.adapters.config_files import chosen_folder, load_library
    from guidance_svc.loopback.conform_command import Wishes, mishaps_of, run_conform, show

    with plain_errors():
        library = load_library(chosen_folder(configs))
        if connect is not None:
            from guidance_svc.loopback.conform_connect import check_service

            checks = list(check_service(library, plan, role_of(role), connect))
        else:
            port = None if own_vehicle else vehicle_port
            wishes = Wishes(plan, role_of(role), zmq, tcp, port, mishaps_of(mishaps), patience_s)
            checks = run_conform(library, wishes, lambda line: typer.echo(line, err=True))
    raise typer.Exit(show(checks, as_json))


def show_plans(flights: list[str], configs: Path | None, role: Role) -> Body | None:
    """Check the folder, print the plans (all of them when none is named); the last one's body."""
    from guidance_svc.adapters.access import load_access
    from guidance_svc.adapters.addresses import host_and_port, zmq_endpoint
    from guidance_svc.adapters.checking import plan_lines
    from guidance_svc.adapters.config_files import chosen_folder, load_library, load_settings

    folder = chosen_folder(configs)
    library, settings = load_library(folder), load_settings(folder)
    typer.echo(f"configs: {folder}")
    zmq_endpoint(settings.addresses.zmq, with_keys=load_access(settings.access) is not None)
    if settings.addresses.tcp:
        host_and_port(settings.addresses.tcp)
    body = None
    for wanted in flights or sorted(library.flights):
        name, library = named_plan(wanted, library)
        plan = library.plan(name, role)
        body = plan.body
        for line in plan_lines(plan, library.model(name).title):
            typer.echo(line)
        typer.echo()
    return body


def show_replay(file: Path, service: Answering) -> int:
    """Play and print the verdict; the exit code."""
    from guidance_svc.adapters.reading_bar import reading_bar
    from guidance_svc.adapters.replay import replay as play

    with reading_bar(file) as watch:
        verdict = play(file, service, watch)
    if verdict.remark:
        typer.echo(verdict.remark)
    if verdict.skipped:
        typer.echo(f"{verdict.skipped} refused messages are recorded in part only and were left out")
    if verdict.mismatch is not None:
        typer.echo(f"different at reply {verdict.compared}: {verdict.mismatch.sentence()}")
        return DIFFERENT
    typer.echo(f"the same: {verdict.compared} replies")
    return 0


def show_changes(file: Path, service: Answering, vehicle: str | None, plan: dict[str, Any]) -> int:
    """Play with another plan and print what changes; the exit code."""
    from guidance_svc.adapters.changes import replay_with_plan, vehicles_in

    flown = vehicles_in(file)
    if vehicle is None and len(flown) != 1:
        raise ConfigError("which_vehicle", "--vehicle", f"one of {', '.join(flown) or 'none'}", "nothing")
    if vehicle is not None and vehicle not in flown:
        raise ConfigError("unknown_name", "--vehicle", f"one of {', '.join(flown) or 'none'}", vehicle)
    chosen = vehicle or flown[0]
    changes = replay_with_plan(file, service, chosen, plan)
    typer.echo(f"{chosen} with flight plan {plan['name']}, the states as they were flown under the recorded plan:")
    typer.echo("what its first commands would have been, not the flight that would have followed")
    for line in change_lines(changes[chosen]):
        typer.echo(line)
    return 0


def change_lines(change: VehicleChange) -> Iterator[str]:
    """The table of what another plan changes."""

    def shown(value: tuple[int, float] | float | None) -> str:
        if value is None:
            return "-"
        return f"{value[1]:.3f} s (seq {value[0]})" if isinstance(value, tuple) else f"{value:.3f} s"

    yield f"{'':24}{'recorded':>28}{'replayed':>28}"
    for name, (was, now) in change.events.items():
        yield f"{name:24}{shown(was):>28}{shown(now):>28}"
    yield f"{'last cutoff announced':24}{shown(change.cutoff_at_s[0]):>28}{shown(change.cutoff_at_s[1]):>28}"
    at = "" if change.pitch_at_s is None else f" at {change.pitch_at_s:.3f} s"
    yield f"largest difference: pitch {change.pitch_deg:.6f} deg{at}, heading {change.heading_deg:.6f} deg"
    yield f"commands compared: {change.commands}, of which faults now: {change.faults}"


def named_plan(wanted: str, library: Library) -> tuple[str, Library]:
    """A plan's name, and the library that has it, from a name or a TOML file's path."""
    from guidance_svc.adapters.config_files import load_flight_file

    if wanted.endswith(".toml") or "/" in wanted:
        return Path(wanted).stem, load_flight_file(Path(wanted), library)
    return wanted, library


def role_of(text: str) -> Role:
    """The role, checked."""
    for role in get_args(Role):
        if role == text:
            return cast(Role, role)
    raise ConfigError("bad_value", "--role", "booster, upper_stage or tanker", text)


@contextmanager
def plain_errors() -> Iterator[None]:
    """One sentence on standard error and exit code 2, instead of a traceback."""
    try:
        yield
    except GuidanceError as error:
        typer.echo(f"guidance-svc: {error.sentence()}", err=True)
        raise typer.Exit(BAD_INPUT) from None


def main() -> None:
    """Entry point of the command."""
    from guidance_svc.adapters.kernel_cache import keep_kernels

    keep_kernels()
    app()
