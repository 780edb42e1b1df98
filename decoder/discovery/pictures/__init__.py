"""Payloads as pictures, and what is said beside them."""
