"""Pure numerics: functions of floats and 3-tuples, SI units and radians, no I/O and no clock."""
