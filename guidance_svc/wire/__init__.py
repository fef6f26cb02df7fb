"""The messages: models, units and ranges of the wire, and their bytes. Pure."""
