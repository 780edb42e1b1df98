"""Channels each on their own, temperatures, swelling pressure, and the signs of thermal runaway."""
