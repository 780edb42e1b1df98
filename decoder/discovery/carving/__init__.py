"""How payloads are cut into fields."""
