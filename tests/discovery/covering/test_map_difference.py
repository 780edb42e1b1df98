"""Two maps on one capture differ where bitstruct's values differ, and are paired by bits and pages."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.channels import decode
from decoder.discovery.covering.map_difference import map_difference
from tests.building import capture
from tests.discovery.map_texts import PAGES, VOLTS, dbc, frames_of
from tests.strategies import fields


def compared(first, second, frames):
    return map_difference(decode(frames, first), decode(frames, second))


FRAMES = frames_of([3500, 3501, 0x8001, 3600])


def test_the_same_map_is_the_same():
    found = compared(dbc(VOLTS), dbc(VOLTS), FRAMES)
    assert (found.same, found.differing, found.only_first, found.only_second) == (1, (), (), ())


@settings(max_examples=60, deadline=None)
@given(fields(8), fields(8), st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=6))
def test_differences_are_those_of_bitstruct(mine, theirs, payloads):
    def raw(field, payload):
        bits = field.bit_numbers()
        value = sum((payload[bit // 8] >> bit % 8 & 1) << at for at, bit in enumerate(bits))
        return value - (1 << len(bits)) if field.signed and value >> (len(bits) - 1) else value

    def text(field):
        order, sign = ("1" if field.byte_order == "little" else "0"), ("-" if field.signed else "+")
        return f'S : {field.start}|{field.length}@{order}{sign} (1,0) [0|0] ""'

    frames = capture([(0.1 * at, 0x123, one) for at, one in enumerate(payloads)])
    found = compared(dbc(text(mine)), dbc(text(theirs)), frames)
    if set(mine.bit_numbers()).isdisjoint(theirs.bit_numbers()):
        assert (len(found.only_first), len(found.only_second), found.same) == (1, 1, 0)
        return
    pairs = [(float(raw(mine, one)), float(raw(theirs, one))) for one in payloads]
    differing = [at for at, (some, other) in enumerate(pairs) if abs(some - other) > 1e-9 * max(abs(some), abs(other))]
    assert found.same == (not differing)
    if differing:
        (one,) = found.differing
        assert (one.samples, one.differing) == (len(payloads), len(differing))
        assert (one.value, one.other_value) == pairs[differing[0]]
        assert one.time_ns == round(differing[0] * 1e8)


@pytest.mark.parametrize(
    ("other", "how", "values"),
    [
        ('Pack_V : 7|16@0- (0.1,0) [0|0] "V"', "sign", (3276.9, -3276.7)),
        ('U : 7|16@0+ (0.5,0) [0|0] "V"', "scale", (350, 1750)),
        ('U : 7|16@0+ (0.1,1) [0|0] "V"', "offset", (350, 351)),
        ('U : 7|12@0+ (0.1,0) [0|0] "V"', "bits", (350, 21.8)),
        ('U : 0|16@1+ (0.1,0) [0|0] "V"', "byte order", (350, 4404.5)),
    ],
)
def test_what_differs_and_by_what(other, how, values):
    (one,) = compared(dbc(VOLTS), dbc(other), FRAMES).differing
    assert one.how == how
    assert (one.value, one.other_value) == pytest.approx(values)


def test_units_of_one_quantity_are_compared_as_one():
    millivolts = dbc('Pack_V : 7|16@0+ (100,0) [0|0] "mV"')
    assert compared(dbc(VOLTS), millivolts, FRAMES).same == 1


def test_pages_are_paired_by_page():
    swapped = (PAGES[0], PAGES[2].replace("16|", "8|").replace("B ", "C "), PAGES[1].replace("A ", "D "))
    frames = capture([(at, 0x123, bytes([1 + at % 2, at, at, at, 0, 0, 0, 0])) for at in range(9)])
    found = compared(dbc(*PAGES[:3]), dbc(*swapped), frames)
    assert found.same == 2
    assert [one.channel for one in found.only_first] == ["B"]
    assert [one.other for one in found.only_second] == ["C"]
