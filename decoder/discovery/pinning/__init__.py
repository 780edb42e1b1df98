"""How readings of a meter become matches with fields."""
