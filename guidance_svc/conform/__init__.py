"""The conformance kit: a reference service that watches a script, and a reference vehicle that watches a service.

In: a script or a service on the other side of a socket. Out: a table of checks, each with its cause in words. May
import everything below it."""
