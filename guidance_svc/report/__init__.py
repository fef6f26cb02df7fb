"""Tables and pictures of what was flown."""
