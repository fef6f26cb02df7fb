"""A flight plan flown in this process: a simulated vehicle that obeys a session's commands, no socket between them.

In: a plan and a simulated vehicle. Out: the flight, and the orbit it came to. May import `session`, `sim` and below."""
