"""Confidence means what it says: of what is proposed with nine in ten, nearly nine in ten are right."""

import pytest

from decoder.discovery.carve import carve
from tools.carve_score import score
from tools.layouts.recording import make_trial

SEEDS = range(900, 996, 8)  # for development, not for measuring: see `tools/carve_trial.py`
NOT_COUNTED = {"constant", "text", "check"}


@pytest.fixture(scope="module")
def scored():
    streams = []
    for seed in SEEDS:
        trial = make_trial(seed)
        _, errors = score(trial, carve(trial.frames))
        streams += errors
    return streams


@pytest.mark.parametrize(("least", "right", "fewest"), [(0.9, 0.85, 50), (0.8, 0.75, 200)])
def test_sure_proposals_are_right(scored, least, right, fewest):
    sure = sum(is_counted(one, least) for stream in scored for one in stream.proposals)
    wrong = sum(is_counted(one, least) for stream in scored for one in stream.wrong)
    assert sure >= fewest
    assert wrong <= (1 - right) * sure


def is_counted(proposal, least):
    return proposal.confidence >= least and proposal.kind not in NOT_COUNTED
