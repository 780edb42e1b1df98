"""Made captures: what is put in can be taken out again, layouts are sound, and habits are as frequent as meant."""

import itertools
from collections import Counter

import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field, Payloads, raw_range
from decoder.discovery.proposal import Selector
from tools.layouts.counters_and_checks import crc8
from tools.layouts.habits import draw_habits
from tools.layouts.pack_world import make_world
from tools.layouts.recording import Task, _laid_out, make_trial
from tools.layouts.several import several
from tools.layouts.sheet import Sheet, field_at
from tools.layouts.truth import Draft, measured, rows_under

SEEDS = range(900, 960)


@pytest.fixture(scope="module")
def trials():
    return [make_trial(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def streams(trials):
    return [stream for trial in trials for stream in trial.streams]


def blank_sheet(n, length=8):
    rng = np.random.default_rng(0)
    world = make_world(rng)
    return Sheet(rng, rng, draw_habits(rng), world, np.arange(n) * 0.1, np.zeros(n, bool), length)


def cantools_signal(field, name="Field"):
    order = "little_endian" if field.byte_order == "little" else "big_endian"
    conversion = BaseConversion.factory(is_float=False)
    return Signal(name, field.start, field.length, order, field.signed, conversion)


@st.composite
def fields(draw):
    order = draw(st.sampled_from(["little", "big"]))
    length = draw(st.integers(1, 62))  # raw values are int64
    at = draw(st.integers(0, 64 - length))
    return field_at(at, length, order, signed=draw(st.booleans()))


@settings(max_examples=60, deadline=None)
@given(field=fields(), data=st.data())
def test_values_put_on_a_sheet_are_what_cantools_takes_out(field, data):
    low, high = raw_range(field)
    raw = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=5))
    sheet = blank_sheet(len(raw))
    sheet.put(field, "number", np.array(raw))
    message = Message(1, "M", 8, [cantools_signal(field)], strict=True)
    assert [message.decode(row.tobytes(), scaling=False)["Field"] for row in sheet.data] == raw


@given(position=st.integers(0, 63), length=st.integers(1, 24))
def test_a_big_endian_field_counts_its_position_as_sent(position, length):
    assert field_at(position, length, "big").wire_start == position
    assert field_at(position, length, "little").bit_numbers()[0] == position


def test_a_put_under_a_multiplexor_leaves_the_other_frames_alone():
    sheet = blank_sheet(4)
    selector = Field(0, 8)
    sheet.put(selector, "multiplexor", np.array([0, 1, 0, 1]))
    before = sheet.data[1::2].copy()
    sheet.put(Field(8, 16), "number", 0x1234, Selector(selector, 0), np.array([1, 0, 1, 0], bool))
    assert sheet.data[0, 1:3].tolist() == [0x34, 0x12]
    np.testing.assert_array_equal(sheet.data[1::2], before)


def test_cantools_reads_every_plain_layout_and_finds_no_overlap(streams):
    for stream in streams:
        plain = [field.field for field in stream.fields if field.draft.multiplexor is None]
        signals = [cantools_signal(field, f"F{number}") for number, field in enumerate(plain)]
        message = Message(1, "M", stream.data.shape[1], signals, strict=True)  # strict: refuses overlaps
        row = len(stream.data) // 2
        decoded = message.decode(stream.data[row].tobytes(), scaling=False)
        payloads = Payloads(stream.data[row : row + 1])
        assert [decoded[f"F{number}"] for number in range(len(plain))] == [int(payloads.field(f)[0]) for f in plain]


def selectors(selector):
    values = {}
    while selector is not None:
        values[selector.field] = selector.value
        selector = selector.within
    return values


def test_fields_carried_by_one_frame_share_no_bit(streams):
    for stream in streams:
        for one, other in itertools.combinations(stream.fields, 2):
            under, too = selectors(one.draft.multiplexor), selectors(other.draft.multiplexor)
            apart = any(under[field] != too[field] for field in under.keys() & too.keys())
            assert apart or not set(one.field.bit_numbers()) & set(other.field.bit_numbers())


def test_streams_are_what_the_capture_holds(trials):
    for trial in trials[:20]:
        keys = {(key.can_id, key.extended): rows for key, rows in trial.frames.rows_of.items()}
        assert len(keys) == len(trial.streams)
        for stream in trial.streams:
            rows = keys[stream.can_id, stream.extended]
            assert set(trial.frames.length[rows].tolist()) == {stream.data.shape[1]}
            np.testing.assert_array_equal(trial.frames.data[rows, : stream.data.shape[1]], stream.data)
        assert (np.diff(trial.frames.time_ns) >= 0).all()


def test_a_seed_makes_the_same_capture_again():
    one, other, third = make_trial(5), make_trial(5), make_trial(6)
    np.testing.assert_array_equal(one.frames.data, other.frames.data)
    np.testing.assert_array_equal(one.frames.time_ns, other.frames.time_ns)
    assert [s.fields for s in one.streams] == [s.fields for s in other.streams]
    assert [s.fields for s in one.streams] != [s.fields for s in third.streams]


def changing(streams):
    return [stream for stream in streams if any(field.changes for field in stream.fields)]


def carry(streams, kind):
    return sum(any(field.kind == kind for field in stream.fields) for stream in streams) / len(streams)


def test_habits_are_as_frequent_as_in_captures_of_real_packs(trials, streams):
    moving = changing(streams)
    assert 0.15 < carry(moving, "counter") < 0.25  # one in five
    assert 0.10 < carry(moving, "check") < 0.19  # one in seven
    assert 0.03 < carry(moving, "multiplexor") < 0.15
    found = [field for stream in streams for field in stream.fields if field.changes]
    assert sum(field.changes < 10 for field in found) > 0.5 * len(found)
    straddling = Counter(f.field.byte_order for f in found if f.field.first_byte != f.field.last_byte)
    assert straddling["big"] > straddling["little"] > 0.1 * straddling.total()
    lengths = Counter(field.field.length for field in found)
    assert sum(lengths[bits] for bits in (1, 2, 4, 8, 12, 16)) > 0.75 * lengths.total()
    assert all(lengths[bits] for bits in (3, 5, 6, 7, 9, 10, 11, 13, 14, 24, 32))
    assert {field.kind for stream in streams for field in stream.fields} == {
        "constant", "counter", "check", "flag", "state", "number", "multiplexor", "text", "unknown",
    }  # fmt: skip
    assert all(10 <= len(trial.streams) <= 40 for trial in trials)
    span_s = [np.ptp(trial.frames.time_ns) / 1e9 for trial in trials]
    assert 15 < min(span_s) < 40
    assert 120 < max(span_s) <= 201


def test_one_changing_identifier_in_ten_has_a_byte_that_leaves_all_ones_for_good(streams):
    leaving = 0
    for stream in changing(streams):
        data = stream.data[stream.sound]
        top_flips = (np.diff(data >> 7, axis=0) != 0).sum(axis=0)
        leaving += bool(((data[0] == 0xFF) & (data[-1] != 0xFF) & (top_flips == 1)).any())
    assert 0.05 < leaving / len(changing(streams)) < 0.18


def test_counters_count_modulo_15_about_as_often_as_16(streams):
    moduli = Counter()
    for stream in streams:
        for field in stream.fields:
            if field.kind == "counter" and field.field.length == 4:
                moduli[15 not in Payloads(stream.data[stream.sound]).field(field.field)] += 1
    assert 0.25 < moduli[True] / moduli.total() < 0.75


def test_counters_step_evenly_but_for_lost_frames(streams):
    for stream in streams:
        for field in stream.fields:
            if field.kind != "counter" or not stream.sound.all():
                continue
            raw = Payloads(stream.data).field(field.field)
            whole = 1 << field.field.length
            steps = Counter(((raw[1:] - raw[:-1]) % whole).tolist())
            assert sum(count for _, count in steps.most_common(3)) > 0.8 * steps.total()  # the wrap of 15 and 14 too


# CRC catalogue values for "123456789": CRC-8/HITAG (1D, initial FF) B4; CRC-8/AUTOSAR (2F, FF) without its last XOR.
@pytest.mark.parametrize(("polynomial", "check"), [(0x1D, 0xB4), (0x2F, 0xDF ^ 0xFF)])
def test_crc_gives_the_published_check_values(polynomial, check):
    data = np.frombuffer(b"123456789" * 2, np.uint8).reshape(2, 9)
    assert crc8(data, polynomial, 0xFF).tolist() == [check, check]


def checks(streams):
    for stream in streams:
        for field in stream.fields:
            if field.kind == "check":
                yield field, stream.data[stream.sound]


def test_a_check_follows_from_the_rest_of_its_payload(streams):
    for field, data in checks(streams):
        bits = np.unpackbits(data, axis=1, bitorder="little")
        rest = np.delete(bits, list(field.field.bit_numbers()), axis=1)
        whole = np.unique(bits, axis=0)
        assert len(np.unique(rest, axis=0)) == len(whole)


def test_sums_differ_from_the_sum_of_the_rest_by_one_constant(streams):
    seen = Counter()
    for field, data in checks(streams):
        if field.draft.form != "sum":
            continue
        bits = field.field.length
        check = Payloads(data).field(field.field)
        nibbles = (data >> 4).sum(axis=1, dtype=np.int64) + (data & 0xF).sum(axis=1, dtype=np.int64)
        total = nibbles - check if bits == 4 else data.sum(axis=1, dtype=np.int64) - check
        plain = np.unique((check - total) % (1 << bits))
        negated = np.unique((check + total) % (1 << bits))
        assert 1 in (len(plain), len(negated))
        seen[bits] += 1
    assert seen[4]
    assert seen[8]


def test_linear_checks_keep_the_exclusive_or_of_any_three_rows(streams):
    # Affine over GF(2): if payloads a, b, c, d have a ^ b ^ c = d, so have their checks.
    rng = np.random.default_rng(0)
    tried = 0
    for field, data in checks(streams):
        if field.draft.form != "linear":
            continue
        bits = np.unpackbits(data, axis=1, bitorder="little")
        own = list(field.field.bit_numbers())
        rest = np.delete(bits, own, axis=1)
        known = {row.tobytes(): bits[number, own] for number, row in enumerate(rest)}
        a, b, c = rng.integers(0, len(rest), (3, 300))
        for one in range(300):
            check = known.get((rest[a[one]] ^ rest[b[one]] ^ rest[c[one]]).tobytes())
            if check is not None:
                np.testing.assert_array_equal(bits[a[one], own] ^ bits[b[one], own] ^ bits[c[one], own], check)
                tried += len({a[one], b[one], c[one]}) == 3
    assert tried > 100


def test_measured_tells_changes_highest_bit_and_both_signs():
    data = np.array([[0x10], [0x10], [0x13], [0xF0], [0x10]], np.uint8)
    true = measured(Draft(Field(0, 8, "little", signed=True), "number"), data)
    assert (true.changes, true.top, true.both_signs) == (3, 7, True)
    true = measured(Draft(Field(0, 4, "little", signed=True), "number"), data)
    assert (true.changes, true.top, true.both_signs) == (2, 1, False)
    true = measured(Draft(Field(2, 2), "state"), data)
    assert (true.changes, true.top, true.both_signs) == (0, -1, False)


def test_measured_looks_only_at_frames_that_carry_the_field():
    data = np.array([[0, 5], [1, 9], [0, 5], [1, 8], [0, 7]], np.uint8)
    under = Selector(Field(0, 8), 0)
    assert measured(Draft(Field(8, 8), "number", under), data).changes == 1
    assert measured(Draft(Field(8, 8), "number", Selector(Field(0, 8), None)), data).changes == 4
    nested = Selector(Field(8, 8), 5, under)
    assert rows_under(data, nested).tolist() == [True, False, True, False, False]


@pytest.mark.parametrize("sort", ["states", "numbers", "temperatures", "joined", "indexed", "nested"])
def test_siblings_have_one_layout_and_lives_of_their_own(sort):
    rng = np.random.default_rng(11)
    world, habits = make_world(rng), draw_habits(rng)
    different = 0
    for seed in range(12):
        one, other = (_laid_out(rng, world, habits, Task(sort, seed, sibling)) for sibling in (0, 1))
        assert [draft.field for draft in one.drafts] == [draft.field for draft in other.drafts]
        rows = min(len(one.data), len(other.data))
        different += not np.array_equal(one.data[:rows], other.data[:rows])
    assert different > 8


def test_frames_with_another_identifiers_payload_are_rare_and_known(streams):
    unsound = [np.count_nonzero(~stream.sound) for stream in streams]
    assert 1 <= sum(unsound) <= 30
    assert max(unsound) <= 3


def test_several_captures_are_one_in_the_order_of_time():
    first = make_trial(900).frames
    wanted = len(first.rows_of) + 3
    joined = several(900, wanted, 3000)
    assert len(joined) == 3000
    assert len(joined.rows_of) == wanted
    assert joined.bus_names == ("can0", "can1")
    assert np.all(np.diff(joined.time_ns) >= 0)
    own = joined.bus == 0
    count = np.count_nonzero(own)
    assert 0 < count < 3000
    assert np.array_equal(joined.data[own], first.data[:count])
    assert np.array_equal(joined.can_id[own], first.can_id[:count])
    assert len(np.unique(joined.can_id[~own])) == 3
