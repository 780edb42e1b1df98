"""Charge counted and charge at rest."""
