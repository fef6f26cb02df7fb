"""All that the service knows of its vehicles: the only changing state, without I/O or clock."""
