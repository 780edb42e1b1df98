"""Judging: channels and a pack sheet give findings."""

from decoder.judgement.finding import Finding, Judgement, Severity
from decoder.judgement.judging import judge

__all__ = ["Finding", "Judgement", "Severity", "judge"]
