"""Commands about flights to come: check, fly the demo, plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from guidance_svc.cli.common import Configs, app, named_plan, plain_errors, role_of
from guidance_svc.domain import Body, Role

if TYPE_CHECKING:
    pass


@app.command()
def check(
    flights: Annotated[
        list[str] | None,
        typer.Argument(metavar="[FLIGHT]...", help="Names of flight plans, or TOML files; default: all of the folder."),
    ] = None,
    configs: Configs = None,
    role: Annotated[
        str | None,
        typer.Option(
            help="For plans without phases: booster, upper_stage, launch_vehicle or tanker; default: what the "
            "site and the stages make of the vehicle."
        ),
    ] = None,
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
    from guidance_svc.files.checking import frame_from, frame_lines

    with plain_errors():
        understood = frame_from(frame)
        body = show_plans(flights or [], configs, None if role is None else role_of(role))
        if body is not None:
            typer.echo("\n".join(frame_lines(body, understood, latitude_deg, longitude_deg)))
        typer.echo("all good")


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the recording, the logs and the plot page.")] = Path("demo-out"),
    speed: Annotated[str, typer.Option(help="Vehicle seconds in a real second: max, or a number such as 10.")] = "max",
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="A line a phase, even on a terminal.")] = False,
) -> None:
    """Fly a booster, an upper stage and a tanker over sockets, and print how exactly they arrived."""
    from guidance_svc.demo.running import run_demo, speed_of

    with plain_errors():
        times = speed_of(speed)
    raise typer.Exit(run_demo(out, as_json, times, plain=plain))


@app.command()
def rehearse(
    flight: Annotated[str, typer.Argument(help="Flight plan, by name or as a TOML file.")],
    carries: Annotated[
        str | None, typer.Option(help="Flight plan of the vehicle that it carries and lets go; flown as well.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for a recording, which report, replay and calibrate read.")
    ] = None,
    rate: Annotated[float, typer.Option(help="States a second under power.")] = 10.0,
    seed: Annotated[int, typer.Option(help="Of all that is drawn; the same seed gives the same flight.")] = 0,
    noise_m: Annotated[float, typer.Option(help="Noise of the positions told, m, one sigma an axis.")] = 0.0,
    noise_m_s: Annotated[float, typer.Option(help="Noise of the velocities told, m/s, one sigma an axis.")] = 0.0,
    noise_kg: Annotated[float, typer.Option(help="Noise of the mass told, kg, one sigma.")] = 0.0,
    delay_s: Annotated[float, typer.Option(help="From a state until its command is in force.")] = 0.0,
    lost_percent: Annotated[float, typer.Option(help="Of the states that get lost, and of the replies.")] = 0.0,
    tick_s: Annotated[
        float | None, typer.Option(help="The engine is cut on ticks of this length only; default: at any instant.")
    ] = None,
    thrust_percent: Annotated[float, typer.Option(help="True less planned thrust, such as -3.")] = 0.0,
    isp_percent: Annotated[float, typer.Option(help="The same of the specific impulse.")] = 0.0,
    dry_mass_percent: Annotated[float, typer.Option(help="The same of each stage's dry mass.")] = 0.0,
    tail_off_s: Annotated[
        float | None,
        typer.Option(help="True impulse after a cutoff, in seconds of full thrust; default: the vehicle file's."),
    ] = None,
    engine_loss_percent: Annotated[
        float, typer.Option(help="Thrust that the burning stage loses, at --engine-loss-at-s.")
    ] = 0.0,
    engine_loss_at_s: Annotated[float | None, typer.Option(help="When, on the vehicle's clock.")] = None,
    wind_north_m_s: Annotated[float, typer.Option(help="Wind towards the north, at all heights.")] = 0.0,
    wind_east_m_s: Annotated[float, typer.Option(help="The same towards the east.")] = 0.0,
    gust_m_s: Annotated[float, typer.Option(help="Gusts on top of it, one sigma an axis.")] = 0.0,
    density_percent: Annotated[float, typer.Option(help="True less modelled density of the air.")] = 0.0,
    drag_percent: Annotated[float, typer.Option(help="The same of the drag coefficient.")] = 0.0,
    ignition_s: Annotated[
        float, typer.Option(help="Ignition delay, true less the vehicle file's; never below none.")
    ] = 0.0,
    lag_s: Annotated[
        float | None, typer.Option(help="True time constant of the thrust; default: the vehicle file's.")
    ] = None,
    within_m: Annotated[float, typer.Option(help="How far perigee and apogee may miss the target.")] = 1000.0,
    within_deg: Annotated[float, typer.Option(help="The same of the plane.")] = 0.01,
    miss_m: Annotated[float, typer.Option(help="How far from its place a landing may touch.")] = 2.0,
    contact_m_s: Annotated[float, typer.Option(help="How far from the speed asked for.")] = 1.0,
    configs: Configs = None,
) -> None:
    """Fly a plan in this process against a simulated vehicle: the test to run before a flight.

    Prints what happened when, and the orbit or the contact against the plan. Guidance is told nothing of what you make
    go wrong.
    Exit code 1: the orbit or the contact is missed, or the vehicle is lost.
    """
    from math import inf

    from guidance_svc.files.config_files import chosen_folder, load_library
    from guidance_svc.rehearsal.command import ask_of, run_rehearsal
    from guidance_svc.rehearsal.disturbances import Disturbances, weather_of
    from guidance_svc.rehearsal.outcome import Bounds

    with plain_errors():
        name, library = named_plan(flight, load_library(chosen_folder(configs)))
        if carries is not None:
            carries, library = named_plan(carries, library)
        wrong = Disturbances(
            seed, noise_m, noise_m_s, noise_kg, delay_s, lost_percent / 100.0,
            thrust_frac=1.0 + thrust_percent / 100.0, exhaust_frac=1.0 + isp_percent / 100.0,
            dry_mass_frac=1.0 + dry_mass_percent / 100.0, tail_off_s=tail_off_s,
            thrust_kept_frac=1.0 - engine_loss_percent / 100.0,
            engine_loss_at_s=inf if engine_loss_at_s is None else engine_loss_at_s, ignition_s=ignition_s, lag_s=lag_s,
            weather=weather_of(
                wind_north_m_s, wind_east_m_s, gust_m_s, seed, 1.0 + density_percent / 100.0, 1.0 + drag_percent / 100.0
            ),
        )  # fmt: skip
        ask = ask_of(name, carries, rate, tick_s, wrong, Bounds(within_m, within_deg, miss_m, contact_m_s), out)
        code = run_rehearsal(library, ask, typer.echo)
    raise typer.Exit(code)


@app.command()
def boost(
    flight: Annotated[str, typer.Argument(help="Flight plan with a boost, by name or as a TOML file.")],
    carries: Annotated[str | None, typer.Option(help="Flight plan of the vehicle that the booster carries.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Where to write the plan with its new program; default: FLIGHT.planned.toml.")
    ] = None,
    plot: Annotated[Path | None, typer.Option(help="HTML page with the ascent; needs matplotlib.")] = None,
    return_margin_percent: Annotated[
        float, typer.Option(min=0.0, max=100.0, help="What a booster that comes back keeps beyond what that takes.")
    ] = 5.0,
    configs: Configs = None,
) -> None:
    """Search the boost program that leaves the most propellant at orbit within the plan's limits.

    For a booster that comes back, its reserve with it.
    """
    from guidance_svc.files.config_files import chosen_folder, load_library
    from guidance_svc.planning.boost.command import run_boost

    with plain_errors():
        name, library = named_plan(flight, load_library(chosen_folder(configs)))
        code = run_boost(library, name, carries, out, plot, typer.echo, return_margin_percent / 100.0)
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
    from guidance_svc.files.config_files import chosen_folder, load_library
    from guidance_svc.planning.windows.command import ask_of, run_windows

    with plain_errors():
        name, library = named_plan(flight, load_library(chosen_folder(configs)))
        run_windows(
            library,
            ask_of(name, carries, (plane, moon, orbit), start, days, epoch, meridian_deg, (j3, j4),
                   (margin_m_s, margin_kg), waiting_km, not impulsive, out),
            typer.echo,
        )  # fmt: skip


@app.command()
def campaign(
    file: Annotated[Path, typer.Argument(help="Campaign, a TOML file; see configs/campaigns/.")],
    out: Annotated[
        Path, typer.Option(help="Folder for the report, the page of plots and one flight plan a launch.")
    ] = Path("campaign-out"),
    configs: Configs = None,
) -> None:
    """Plan the launches that fill a depot by a date in a plane; write a flight plan for each."""
    from guidance_svc.files.config_files import chosen_folder, load_library
    from guidance_svc.planning.campaign.command import run_campaign

    with plain_errors():
        code = run_campaign(load_library(chosen_folder(configs)), file, out, typer.echo)
    raise typer.Exit(code)


def show_plans(flights: list[str], configs: Path | None, role: Role | None) -> Body | None:
    """Check the folder, print the plans (all of them when none is named); the last one's body."""
    from guidance_svc.files.checking import plan_lines, role_lines
    from guidance_svc.files.config_files import chosen_folder, load_library, load_settings
    from guidance_svc.rehearsal.reserve import return_lines
    from guidance_svc.service.access import load_access
    from guidance_svc.service.addresses import host_and_port, zmq_endpoint

    folder = chosen_folder(configs)
    library, settings = load_library(folder), load_settings(folder)
    typer.echo(f"configs: {folder}")
    zmq_endpoint(settings.addresses.zmq, with_keys=load_access(settings.access) is not None)
    if settings.addresses.tcp:
        host_and_port(settings.addresses.tcp)
    body = None
    for wanted in flights or sorted(library.flights):
        name, library = named_plan(wanted, library)
        flies_as = role or library.role_for(name)
        plan, model = library.plan(name, flies_as), library.model(name)
        body = plan.body
        roles = role_lines(plan, flies_as, model.phases is None, role is None)
        for line in (*plan_lines(plan, model.title), *return_lines(plan), *roles):
            typer.echo(line)
        typer.echo()
    return body
