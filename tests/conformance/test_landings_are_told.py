"""Scripts that land, sound or with one fault each: the kit tells which.

They fly the kit's own simulated vehicle, or are judged as one of their own; what is wrong is put in here.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.conformance.pilot import Message, Pilot

LANDS: dict[str, Any] = {"flies": ("plover_down", "booster")}


def mute(*names: str) -> Any:
    """Some fields are not sent."""

    def tell(state: Message) -> None:
        for name in names:
            state.pop(name)

    return tell


def all_engines(_: Pilot, command: Message, controls: Message) -> None:
    controls["engines"] = None


def burns_on(pilot: Pilot, command: Message, controls: Message) -> None:
    """Neither cut by contact nor by the clock, but when a reply says so."""
    controls.update(cut_on_contact=False, cutoff_at_s=None, engine_on=command["engine_on"])


@pytest.mark.parametrize("own", [False, True])
def test_a_sound_landing_is_not_accused(own: bool) -> None:
    checks = Pilot(**LANDS, own=own).checked()
    assert [f"{name}: {check.seen}" for name, check in checks.items() if check.outcome == "fail"] == []
    passes = {name for name, check in checks.items() if check.outcome == "pass"}
    assert passes >= {"engines_as_told", "tells_contact", "cut_at_contact", "throttles_as_told", "reads_replies"}
    assert checks["engines_as_told"].seen == "3 where 3 are ordered, 1 where 1 are ordered"


def test_a_script_that_lights_another_number_of_engines_is_told() -> None:
    check = Pilot(**LANDS, steer=all_engines, until_s=15.0).checked()["engines_as_told"]
    assert check.outcome == "fail"
    assert "engines ignored: 3 burn where 1 are ordered, first at" in check.seen
    assert "each reply's engines" in check.change


def test_the_number_of_engines_shows_in_the_mass_where_none_is_told() -> None:
    quiet = LANDS | {"own": True, "tell": mute("engines_lit"), "until_s": 15.0}
    check = Pilot(**quiet, steer=all_engines).checked()["engines_as_told"]
    assert "engines ignored: 3 burn where 1 are ordered" in check.seen
    sound = Pilot(**quiet).checked()["engines_as_told"]
    assert sound.outcome == "pass"


def test_a_script_that_never_tells_contact_is_told() -> None:
    check = Pilot(**LANDS, tell=mute("contact"), until_s=19.0).checked()["tells_contact"]
    assert check.outcome == "fail"
    assert "contact is still not told" in check.seen


def test_a_script_that_tells_contact_too_early_is_told() -> None:
    def early(state: Message) -> None:
        state["contact"] = state["contact"] or state["time_s"] > 14.0

    check = Pilot(**LANDS, tell=early, until_s=20.0).checked()["tells_contact"]
    assert check.outcome == "fail"
    assert "contact is told at 14." in check.seen


def test_a_script_whose_engine_burns_on_after_contact_is_told() -> None:
    check = Pilot(**LANDS, steer=burns_on, tell=mute("contact"), until_s=19.0).checked()["cut_at_contact"]
    assert check.outcome == "fail"
    assert "cut_on_contact ignored: the engine still burns" in check.seen
