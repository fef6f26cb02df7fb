"""The fast drift theory against the integrator over inclination and height, and how long plans of windows take."""

from __future__ import annotations

from math import degrees, pi, radians
from time import perf_counter

from rich.console import Console
from rich.table import Table

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Body, Site
from guidance_svc.orbits.drift import Field, MeanOrbit, advance_orbit, circular, integrate_orbit, mean_of, osculating_of
from guidance_svc.planning.windows.opportunities import open_close, opportunities, plane_of

EARTH = Body("Earth", 3.986004418e14, 6378137.0, 3.3528106647474805e-3, 1.0826266835531513e-3, 7.292115e-5)
FIELD = Field(EARTH, (1.0826266835531513e-3, -2.5326564853322355e-6, -1.619621591367e-6))  # EGM96, unnormalised
DAYS = 10
INCLINATIONS_DEG = (0.5, 10.0, 28.5, 51.6, 63.43, 90.0, 98.0, 150.0)
HEIGHTS_KM = (200.0, 460.0, 1000.0, 5000.0, 20000.0)


def errors(mean: MeanOrbit, field: Field = FIELD, days: int = DAYS) -> tuple[float, float, float]:
    """Theory less integrator after some days: node in deg, along the orbit in deg, place in km."""
    end_s = mean.epoch_s + days * SECONDS_PER_DAY
    start = osculating_of(mean, mean.epoch_s, field)
    mean = mean_of(start, field)
    flown = integrate_orbit(start, end_s, field)
    told = advance_orbit(mean, end_s, field)
    back = mean_of(flown, field)
    turn = back.node_rad + back.perigee_rad + back.mean_anomaly_rad
    turn -= told.node_rad + told.perigee_rad + told.mean_anomaly_rad
    place = norm(sub(osculating_of(mean, end_s, field).position_m, flown.position_m))
    return off_deg(told.node_rad - back.node_rad), off_deg(turn), place / 1e3


def off_deg(angle_rad: float) -> float:
    """An angle in (-180, 180] deg."""
    return degrees((angle_rad + pi) % (2.0 * pi) - pi)


def run(console: Console) -> None:
    """Two tables and three times."""
    table = Table(title=f"Theory less integrator after {DAYS} days, near-circular: node, 1e-3 deg (place, km)")
    table.add_column("inclination, deg", justify="right")
    for height in HEIGHTS_KM:
        table.add_column(f"{height:g} km", justify="right")
    for inclination in INCLINATIONS_DEG:
        cells = []
        for height in HEIGHTS_KM:
            node, _, place = errors(circular(0.0, 1e3 * height, radians(inclination), 1.0, FIELD, 0.7))
            cells.append(f"{1e3 * node:+.3f} ({place:.2f})")
        table.add_row(f"{inclination:g}", *cells)
    console.print(table)
    table = Table(title=f"The same for ellipses with perigee at 300 km, inclination 30 deg, after {DAYS} days")
    for name in ("eccentricity", "node, 1e-3 deg", "along, 1e-3 deg", "place, km"):
        table.add_column(name, justify="right")
    for e in (0.01, 0.05, 0.1, 0.3, 0.5, 0.72):
        node, along, place = errors(MeanOrbit(0.0, 6678137.0 / (1.0 - e), e, radians(30.0), 1.0, 0.8, 2.0))
        table.add_row(f"{e:g}", f"{1e3 * node:+.3f}", f"{1e3 * along:+.2f}", f"{place:.2f}")
    console.print(table)
    times(console)


def times(console: Console) -> None:
    """How long things take here and now."""
    mean = circular(0.0, 460e3, radians(30.0), 1.0, FIELD)
    start = osculating_of(mean, 0.0, FIELD)
    began = perf_counter()
    integrate_orbit(start, 30.0 * SECONDS_PER_DAY, FIELD)
    flown = perf_counter()
    for _ in range(1000):
        advance_orbit(mean, SECONDS_PER_DAY, FIELD)
    told = perf_counter()
    site = Site("Saltmarsh Point", radians(28.2), radians(-35.0), 5.0)
    found = opportunities(site, EARTH, 0.0, plane_of(mean, FIELD), 0.0, 30.0 * SECONDS_PER_DAY)
    for one in found:
        open_close(one, margin_m_s=20.0)
    planned = perf_counter()
    console.print(
        f"integrator, 30 days: {flown - began:.2f} s; theory, any span: {1e3 * (told - flown):.1f} us; "
        f"30 days of windows ({len(found)}) with their open and close times: {1e3 * (planned - told):.1f} ms"
    )
