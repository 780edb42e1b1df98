"""How what was found becomes lines of a signal map and of a pack sheet."""
