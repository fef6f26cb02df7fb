"""Everything at once on one machine: simulated vehicles behind sockets, and the demo that flies them."""
