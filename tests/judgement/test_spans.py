"""Single bad moments become spans, whatever the pattern, and quickly."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.judgement.spans import MOST_SPANS, spans

SECOND = 1_000_000_000


def slowly(times, bad, good, at_least, join_s):
    """Runs of bad moments with no good one between them, one by one, then joined."""
    runs, run = [], []
    for index, (is_bad, is_good) in enumerate(zip(bad, good, strict=True)):
        if is_good and run:
            runs.append(run)
            run = []
        if is_bad:
            run.append(index)
    runs += [run] if run else []
    joined = []
    for run in (run for run in runs if len(run) >= at_least):
        if joined and times[run[0]] - times[joined[-1][-1]] <= join_s * SECOND:
            joined[-1] += run
        else:
            joined.append(list(run))
    return joined


_MOMENTS = st.lists(st.tuples(st.sampled_from("bgx"), st.integers(0, 8)), max_size=60)


@given(_MOMENTS, st.integers(1, 4), st.sampled_from([0.0, 1.0, 5.0]))
def test_spans_equal_those_found_one_by_one(moments, at_least, join_s):
    times = np.cumsum([gap for _, gap in moments]).astype(np.int64) * SECOND
    bad = np.array([kind == "b" for kind, _ in moments], np.bool_)
    good = np.array([kind == "g" for kind, _ in moments], np.bool_)
    expected = slowly(times.tolist(), bad, good, at_least, join_s)
    found = spans(times, bad, good=good, at_least=at_least, join_s=join_s)
    if len(expected) > MOST_SPANS:
        (whole,) = found
        assert whole.parts == len(expected)
        expected = [[index for run in expected for index in run]]
    assert [(s.first, s.last, s.count, s.from_ns, s.to_ns) for s in found] == [
        (run[0], run[-1], len(run), times[run[0]], times[run[-1]]) for run in expected
    ]


def test_a_million_flickering_samples_are_one_span_in_many_parts():
    times = np.arange(1_000_000, dtype=np.int64) * SECOND // 100
    (span,) = spans(times, times % 3 == 0, join_s=0.0)
    assert span.parts > 100_000


def test_a_span_never_ends_before_it_begins_where_the_clock_jumps_back():
    times = np.array([10, 11, 2, 3]) * SECOND
    (span,) = spans(times, np.ones(4, np.bool_))
    assert span.from_ns <= span.to_ns
