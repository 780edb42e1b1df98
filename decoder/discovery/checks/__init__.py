"""Checks (checksums and CRCs) in the payloads of one identifier, found without knowing where they are."""

from decoder.discovery.checks.check import Check, Parameters
from decoder.discovery.checks.finding import find_checks

__all__ = ["Check", "Parameters", "find_checks"]
