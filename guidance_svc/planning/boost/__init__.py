"""The boost planner: the program through the air that leaves the most propellant in orbit, searched and flown."""
