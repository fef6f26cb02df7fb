"""The running service: sockets, keys, who may do what and how fast, and how it is.

In: bytes from scripts. Out: bytes to them, after what they were is kept. May import `storage`, `files` and below."""
