"""Planning before the burn: targets, and later windows and campaigns. Pure."""
