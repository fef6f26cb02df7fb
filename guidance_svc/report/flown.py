"""One session of one vehicle as a report sees it: states, the replies to them, what guidance believed, the link."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import degrees, pi

import numpy as np

from guidance_svc.core.frames import altitude_m, longitude_rad, meridian_rad, pitch_and_heading, triad
from guidance_svc.core.kepler import orbit_report
from guidance_svc.domain import Act, FlightPlan, Frame, OrbitReport, Phase, Role
from guidance_svc.report.track import Floats, Ints, Track, vec

LATE_S = 0.5  # beyond what a reply allowed; scripts that act on their own clock step over a cutoff by a tick


@dataclass(frozen=True)
class Forecast:
    """What the replies said of a landing, arrays of one number a state; NaN (or "") where they said nothing.

    Args:
        contact_in_s: from each state to contact.
        miss_m, speed_m_s, left_kg: predicted there; propellant above the reserve.
        throttle_frac, margin_frac: that the burn needs, and from that to the nearer of the engine's bounds.
        inside_m: from the contact point to the edge of what can be reached.
        engines: how many should burn; NaN: all.
        decide_at_s: vehicle time until which another site can be chosen.
        clearance: what the tower had said.
    """

    contact_in_s: Floats
    miss_m: Floats
    speed_m_s: Floats
    throttle_frac: Floats
    margin_frac: Floats
    left_kg: Floats
    inside_m: Floats
    engines: Floats
    decide_at_s: Floats
    clearance: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Divert:
    """What the replies said of a divert to another site.

    Args:
        in_reach: as last told.
        last_s: vehicle time at which it was last told to be in reach; None: never.
        decide_at_s, extra_kg: as last told: until when it can be chosen, and what propellant it costs.
    """

    site: str
    in_reach: bool = False
    last_s: float | None = None
    decide_at_s: float | None = None
    extra_kg: float | None = None

    def later(self, now_s: float, in_reach: bool, decide_at_s: float | None, extra_kg: float | None) -> Divert:
        """The same after another reply; the numbers of a site that is out of reach stay those of before."""
        return Divert(
            self.site, in_reach, now_s if in_reach else self.last_s,
            self.decide_at_s if decide_at_s is None else decide_at_s, self.extra_kg if extra_kg is None else extra_kg,
        )  # fmt: skip


@dataclass(frozen=True)
class Replies:
    """What the replies said, arrays of one number a state; NaN (or "") where a state has none or it does not apply.

    Args:
        pitch_deg, heading_deg, throttle_frac, time_to_cutoff_s, next_contact_s: as in `command`.
        pitch_rate_deg_s: likewise.
        phase, status: likewise.
        velocity_to_gain_m_s, perigee_altitude_m, apogee_altitude_m, margin_kg, exhaust_velocity_m_s,
            mass_flow_kg_s: of the detail; the altitudes are those of the predicted cutoff orbit.
        landing: what they said of a landing.
    """

    pitch_deg: Floats
    pitch_rate_deg_s: Floats
    heading_deg: Floats
    throttle_frac: Floats
    time_to_cutoff_s: Floats
    next_contact_s: Floats
    phase: tuple[str, ...]
    status: tuple[str, ...]
    velocity_to_gain_m_s: Floats
    perigee_altitude_m: Floats
    apogee_altitude_m: Floats
    margin_kg: Floats
    exhaust_velocity_m_s: Floats
    mass_flow_kg_s: Floats
    landing: Forecast


@dataclass(frozen=True, slots=True)
class SeenEvent:
    """An event of the replies.

    Args:
        at_s: vehicle time it was last announced for.
        announced_s: vehicle time of the state whose reply named it first.
        done_s: vehicle time of the first state that acknowledged it; None where none did.
        act: what a vehicle does at it; None for nothing.
    """

    id: str
    name: str
    at_s: float
    announced_s: float
    done_s: float | None = None
    act: Act | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """A warning, or a fault, and how often it came; times on the vehicle's clock, None where unknown."""

    text: str
    count: int
    first_s: float | None
    last_s: float | None


@dataclass(frozen=True)
class Link:
    """What the connection was like.

    Args:
        connections: how many the session came over.
        resumed: how often the session was taken up again with its token.
        repeats: states sent again under the same number.
        faults: refused messages.
        reloads: (vehicle time reached, vehicle time gone back to).
        closed: whether the script said `close`.
        late: states that came over LATE_S later on the vehicle's clock than the reply before allowed.
        skipped: numbers left out between states, where the script counts by one.
    """

    connections: int = 1
    resumed: int = 0
    repeats: int = 0
    faults: tuple[Said, ...] = ()
    reloads: tuple[tuple[float, float], ...] = ()
    closed: bool = False
    late: int = 0
    skipped: int = 0


@dataclass(frozen=True)
class Flown:
    """A flight as it counts: what a reload threw away and repeated states are left out.

    Args:
        vehicle: name; text from the recording.
        number: of the session among those of this vehicle, from 1; `of` is how many there are.
        laws: the phases of every law that there is, by the law's name as replies have it.
        track: the states, BCI.
        seqs, wall_s: of each state; wall time counts from the recording's first message.
        propellant_kg: as told; NaN where it was not.
        told: names of the optional fields that states carried.
        notes: sentences on what is estimated or missing.
    """

    vehicle: str
    number: int
    of: int
    role: Role
    plan: FlightPlan
    frame: Frame
    laws: Mapping[str, type[Phase]]
    track: Track
    seqs: Ints
    wall_s: Floats
    propellant_kg: Floats
    replies: Replies
    events: tuple[SeenEvent, ...] = ()
    diverts: tuple[Divert, ...] = ()
    warnings: tuple[Said, ...] = ()
    link: Link = field(default_factory=Link)
    told: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()

    def phases_with(self, is_meant: Callable[[type[Phase]], bool]) -> frozenset[str]:
        """Names of the laws whose phases are of a kind."""
        return frozenset(name for name, kind in self.laws.items() if is_meant(kind))

    @property
    def name(self) -> str:
        """The vehicle, with the session's number where it has several."""
        return self.vehicle if self.of == 1 else f"{self.vehicle}, session {self.number}"

    @cached_property
    def altitude_m(self) -> Floats:
        """Above the body's equatorial radius."""
        radii: Floats = np.linalg.norm(self.track.positions_m, axis=1)
        return radii - self.plan.body.radius_m

    @cached_property
    def height_m(self) -> Floats:
        """Above the body's ellipsoid."""
        return np.array([altitude_m(vec(p), self.plan.body, "ellipsoid") for p in self.track.positions_m])

    @cached_property
    def speed_m_s(self) -> Floats:
        """Inertial speed of this state."""
        speed: Floats = np.linalg.norm(self.track.velocities_m_s, axis=1)
        return speed

    @cached_property
    def ground_speed_m_s(self) -> Floats:
        """Over ground, vertical part included."""
        speed: Floats = np.linalg.norm(self.track.wind_m_s, axis=1)
        return speed

    @cached_property
    def dynamic_pressure_pa(self) -> Floats:
        """Half density times air speed squared, with the plan's atmosphere and no wind."""
        return np.asarray(0.5 * self.track.air[:, 0] * self.ground_speed_m_s**2)

    @cached_property
    def attitude_deg(self) -> Floats:
        """(n, 2): pitch and heading of the thrust axis about the script's own vertical; NaN where unknown."""
        body, rows = self.plan.body, []
        for position, pointing in zip(self.track.positions_m, self.track.pointing, strict=True):
            if np.isnan(pointing[0]):
                rows.append((np.nan, np.nan))
                continue
            pitch, heading = pitch_and_heading(vec(pointing), triad(vec(position), self.frame.up, body))
            rows.append((degrees(pitch), degrees(heading)))
        return np.array(rows).reshape(-1, 2)

    @cached_property
    def orbits(self) -> list[OrbitReport]:
        """The osculating orbit of each state."""
        body = self.plan.body
        pairs = zip(self.track.positions_m, self.track.velocities_m_s, strict=True)
        return [orbit_report(vec(p), vec(v), body) for p, v in pairs]

    @cached_property
    def perigee_altitude_m(self) -> Floats:
        """Osculating, above the equatorial radius."""
        return np.array([o.perigee_altitude_m for o in self.orbits])

    @cached_property
    def apogee_altitude_m(self) -> Floats:
        """Osculating, above the equatorial radius; infinite on an escape path."""
        return np.array([o.apogee_altitude_m for o in self.orbits])

    def ground_point_deg(self, time_s: float, position_m: Floats) -> tuple[float, float]:
        """Longitude (-180 to 180, east) and geocentric latitude below a position."""
        place = vec(position_m)
        east = longitude_rad(place, meridian_rad(self.plan.body, self.frame, time_s))
        up = np.arctan2(place[2], np.hypot(place[0], place[1]))
        return degrees(east), float(degrees(up))

    @cached_property
    def pitch_error_deg(self) -> Floats:
        """Flown pitch less the one that the reply before asked for at this time; NaN across gaps."""
        asked = self.replies.pitch_deg[:-1] + self.replies.pitch_rate_deg_s[:-1] * self.track.gaps_s
        asked[self.track.gaps_s > 1.0] = np.nan
        return np.concatenate([[np.nan], self.attitude_deg[1:, 0] - asked])

    @cached_property
    def heading_error_deg(self) -> Floats:
        """The same for the heading, on the short way round; NaN where the axis is nearly vertical."""
        off = np.full(len(self.seqs), np.nan)
        off[1:] = np.degrees(
            np.remainder(np.radians(self.attitude_deg[1:, 1] - self.replies.heading_deg[:-1]) + pi, 2.0 * pi) - pi
        )
        off[1:][self.track.gaps_s > 1.0] = np.nan
        off[np.abs(self.attitude_deg[:, 0]) > 85.0] = np.nan
        return off
