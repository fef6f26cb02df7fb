"""What has been shown, kept: so that the page can be opened late, and a past flight looked at moment by moment."""

from __future__ import annotations

import json
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any, Final

MOMENTS_KEPT: Final = 200_000  # over all vehicles, about 700 bytes each; beyond it every second one is let go
POINTS_SENT: Final = 1500  # of one curve; a chart is some 800 pixels wide

Point = tuple[float, float, float | None, float | None, float, float | None]  # wall, time, downrange, altitude, pitch


@dataclass(slots=True)
class Line:
    """One vehicle's moments, in the order in which they were heard.

    Args:
        walls_s: since the recording's first message, rising.
        texts: the moments as JSON.
        points: (wall s, vehicle time s, downrange m, altitude m, commanded pitch deg, flown pitch deg).
    """

    walls_s: list[float] = field(default_factory=list)
    texts: list[bytes] = field(default_factory=list)
    points: list[Point | None] = field(default_factory=list)

    def drop_last(self) -> None:
        """Forget the newest moment."""
        for column in (self.walls_s, self.texts, self.points):
            column.pop()

    def thin(self) -> None:
        """Let every second moment go, but never the first and the last."""
        keep = [i for i in range(len(self.walls_s)) if i % 2 == 0 or i == len(self.walls_s) - 1]
        self.walls_s = [self.walls_s[i] for i in keep]
        self.texts = [self.texts[i] for i in keep]
        self.points = [self.points[i] for i in keep]


class Story:
    """The moments of every vehicle, bounded in number."""

    def __init__(self, kept: int = MOMENTS_KEPT) -> None:
        self.lines: dict[str, Line] = {}
        self.spacing = 1
        self._kept = kept
        self._count = 0

    def add(self, vehicle: str, wall_s: float, moment: dict[str, Any], apart_s: float = 0.0) -> bytes:
        """Keep a moment; its JSON.

        Args:
            apart_s: wall time that kept moments are apart; the newest takes the place of one that is nearer than that
                to the one before it. Else, with every second one let go time and again, the beginning would fade.
        """
        line = self.lines.setdefault(vehicle, Line())
        if len(line.walls_s) > 1 and line.walls_s[-1] - line.walls_s[-2] < apart_s:
            line.drop_last()
            self._count -= 1
        text = json.dumps(moment, separators=(",", ":"), allow_nan=False).encode()
        line.walls_s.append(wall_s)
        line.texts.append(text)
        line.points.append(_point(moment))
        self._count += 1
        if self._count > self._kept:
            self._thin()
        return text

    def at(self, wall_s: float) -> list[bytes]:
        """The newest moment of each vehicle at a time; of those that had not come yet, none."""
        found = []
        for line in self.lines.values():
            index = bisect_right(line.walls_s, wall_s)
            if index:
                found.append(line.texts[index - 1])
        return found

    def curve(self, vehicle: str, points: int = POINTS_SENT) -> dict[str, list[float | None]]:
        """A vehicle's curve as columns, at most so many points; empty columns for a vehicle that is not known."""
        line = self.lines.get(vehicle, Line())
        chosen = [point for point in line.points if point is not None]
        step = -(-len(chosen) // points) if chosen else 1
        chosen = [*chosen[:-1:step], chosen[-1]] if chosen else []
        names = ("wall_s", "time_s", "downrange_km", "altitude_km", "pitch_deg", "flown_pitch_deg")
        return {name: [point[i] for point in chosen] for i, name in enumerate(names)}

    @property
    def length_s(self) -> float:
        """Wall time from the first message to the last moment."""
        return max((line.walls_s[-1] for line in self.lines.values() if line.walls_s), default=0.0)

    def _thin(self) -> None:
        for line in self.lines.values():
            line.thin()
        self._count = sum(len(line.walls_s) for line in self.lines.values())
        self.spacing *= 2


def _point(moment: dict[str, Any]) -> Point | None:
    if moment.get("time_s") is None:
        return None
    downrange, altitude = moment.get("downrange_m"), moment.get("altitude_m")
    flown = moment.get("flown_pitch_deg")
    return (
        moment["wall_s"],
        round(moment["time_s"], 3),
        None if downrange is None else round(downrange / 1e3, 3),
        None if altitude is None else round(altitude / 1e3, 3),
        round(moment["pitch_deg"], 3),
        None if flown is None else round(flown, 3),
    )
