"""Launch windows: when a site passes under a plane, and the plan that flies into it."""
