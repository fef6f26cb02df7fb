"""What the commands share: the application, options, errors as one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast, get_args

import typer

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Role
from guidance_svc.errors import ConfigError, GuidanceError

if TYPE_CHECKING:
    from guidance_svc.files.config_files import Library


BAD_INPUT = 2  # exit code: what was asked cannot be done as it stands
DIFFERENT = 1  # exit code of replay: a reply differs

app = typer.Typer(
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


def named_plan(wanted: str, library: Library) -> tuple[str, Library]:
    """A plan's name, and the library that has it, from a name or a TOML file's path."""
    from guidance_svc.files.config_files import load_flight_file

    if wanted.endswith(".toml") or Path(wanted).name != wanted:
        return Path(wanted).stem, load_flight_file(Path(wanted), library)
    return wanted, library


def role_of(text: str) -> Role:
    """The role that the text names; a usage error where it names none."""
    for role in get_args(Role):
        if role == text:
            return cast(Role, role)
    raise ConfigError("bad_value", "--role", "booster, upper_stage, launch_vehicle or tanker", text)


def _show_version(wanted: bool) -> None:
    if wanted:
        from guidance_svc import __version__

        typer.echo(f"guidance-svc {__version__}")
        raise typer.Exit


@app.callback(help=f"Guidance for scripted flight computers, over a socket.\n\n{CAUTION}")
def options(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and end.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    """What stands before a command."""


@contextmanager
def plain_errors() -> Iterator[None]:
    """One sentence on standard error and exit code 2, instead of a traceback."""
    try:
        yield
    except GuidanceError as error:
        typer.echo(f"guidance-svc: {error.sentence()}", err=True)
        raise typer.Exit(BAD_INPUT) from None
