"""A real-time guidance service for scripted flight computers.

For simulation and teaching only; real flight belongs to range safety and licensed practice.
"""

__version__ = "0.1.0"
