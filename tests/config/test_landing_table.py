"""A table of a plan that nothing would read is refused."""

from __future__ import annotations

import pytest

from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import default_folder, load_library


def test_a_landing_in_a_plan_that_does_not_land_is_refused() -> None:
    library = load_library(default_folder())
    table = library.inlined("bargeman_to_lagoon")
    landing = {"name": "Samphire", "latitude_deg": 28.5, "longitude_deg": -80.5}
    with pytest.raises(ConfigError) as refusal:
        library.plan(dict(table or {}) | {"landing": landing}, "tanker")
    assert (refusal.value.field, refusal.value.expected) == ("landing", "no such table, because no phase lands")
