"""A flight plan flown in this process: the one loop that obeys commands, its vehicle, and what is made to go wrong.

In: a plan, a simulated vehicle, disturbances. Out: the flight, the orbit it came to, a recording. `loop` knows no
service; `service` and `command` put one beside it without sockets. May import `service`, `session`, `sim` and below."""
