"""Commands about recorded flights."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from guidance_svc.cli.common import DIFFERENT, Configs, app, named_plan, plain_errors
from guidance_svc.constants import CAUTION
from guidance_svc.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from guidance_svc.playback.changes import Announced, VehicleChange
    from guidance_svc.playback.replay import Answering


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
    from guidance_svc.bootstrap import fresh_service
    from guidance_svc.files.config_files import chosen_folder, load_library
    from guidance_svc.playback.replay import OverSocket
    from guidance_svc.service.addresses import zmq_endpoint

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
def report(
    recordings: Annotated[list[Path], typer.Argument(help="Recordings, in the order in which they were made.")],
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
    from guidance_svc.bootstrap import fresh_service
    from guidance_svc.files.config_files import Library
    from guidance_svc.playback.report_files import HISTORY_BYTES_OF_REPLAY, Wanted, run_report

    with plain_errors():
        first, *others = recordings
        wanted = Wanted(first, vehicle, out, csv, odm, epoch, not no_replay, tuple(others))
        run_report(wanted, lambda: fresh_service(Library(), HISTORY_BYTES_OF_REPLAY), typer.echo)


@app.command()
def calibrate(
    recordings: Annotated[list[Path], typer.Argument(help="Recordings with at least one burn, in order.")],
    vehicle: Annotated[str | None, typer.Option(help="Which vehicle, where several fly.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Vehicle file to write; default: NAME-measured.toml for each vehicle.")
    ] = None,
) -> None:
    """Estimate engine and drag figures from recorded flights; print them and write a vehicle file."""
    from guidance_svc.playback.calibrating import calibrate_recordings, write_vehicle_file
    from guidance_svc.report.calibration_text import table_lines

    with plain_errors():
        found = [one for one in calibrate_recordings(recordings, vehicle, typer.echo) if one.stages or one.missed]
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


def show_replay(file: Path, service: Answering) -> int:
    """Play and print the verdict; the exit code."""
    from guidance_svc.playback.reading_bar import reading_bar
    from guidance_svc.playback.replay import replay as play

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
    from guidance_svc.playback.changes import replay_with_plan, vehicles_in

    flown = vehicles_in(file)
    if vehicle is None and len(flown) != 1:
        raise ConfigError("which_vehicle", "--vehicle", f"one of {', '.join(flown) or 'none'}", "nothing")
    if vehicle is not None and vehicle not in flown:
        raise ConfigError("unknown_name", "--vehicle", f"one of {', '.join(flown) or 'none'}", vehicle)
    chosen = vehicle or flown[0]
    changes = replay_with_plan(file, service, chosen, plan, typer.echo)
    typer.echo(f"{chosen} with flight plan {plan['name']}, the states as they were flown under the recorded plan:")
    typer.echo("what its first commands would have been, not the flight that would have followed")
    for line in change_lines(changes[chosen]):
        typer.echo(line)
    return 0


def change_lines(change: VehicleChange) -> Iterator[str]:
    """The table of what another plan changes."""

    def text_of(value: Announced | float | None) -> str:
        if value is None:
            return "-"
        return f"{value:z.3f} s" if isinstance(value, float) else f"{value.at_s:z.3f} s (seq {value.seq})"

    yield f"{'':24}{'recorded':>28}{'replayed':>28}"
    for name, (was, now) in change.events.items():
        yield f"{name:24}{text_of(was):>28}{text_of(now):>28}"
    yield f"{'last cutoff announced':24}{text_of(change.cutoff_at_s[0]):>28}{text_of(change.cutoff_at_s[1]):>28}"
    at = "" if change.pitch_at_s is None else f" at {change.pitch_at_s:z.3f} s"
    yield f"largest difference: pitch {change.pitch_deg:z.6f} deg{at}, heading {change.heading_deg:z.6f} deg"
    yield f"commands compared: {change.commands}, of which faults now: {change.faults}"
