"""The messages: models, units and ranges of the wire, and their bytes. Pure. Which laws and events there are, `laws`
knows: here their names are texts, and a phase's keys have a base alone."""
