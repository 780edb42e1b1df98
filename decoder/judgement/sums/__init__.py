"""Where voltages do not add up: the pack, or the map."""
