"""The demo: simulated vehicles behind sockets, the scripts that fly them, and what came of it.

In: a folder of plans. Out: a table and a page. May import everything below it."""
