"""Where a vehicle comes down: the ground about a pad, the arms of a tower over it, and what a contact was like."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Literal

from guidance_svc.domain import Landing, Site


@dataclass(frozen=True, slots=True)
class Pad:
    """A place to land, where it really is.

    Args:
        site: its altitude is that of the ground, here and all around.
        catch_height_m: of the arms above that ground; None where there are none.
        reach_m: how far from the arms' middle the catch point may be and still be held.
        arms_north_m, arms_east_m: of the arms' middle from the site.
    """

    site: Site
    catch_height_m: float | None = None
    reach_m: float = 2.0
    arms_north_m: float = 0.0
    arms_east_m: float = 0.0


def pads_of(landing: Landing) -> tuple[Pad, ...]:
    """Where a plan lands, first, and where it may land instead, as the plan has them."""
    return tuple(Pad(one.site, one.catch_height_m if one.bears == "arms" else None) for one in landing.places)


@dataclass(frozen=True, slots=True)
class Contact:
    """The instant at which legs or arms began to bear.

    Args:
        site: name of the pad.
        on: what bore; "ground" for a vehicle without legs.
        down_m_s, across_m_s: speed over ground of the point whose position is told.
        tilt_rad: of the thrust axis from the vertical.
        turn_rad_s: size of the turning rate.
        north_m, east_m: the middle of the feet from the site, the catch point from the arms' middle.
    """

    time_s: float
    site: str
    on: Literal["legs", "arms", "ground"]
    down_m_s: float
    across_m_s: float
    tilt_rad: float
    turn_rad_s: float
    north_m: float
    east_m: float

    @property
    def miss_m(self) -> float:
        """Distance from where it should have been."""
        return hypot(self.north_m, self.east_m)

    @property
    def speed_m_s(self) -> float:
        """Speed over ground of the point whose position is told."""
        return hypot(self.down_m_s, self.across_m_s)
