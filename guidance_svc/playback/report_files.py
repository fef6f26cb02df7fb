"""The `report` command: recording in, page, PNG sheets, CSV and orbit messages out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.playback.recordings import MISSHAPEN
from guidance_svc.playback.replay import Answering
from guidance_svc.playback.report_detail import add_detail, needs_detail
from guidance_svc.playback.report_reading import Progress, Recording, let_go, read_recording
from guidance_svc.playback.reporting import count_texts, flights_of
from guidance_svc.report.burn_table import landing_text
from guidance_svc.report.burns import Burns
from guidance_svc.report.csv_text import csv_pieces
from guidance_svc.report.flown import Flown
from guidance_svc.report.odm import ephemeris, orbit_parameters, parse_epoch
from guidance_svc.systems import file_stem

HOW_TO_GET_PAGES = (
    "no page and no PNG: matplotlib or jinja2 is not installed; get both with  pip install '.[report]'  in the "
    "checkout, or ask for --csv or --odm, which need nothing"
)
HISTORY_BYTES_OF_REPLAY: Final = 128 << 20  # of the sessions that are played again: 900,000 states
_UNSAFE = re.compile(r"[^A-Za-z0-9_\-]+")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line asks for.

    Args:
        others: more files, recorded after it.
        out: folder; None: beside the recording's name in the working directory.
        epoch: UTC of vehicle time 0, for the orbit messages.
    """

    recording: Path
    vehicle: str | None = None
    out: Path | None = None
    csv: bool = False
    odm: bool = False
    epoch: str = ""
    replay: bool = True
    others: tuple[Path, ...] = ()


def run_report(wanted: Wanted, service: Callable[[], Answering], echo: Callable[[str], None]) -> None:
    """Write the report of a recording.

    Args:
        service: makes a fresh service, to play to where the recording lacks the numbers behind the commands.
        echo: prints a line: the files, what was odd, how a landing went.

    Raises:
        RecordingError: no recording, or nothing in it to report.
        ConfigError: a bad option, a folder that cannot be written, or no matplotlib and nothing else asked for.
    """
    epoch = parse_epoch(wanted.epoch)
    with progress_bar() as progress:
        recording = read_recording(wanted.recording, progress, wanted.others)
        flights_of(recording, wanted.vehicle)  # says what is missing before anything takes long
        if wanted.replay and needs_detail(recording):
            replay_detail(recording, service(), progress)
        flights = [(flown, Burns(flown)) for flown in flights_of(recording, wanted.vehicle)]
        let_go(recording)
        folder = wanted.out or Path(f"{wanted.recording.stem}-report")
        paths = list(write_files(wanted, recording, flights, epoch, folder, progress))
    for path in paths:
        echo(str(path))
    for remark in recording.remarks:
        echo(remark)
    for text in filter(None, (landing_text(flown, burns) for flown, burns in flights)):
        echo(text)
    if not have_matplotlib():
        if not (wanted.csv or wanted.odm):
            raise ConfigError("missing_package", "report", HOW_TO_GET_PAGES, "no matplotlib")
        echo(HOW_TO_GET_PAGES)


def replay_detail(recording: Recording, service: Answering, progress: Progress) -> None:
    """What guidance believed, by playing the recording again; a recording that cannot be played is reported without."""
    try:
        add_detail(recording, service, progress)
    except (GuidanceError, *MISSHAPEN) as error:
        recording.remarks.append(f"the recording could not be played again: {error}")
    finally:
        service.close()


def write_files(
    wanted: Wanted, recording: Recording, flights: list[tuple[Flown, Burns]], epoch: datetime, folder: Path,
    progress: Progress,
) -> Iterator[Path]:  # fmt: skip
    """Write the files one by one; their paths.

    Raises:
        ConfigError: the folder cannot be written.
    """
    start, end = wall_time(recording.start_ns), wall_time(recording.end_ns)
    names = file_names([flown for flown, _ in flights])
    for name, (flown, burns) in zip(names, flights, strict=True):
        progress(f"writing {name}", 0, 0)
        if wanted.csv:
            yield write(folder / f"{name}.csv", csv_pieces(flown, start))
        if wanted.odm:
            yield write(folder / f"{name}.opm", orbit_parameters(flown, epoch, end))
            yield write(folder / f"{name}.oem", ephemeris(flown, epoch, end))
        if have_matplotlib():
            from guidance_svc.report.drawing import sheet
            from guidance_svc.report.overview import panel_groups

            yield write(folder / f"{name}.png", sheet(flown.name, panel_groups(flown, burns)))
    if have_matplotlib():
        from guidance_svc.report.page import About, report_page

        progress("writing the page", 0, 0)
        version, strangers = recording.about.get("version", ""), count_texts(recording.strangers)
        about = About(recording.path.name, start, end, version, remarks(recording), strangers)
        yield write(folder / "report.html", report_page(about, flights))


def wall_time(time_ns: int) -> datetime:
    """The instant as UTC, written without a zone."""
    return datetime(1970, 1, 1) + timedelta(microseconds=time_ns // 1000)


def remarks(recording: Recording) -> tuple[str, ...]:
    """Sentences on the recording as a whole."""
    texts = list(recording.remarks)
    left_out = "states of {} came before any session of it and are left out"
    texts += [f"{count} {left_out.format(name)}" for name, count in recording.orphans.items()]
    if recording.different:
        texts.append(
            f"played again, {recording.different} of {recording.replayed} replies differ from the recorded ones: "
            "what guidance believed is what it would have believed now (another version, or another configuration)"
        )
    if recording.short:
        texts.append(f"sessions with fewer than two states are left out: {', '.join(recording.short)}")
    return tuple(text for text in texts if text)


def file_names(flights: list[Flown]) -> list[str]:
    """A safe and unique file name for each flight, whatever the vehicle is called."""
    names: list[str] = []
    for flown in flights:
        name = _UNSAFE.sub("_", flown.vehicle)[:64].strip("_") or "vehicle"
        name = file_stem(name)
        name = name if flown.of == 1 else f"{name}-{flown.number}"
        while name.lower() in (known.lower() for known in names):
            name += "_"
        names.append(name)
    return names


def write(path: Path, content: str | bytes | Iterator[str]) -> Path:
    """Write a file, whole or in pieces, its folder made if missing; one that is there is replaced.

    Raises:
        ConfigError: it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as file:
            for piece in (content,) if isinstance(content, str | bytes) else content:
                file.write(piece.encode() if isinstance(piece, str) else piece)
    except OSError as error:
        expected = "a folder that can be written to"
        raise ConfigError("cannot_write", "--out", expected, error.strerror or error, str(path)) from None
    return path


def have_matplotlib() -> bool:
    """Whether plots can be drawn and pages made."""
    try:
        import jinja2  # noqa: F401
        import matplotlib  # noqa: F401
    except ImportError:
        return False
    return True


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A bar on standard error while it is a terminal; else nothing."""
    from rich.console import Console
    from rich.progress import BarColumn, TaskID, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    console = Console(stderr=True)
    bars = Bars(
        TextColumn("{task.description:<24}"), BarColumn(30), TextColumn("{task.fields[count]}"), TimeElapsedColumn(),
        console=console, transient=True, disable=not console.is_terminal,
    )  # fmt: skip
    with bars:
        tasks: dict[str, TaskID] = {}

        def show(what: str, done: int, of: int) -> None:
            for name, task in tasks.items():
                bars.update(task, visible=name == what)
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=of or None, count="")
            count = f"{done:,} of {of:,}" if of else f"{done:,}" if done else ""
            bars.update(tasks[what], completed=done, count=count)

        yield show
