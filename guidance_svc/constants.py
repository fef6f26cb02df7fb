"""Physical constants and protocol numbers, each with its unit and source on its line."""

from typing import Final

STANDARD_GRAVITY_M_S2: Final = 9.80665  # 3rd CGPM, 1901
SECONDS_PER_DAY: Final = 86400.0  # SI day
CLOCK_SLACK_S: Final = 1e-6  # a script that acts at a stated instant may report it rounded down

PROTOCOL_VERSION: Final = 1  # raised when a script written for the old one would misread the new one

CAUTION: Final = (
    "For simulation and teaching only. Real flight belongs to range safety and licensed practice; "
    "do not connect this service to a real vehicle."
)
