"""All I/O: sockets, files, clocks, logs."""
