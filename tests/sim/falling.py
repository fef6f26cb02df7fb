"""Vehicles that come down, and the equations of their motion written anew for scipy's DOP853. All invented."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from guidance_svc.core.atmosphere import air
from guidance_svc.core.frames import site_state, triad
from guidance_svc.core.vectors import along
from guidance_svc.domain import Body, Site, Stage, Vec, Vehicle
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.state import SimState, World
from guidance_svc.sim.weather import Weather, gust_waves

Array = NDArray[np.float64]
EARTH = Body("Earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.0826267e-3, 7.292115e-5, "us1976")
SITE = Site("Samphire", radians(28.6), radians(-80.5), 3.0)
PAD = Pad(SITE)
TOWER = Pad(SITE, catch_height_m=60.0)
STAGE = Stage(
    "Sandpiper", 27e3, 20e3, 7.92e6, 3050.0, 6.66, 0.55, engine_count=9, groups=(1, 3, 9), engine_lag_s=0.12,
    ignition_delay_s=0.2,
)  # fmt: skip
VEHICLE = Vehicle(
    "Sandpiper", (STAGE,), drag_area_m2=10.8, drag_curve=((0.0, 0.3), (1.0, 0.5), (4.0, 0.28)),
    attitude_rate_limit_rad_s=radians(15.0), attitude_acceleration_limit_rad_s2=radians(10.0), percussion_m=12.0,
    fall_drag_curve=((0.0, 0.75), (1.0, 1.2), (3.0, 1.25)), fall_lift_curve=((0.0, 1.5), (2.0, 1.0)),
    legs_below_m=18.0, legs_radius_m=7.0, catch_point_m=15.0,
)  # fmt: skip
WIND = ((0.0, 3.0, -4.0), (10e3, 10.0, 30.0), (20e3, -5.0, 8.0))


def ball(gravity_m_s2: float, radius_m: float = 6.4e9, **air: Any) -> Body:
    """So large that its gravity is nearly the same at all heights, at rest."""
    return Body("ball", gravity_m_s2 * radius_m**2, radius_m, **air)


def above(
    height_m: float, world: World, down_m_s: float = 0.0, north_m_s: float = 0.0, east_m_s: float = 0.0,
    site: Site = SITE, **changes: Any,
) -> SimState:  # fmt: skip
    """A vehicle that stands upright over a site, with a velocity over ground; tanks full, engines off."""
    place, ground = site_state(site, world.body, world.meridian_at_zero_rad, 0.0)
    local = triad(place, "geodetic", world.body)
    place, ground = site_state(
        Site(site.name, site.latitude_rad, site.longitude_rad, site.altitude_m + height_m), world.body,
        world.meridian_at_zero_rad, 0.0,
    )  # fmt: skip
    speed = along(along(along(ground, -down_m_s, local.up), north_m_s, local.north), east_m_s, local.east)
    tanks = tuple(stage.propellant_kg for stage in world.vehicle.stages)
    return SimState(**{"time_s": 0.0, "position_m": place, "velocity_m_s": speed, "pointing": local.up,
                       "propellant_kg": tanks} | changes)  # fmt: skip


@dataclass
class Truth:
    """The motion of a vehicle that points one way all the time.

    Args:
        lit, throttle_frac: of the engines now; thrust and mass follow.
    """

    world: World
    pointing: Vec
    place: Array
    speed: Array
    mass_kg: float
    time_s: float = 0.0
    frac: float = 0.0
    lit: int = 0
    throttle_frac: float = 1.0

    def fly(self, until_s: float) -> None:
        """By DOP853 to a later time."""
        start = np.array([*self.place, *self.speed, self.frac, self.mass_kg])
        span = (self.time_s, until_s)
        y = solve_ivp(self.rates, span, start, method="DOP853", rtol=1e-11, atol=1e-10, max_step=0.05).y[:, -1]
        self.place, self.speed, self.frac, self.mass_kg, self.time_s = y[:3], y[3:6], y[6], y[7], until_s

    def rates(self, time_s: float, y: Array) -> Array:
        """d/dt of position, velocity, thrust share and mass."""
        stage, r, v = self.world.vehicle.stages[0], y[:3], y[3:6]
        share = self.lit / stage.engine_count
        air_n, pressure_pa = self.air(time_s, r, v)
        thrust_n = max(0.0, y[6] * stage.thrust_n - pressure_pa * stage.exit_area_m2 * share)
        force = air_n + thrust_n * np.array(self.pointing)
        lag = (share * self.throttle_frac - y[6]) / stage.engine_lag_s
        flow = stage.thrust_n / stage.exhaust_velocity_m_s * y[6]
        return np.array([*v, *(self.gravity(r) + force / y[7]), lag, -flow])

    def gravity(self, r: Array) -> Array:
        """Sphere and J2 in the vector form (Montenbruck and Gill, 3.1)."""
        body, d = self.world.body, float(np.linalg.norm(r))
        u, pole = r / d, np.array([0.0, 0.0, 1.0])
        k = 1.5 * body.j2 * body.mu_m3_s2 * body.radius_m**2 / d**4
        return -body.mu_m3_s2 / d**2 * u + k * ((5.0 * u[2] ** 2 - 1.0) * u - 2.0 * u[2] * pole)

    def air(self, time_s: float, r: Array, v: Array) -> tuple[Array, float]:
        """Drag and lift, engines first, and the ambient pressure."""
        body, vehicle, weather = self.world.body, self.world.vehicle, self.world.weather or Weather()
        height_m = height_above_ellipsoid_m(tuple(r), body.radius_m, body.flattening)  # geocentric, as the kernel's
        density, pressure_pa, sound_m_s, _ = air(height_m)
        flow = v - np.cross([0.0, 0.0, body.rotation_rad_s], r) - self.wind(time_s, r, height_m, weather)
        speed = float(np.linalg.norm(flow))
        mach, ahead = speed / sound_m_s, flow / speed
        across = np.array(self.pointing) - np.dot(self.pointing, ahead) * ahead
        q_n = 0.5 * density * weather.density_frac * speed**2 * vehicle.drag_area_m2
        drag = weather.drag_frac * np.interp(mach, *zip(*vehicle.fall_drag_curve, strict=True))
        slope = np.interp(mach, *zip(*vehicle.fall_lift_curve, strict=True))
        # cos and sin of the angle of attack: the second is the length of `across`; lift is to the other side
        lift = -slope * abs(float(np.dot(self.pointing, ahead))) * across
        return q_n * (lift - drag * ahead), pressure_pa

    def wind(self, time_s: float, r: Array, height_m: float, weather: Weather) -> Array:
        """Of the air over ground, at the geocentric vertical."""
        heights, norths, easts = zip(*(weather.wind or ((0.0, 0.0, 0.0),)), strict=True)
        north, east = np.interp(height_m, heights, norths), np.interp(height_m, heights, easts)
        waves = gust_waves(weather.seed, weather.gust_s)
        size = weather.gust_m_s * np.sqrt(2.0 / len(waves))
        north += size * sum(np.cos(rate * time_s + phase) for rate, phase, _ in waves)
        east += size * sum(np.cos(rate * time_s + phase) for rate, _, phase in waves)
        eastward = np.cross([0.0, 0.0, 1.0], r)
        eastward /= np.linalg.norm(eastward)
        return north * np.cross(r / np.linalg.norm(r), eastward) + east * eastward
