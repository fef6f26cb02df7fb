"""Commands about a service that runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from guidance_svc.cli.common import Configs, app, plain_errors, role_of
from guidance_svc.constants import CAUTION

if TYPE_CHECKING:
    from guidance_svc.service.server import Ready


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
    until_input_ends: Annotated[bool, typer.Option("--until-input-ends", hidden=True)] = False,
) -> None:
    """Answer flight scripts until SIGTERM or Ctrl-C."""
    import logging

    from guidance_svc.board.beside import Watching
    from guidance_svc.bootstrap import Choices, make_service, run_service, stop_with_input
    from guidance_svc.service.logs import set_up_logs

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

        if until_input_ends:
            stop_with_input(service.server)
        with watching.of(service.recording, typer.echo):
            run_service(service, on_ready)
    log.info("stopped")


@app.command()
def keys(
    name: Annotated[str | None, typer.Argument(help="Script to make a pair for; default: the service only.")] = None,
    folder: Annotated[Path, typer.Option(help="Where the keys are kept, for their owner alone.")] = Path("keys"),
) -> None:
    """Make the key pairs that the service needs to listen beyond this machine."""
    from guidance_svc.service.key_files import make_keys

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

    from guidance_svc.files.config_files import chosen_folder, load_settings
    from guidance_svc.service.access import load_access
    from guidance_svc.service.health_view import ask_health, health_tables

    with plain_errors():
        settings = load_settings(chosen_folder(configs))
        address = connect or settings.addresses.tcp or settings.addresses.zmq
        access = load_access(settings.access) if address.startswith("tcp://") else None
        Console().print(health_tables(ask_health(address, access)))


@app.command()
def forget(
    vehicle: Annotated[str, typer.Argument(help="Whose session to give up.")],
    journal: Annotated[Path | None, typer.Option(help="The service's journal; default: as service.toml says.")] = None,
    configs: Configs = None,
) -> None:
    """Give up a vehicle's session whose token is lost, in a running service or in its journal."""
    import time

    from guidance_svc.files.config_files import chosen_folder, load_settings
    from guidance_svc.service.forgetting import ask_to_forget

    with plain_errors():
        folder = journal or Path(load_settings(chosen_folder(configs)).journal.folder)
        ask_to_forget(folder, vehicle, time.sleep)
    typer.echo(f"{vehicle}: session given up")


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
    from guidance_svc.board.running import show_board
    from guidance_svc.board.terminal import show_table

    with plain_errors():
        if table:
            show_table(recording, configs, beside_service)
        else:
            show_board(recording, address, configs, beside_service, typer.echo)


@app.command()
def conform(
    connect: Annotated[
        str | None,
        typer.Option(help="Check a running service instead: tcp://127.0.0.1:PORT (ZeroMQ) or 127.0.0.1:PORT (lines)."),
    ] = None,
    zmq: Annotated[str, typer.Option(help="Where your script connects by ZeroMQ.")] = "tcp://127.0.0.1:5770",
    tcp: Annotated[str, typer.Option(help="Where your script connects for JSON lines.")] = "127.0.0.1:5771",
    plan: Annotated[str, typer.Option(help="Flight plan of the vehicle that the kit flies.")] = "curlew_to_lagoon",
    role: Annotated[
        str | None, typer.Option(help="booster, upper_stage, launch_vehicle or tanker; default: as the plan says.")
    ] = None,
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
    from guidance_svc.conform.command import Wishes, mishaps_of, run_conform, show
    from guidance_svc.files.config_files import chosen_folder, load_library

    with plain_errors():
        library = load_library(chosen_folder(configs))
        flies_as = library.role_for(plan) if role is None else role_of(role)
        if connect is not None:
            from guidance_svc.conform.connect import check_service

            checks = list(check_service(library, plan, flies_as, connect))
        else:
            port = None if own_vehicle else vehicle_port
            wishes = Wishes(plan, flies_as, zmq, tcp, port, mishaps_of(mishaps), patience_s)
            checks = run_conform(library, wishes, lambda line: typer.echo(line, err=True))
    raise typer.Exit(show(checks, as_json))
