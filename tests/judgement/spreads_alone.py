"""Spreads and sums judged alone: what else is judged has more to say of a single cell that stands off."""

from decoder.judgement import Judgement
from decoder.judgement.cells.spreads import spread_findings
from decoder.judgement.folding import folded


def judge(channels):
    """Judge by the one room only."""
    not_judged = {}
    return Judgement(tuple(folded([*spread_findings(channels, not_judged)])), not_judged)
