"""The vehicle simulator that demo, tests and dispersions fly. Pure steps: state in, state out."""
