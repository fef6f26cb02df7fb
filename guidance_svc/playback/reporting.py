"""From a recording to the flights of a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import nan
from typing import Any

import numpy as np

from guidance_svc.errors import ConfigError, GuidanceError, RecordingError
from guidance_svc.laws.table import kinds
from guidance_svc.playback.report_reading import DETAIL, LANDING, Kept, Recording, Tally
from guidance_svc.playback.setting import setting_of
from guidance_svc.playback.tracks import track_of
from guidance_svc.report.flown import Flown, Forecast, Link, Replies, Said


def flights_of(recording: Recording, vehicle: str | None = None) -> list[Flown]:
    """The sessions with at least two states, of one vehicle or of all, in the order of their first state.

    Raises:
        ConfigError: no vehicle of that name.
        RecordingError: nothing was flown, or the flight plan is missing or does not hold.
    """
    names = sorted({s.vehicle for s in recording.sessions})
    if vehicle is not None and vehicle not in names:
        raise ConfigError("unknown_name", "--vehicle", f"one of {', '.join(names) or 'none'}", vehicle)
    flown = [s for s in recording.sessions if len(s.states) > 1 and vehicle in (None, s.vehicle)]
    if not flown:
        counts = ", ".join(f"{s.vehicle} with {len(s.states)}" for s in recording.sessions) or "no session"
        orphans = sum(recording.orphans.values())
        got = f"{counts}; {orphans} states without an open" if orphans else counts
        raise RecordingError("nothing_flown", "", "a vehicle with at least two states", got, str(recording.path))
    found = []
    for session in flown:
        mine = [s for s in flown if s.vehicle == session.vehicle]
        found.append(flight(recording, session, mine.index(session) + 1, len(mine)))
    return sorted(found, key=lambda one: float(one.wall_s[0]))


def flight(recording: Recording, kept: Kept, number: int, of: int) -> Flown:
    """One session as a report sees it."""
    session = kept.session
    try:
        setting = setting_of(session)
    except GuidanceError as error:
        expected = f"the flight plan and frame that {session.vehicle} flew with"
        raise RecordingError("no_plan", session.vehicle, expected, error.sentence(), str(recording.path)) from None
    track = track_of(setting, kept.states, kept.commands)
    radii = np.linalg.norm(track.positions_m, axis=1)
    if not (np.isfinite(track.velocities_m_s).all() and np.all((radii > 1.0) & np.isfinite(radii))):
        expected = "positions off the body's centre, and finite speeds"
        raise RecordingError("damaged_recording", session.vehicle, expected, "others", str(recording.path))
    return Flown(
        vehicle=session.vehicle, number=number, of=of, role=setting.role, plan=setting.plan, frame=setting.frame,
        laws={kind.law: kind for kind in kinds()}, track=track,
        seqs=np.array([s.seq for s in kept.states], dtype=np.int64),
        wall_s=np.array([(ns - recording.start_ns) / 1e9 for ns in kept.wall_ns]),
        propellant_kg=np.array([nan if s.propellant_kg is None else s.propellant_kg for s in kept.states]),
        replies=replies_of(kept.commands), events=tuple(kept.events.values()),
        diverts=tuple(kept.diverts.values()),
        warnings=count_texts(kept.warnings), told=frozenset(kept.told), notes=tuple(notes_of(kept, recording)),
        link=Link(len(session.links), session.resumed, session.repeats, count_texts(kept.faults),
                  tuple(session.reloads), session.ended == "closed", session.late, session.skipped),
    )  # fmt: skip


def replies_of(commands: list[dict[str, Any] | None]) -> Replies:
    """The replies as arrays."""

    def column(name: str) -> Any:
        values = [None if c is None else c[name] for c in commands]
        return np.array([nan if v is None else float(v) for v in values])

    def words(name: str) -> tuple[str, ...]:
        return tuple("" if c is None or c[name] is None else str(c[name]) for c in commands)

    nothing: tuple[float | None, ...] = (None,) * (len(DETAIL) + 2 + len(LANDING) + 1)
    details = [nothing if c is None or c["detail"] is None else c["detail"] for c in commands]
    gain, margin, exhaust, flow, perigee, apogee, contact_in, miss, speed, throttle, spare, left, inside = (
        np.array([nan if row[k] is None else float(row[k]) for row in details])  # type: ignore[arg-type]
        for k in range(len(nothing))
    )
    return Replies(
        column("pitch_deg"), column("pitch_rate_deg_s"), column("heading_deg"), column("throttle"),
        column("time_to_cutoff_s"), column("next_contact_s"),
        words("phase"), words("status"), gain, perigee, apogee, margin, exhaust, flow,
        Forecast(
            contact_in, miss, speed, throttle, spare, left, inside, column("engines"), column("decide_at_s"),
            words("clearance"),
        ),
    )  # fmt: skip


def count_texts(tallies: Mapping[str, Tally]) -> tuple[Said, ...]:
    """Counted texts, the most frequent first."""
    rows = [Said(text, t.count, t.first_s, t.last_s) for text, t in tallies.items()]
    return tuple(sorted(rows, key=lambda row: -row.count))


def notes_of(kept: Kept, recording: Recording) -> Iterator[str]:
    """What a report of this session has to say about its sources."""
    without = {
        "thrust_n": "Thrust was not told: exhaust velocity, back pressure and mass flow are those of the flight plan.",
        "pointing": "Attitude was not told: the commanded one stands for it, in the losses too.",
        "propellant_kg": "Propellant was not told: it is the mass less the flight plan's dry masses.",
        "throttle": "Throttle was not told: the commanded one stands for it.",
        "stage": "The stage was not told: it follows from the mass.",
        "engine_on": "Whether the engine is on was not told: it follows from thrust, throttle or the command.",
    }
    yield from (text for name, text in without.items() if name not in kept.told)
    if not any(c is not None and c["detail"] is not None for c in kept.commands):
        yield "What guidance believed was not recorded and not played again; the plots of it are left out."
    elif recording.replayed:
        yield (
            "What guidance believed was not recorded and comes from playing the recording again: replies are "
            f"repeatable, and {recording.replayed - recording.different} of {recording.replayed} came out the same."
        )
