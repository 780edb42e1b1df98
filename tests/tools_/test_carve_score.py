"""Scoring by hand: what counts as exact, and what is counted."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.proposal import Carving, Proposal, Selector, Stream
from decoder.frames import Frames
from tools.carve_score import Tally, class_of, same_place, score
from tools.carve_table import calibration_lines, rate_lines, rates, worst_lines
from tools.layouts.recording import make_trial
from tools.layouts.truth import Draft, Trial, TrueField, TrueStream, measured


def true_field(field, top, changes=20, kind="number"):
    return TrueField(Draft(field, kind), changes, top, both_signs=False)


def trial_of(data, *drafts):
    data = np.array(data, np.uint8)
    stream = TrueStream("can0", 0x123, False, tuple(measured(d, data) for d in drafts), data, np.ones(len(data), bool))
    return Trial(0, Frames.empty(("can0",)), (stream,))


def carved(trial, *proposals):
    one = trial.streams[0]
    n = len(one.data)
    stream = Stream(one.bus, one.can_id, one.extended, None, np.arange(n), one.data, np.arange(n))
    return (Carving(stream, proposals, np.empty(0, np.intp)),)


def wire(start, length, **more):
    return Field(start, length, "big", **more)


# Twelve bits, big-endian, from bit 3 of byte 0 to bit 0 of byte 1; the highest that changed is bit 1 of byte 0.
TWELVE = true_field(wire(3, 12), top=9)


@pytest.mark.parametrize(
    ("proposed", "right"),
    [
        (wire(3, 12), True),
        (wire(1, 10), True),  # from the highest bit that changed
        (wire(2, 11), True),
        (wire(0, 9), False),  # leaves a changing bit out
        (wire(4, 13), False),  # takes a bit that is not the field's
        (wire(3, 11), False),  # another least significant bit
        (Field(8, 12), False),  # the right least significant bit, but the other byte order
        (wire(15, 8), False),
    ],
)
def test_exact_is_the_right_lowest_bit_and_a_highest_bit_within_bounds(proposed, right):
    assert same_place(proposed, TWELVE) is right


def test_within_a_byte_both_orders_are_one():
    assert same_place(Field(2, 4), true_field(wire(5, 4), top=3))
    assert same_place(wire(5, 4), true_field(Field(2, 4), top=3))


def test_the_order_counts_where_the_true_field_crosses_a_byte_though_only_one_byte_moves():
    true = true_field(Field(0, 16), top=4)
    assert same_place(Field(0, 5), true)
    assert not same_place(wire(4, 5), true)


def test_classes_by_changes():
    assert [class_of(changes) for changes in (0, 1, 9, 10)] == [None, "few", "few", "many"]


BYTE_COUNTS_UP = [[number, 0, 0] for number in range(20)]


def test_coverage_and_precision_count_changing_bits_and_changing_proposals():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "number"))  # five bits change, 19 times
    tally, errors = score(
        trial,
        carved(
            trial,
            Proposal(Field(0, 3), "number", 0.2),
            Proposal(Field(3, 5), "constant", 0.9),
            Proposal(Field(8, 8), "constant", 1.0),
        ),
    )
    assert tally.counts["true many"] == 1
    assert tally.counts["found many"] == 0
    assert (tally.counts["covered many"], tally.counts["bits many"]) == (3, 5)
    # The proposal 3|5 changes twice only: to 8 and to 16.
    assert (tally.counts["proposed many"], tally.counts["proposed few"]) == (1, 1)
    assert tally.counts["right many"] == tally.counts["right few"] == 0
    assert tally.brier == pytest.approx((0.2**2 + 0.9**2) / 2)
    assert (tally.counts["bin 2"], tally.counts["bin 9"], tally.counts["right in bin 9"]) == (1, 1, 0)
    assert errors[0].count == 3


def test_one_right_proposal_gives_full_marks():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "counter"))
    tally, errors = score(trial, carved(trial, Proposal(Field(0, 6), "counter", 1.0)))
    assert tally.share("found many", "true many") == 1
    assert tally.share("right many", "proposed many") == 1
    assert tally.share("covered many", "bits many") == 1
    assert tally.share("named counter", "true counter") == 1
    assert tally.brier == 0
    assert errors[0].count == 0


def test_a_right_place_with_the_wrong_name_is_found_and_not_named():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "check", form="sum"))
    tally, _ = score(trial, carved(trial, Proposal(Field(0, 8), "number", 1.0)))
    assert tally.counts["found check, sum"] == 1
    assert tally.counts["named check, sum"] == 0
    assert tally.counts["true check, linear"] == 0


def test_nothing_proposed_is_nothing_found():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "number"))
    tally, errors = score(trial, ())
    assert tally.share("found many", "true many") == 0
    assert tally.share("right many", "proposed many") is None
    assert errors[0].count == 1


@pytest.mark.parametrize(
    ("true_sign", "proposed_sign", "values", "sign", "both"),
    [
        (True, True, (-3, 2), (1, 1), (1, 1)),
        (True, False, (-3, 2), (0, 1), (0, 1)),
        (False, False, (3, 250), (1, 1), (0, 0)),
        (False, True, (3, 250), (0, 1), (0, 0)),
        (True, False, (3, 100), (0, 0), (0, 0)),  # showed one sign only: nobody can know
    ],
)
def test_signs_count_where_they_can_be_known(true_sign, proposed_sign, values, sign, both):
    trial = trial_of([[value % 256] for value in values * 10], Draft(Field(0, 8, "little", true_sign), "number"))
    tally, _ = score(trial, carved(trial, Proposal(Field(0, 8, "little", proposed_sign), "number", 1.0)))
    assert tally.counts["found many"] == 1
    assert (tally.counts["right sign"], tally.counts["true sign"]) == sign
    assert (tally.counts["right both signs"], tally.counts["true both signs"]) == both


PAGES = [[number % 2, number // 2, 0] for number in range(80)]
SELECTOR = Field(0, 8)


def pages(value):
    return trial_of(PAGES, Draft(SELECTOR, "multiplexor"), Draft(Field(8, 8), "number", Selector(SELECTOR, value)))


def found_under(trial, selector, **more):
    tally, _ = score(trial, carved(trial, Proposal(Field(8, 8), "number", 1.0, selector)), **more)
    return tally.counts["found number"]


def test_a_field_under_a_multiplexor_is_found_under_its_value_only():
    trial = pages(1)
    assert found_under(trial, Selector(SELECTOR, 1))
    assert found_under(trial, Selector(Field(0, 4), 1))  # a shorter selector that picks the same frames
    assert not found_under(trial, Selector(SELECTOR, 0))
    assert not found_under(trial, Selector(SELECTOR, None))
    assert not found_under(trial, None)
    assert found_under(trial, None, any_value=True)


def test_an_indexed_field_is_found_under_each_value_of_its_index_only():
    trial = pages(None)
    assert found_under(trial, Selector(SELECTOR, None))
    assert not found_under(trial, Selector(Field(16, 8), None))
    assert not found_under(trial, Selector(SELECTOR, 1))
    assert not found_under(trial, None)
    tally, _ = score(trial, carved(trial, Proposal(Field(8, 8), "number", 1.0, Selector(SELECTOR, None))))
    assert tally.counts["named indexed series"] == tally.counts["true indexed series"] == 1


def test_coverage_under_a_multiplexor_asks_for_a_proposal_in_the_same_frames():
    trial = pages(1)
    for value, covered in ((1, True), (0, False)):
        tally, _ = score(trial, carved(trial, Proposal(Field(8, 8), "number", 1.0, Selector(SELECTOR, value))))
        assert (tally.counts["covered many"] == tally.counts["bits many"] - 1) is covered  # one bit is the selector's


def test_rows_with_another_identifiers_payload_do_not_count():
    trial = trial_of([[5, 0]] * 4 + [[0xAA, 0xFF]] + [[5, 0]] * 4, Draft(Field(0, 8), "number"))
    stream = trial.streams[0]
    sound = np.arange(9) != 4
    drafts = (measured(stream.fields[0].draft, stream.data[sound]),)
    trial = Trial(0, trial.frames, (TrueStream("can0", 0x123, False, drafts, stream.data, sound),))
    tally, _ = score(trial, carved(trial, Proposal(Field(0, 8), "number", 1.0), Proposal(Field(8, 8), "number", 1.0)))
    assert not any(tally.counts[f"{what} {name}"] for what in ("true", "proposed") for name in ("many", "few"))


def test_a_proposal_outside_the_payload_is_refused():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "number"))
    with pytest.raises(ValueError, match="leave its 3 bytes"):
        score(trial, carved(trial, Proposal(Field(24, 8), "number", 1.0)))


def knowing_all(trial):
    """Carvings that say the truth."""
    return tuple(
        Carving(
            Stream(
                one.bus, one.can_id, one.extended, None, np.arange(len(one.data)), one.data, np.arange(len(one.data))
            ),
            tuple(Proposal(true.field, true.kind, 1.0, true.draft.multiplexor) for true in one.fields),
            np.flatnonzero(~one.sound),
        )
        for one in trial.streams
    )


@pytest.mark.parametrize("seed", range(960, 970))
def test_the_truth_scores_full_marks_in_everything(seed):
    trial = make_trial(seed)
    tally, errors = score(trial, knowing_all(trial))
    assert all(share == 1 for share, of in rates(tally).values() if of)
    assert tally.brier == 0
    assert not any(error.count for error in errors)


def test_tallies_add_up():
    one, other = Tally(), Tally()
    for tally, found in ((one, 1), (other, 3)):
        tally.counts.update({"found many": found, "true many": 4, "proposed many": 2})
        tally.squares = 0.5
    one.add(other)
    assert one.share("found many", "true many") == 0.5
    assert one.brier == 0.25


def test_tables_say_what_was_counted():
    trial = trial_of(BYTE_COUNTS_UP, Draft(Field(0, 8), "number"), Draft(Field(8, 4), "constant"))
    tally, errors = score(
        trial, carved(trial, Proposal(Field(0, 8), "number", 0.75), Proposal(Field(4, 1), "flag", 0.5))
    )
    lines = list(rate_lines({"one": tally, "other": Tally()}))
    row = next(line for line in lines if line.startswith("proposals that are exact, 10 changes or more"))
    assert row.split()[-5:] == ["100.0", "%", "of", "1", "-"]
    row = next(line for line in lines if line.startswith("proposals that are exact, 1 to 9 changes"))
    assert row.split()[-5:] == ["0.0", "%", "of", "1", "-"]
    assert "0.7 to 0.8             1  100.0 %" in list(calibration_lines(tally))
    text = "\n".join(worst_lines(errors))
    assert "identifier 123: 20 frames, 1 errors" in text
    assert "! 4|1 flag 0.50" in text
    assert "? " not in text
