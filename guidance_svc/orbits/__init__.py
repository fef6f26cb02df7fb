"""Orbits over days: elements, drift of plane and phase, the bodies that pull.

In: an orbit and a gravity field. Out: where it is, and how it lies, at another time. Pure; may import `core` and
`domain`."""
