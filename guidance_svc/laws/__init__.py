"""The phase laws: one file a law, and the table of all.

In: what a vehicle's state says and what the law remembers. Out: an order. Pure; may import `plan`, `wire`,
`orbits`, `core` and `domain`."""
