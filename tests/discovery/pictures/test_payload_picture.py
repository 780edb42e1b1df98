"""Which bits stand where in the picture of a payload."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.pictures.payload_picture import by_selector, picture
from decoder.discovery.proposal import Selector
from tests.discovery.carvings import carving, number
from tests.strategies import fields

NOISE = [bytes(row) for row in np.random.default_rng(2).integers(0, 256, (200, 8), np.uint8)]


def only(one, most=32, hidden=frozenset()):
    (section,) = picture(one, most, hidden).sections
    return section


def still(payload, *changing_bits):
    """Payloads of which only some bits change."""
    rows = []
    for n in range(20):
        row = bytearray(payload)
        for bit in changing_bits:
            row[bit // 8] ^= (n % 2) << (bit % 8)
        rows.append(bytes(row))
    return rows


def test_bits_run_as_sent_by_twos():
    section = only(carving(NOISE, number(Field(7, 16, "big"))))
    assert [line.bits for line in section.groups[0].lines] == [
        (7, 6), (5, 4), (3, 2), (1, 0), (15, 14), (13, 12), (11, 10), (9, 8),
    ]  # fmt: skip


def test_eight_bytes_of_noise_take_32_lines():
    section = only(carving(NOISE, number(Field(7, 64, "big"))))
    assert sum(len(group.lines) for group in section.groups) == 32


def test_little_endian_fields_stand_in_one_piece():
    one = picture(carving(NOISE, number(Field(0, 12)), number(Field(12, 12))), 32)
    assert one.low_first
    assert [group.kind for group in one.sections[0].groups] == ["field", "field", "free"]
    assert one.sections[0].groups[1].lines[0].bits == (12, 13)


def test_a_field_against_the_order_is_in_numbered_pieces():
    section = only(carving(NOISE, number(Field(7, 24, "big")), number(Field(24, 12))))
    assert [(group.kind, group.piece) for group in section.groups] == [
        ("field", 0), ("field", 0), ("free", 0), ("field", 1), ("free", 0),
    ]  # fmt: skip
    assert section.groups[3].lines[0].bits == (35, 34)


def test_bytes_at_rest_are_one_line_with_their_value():
    section = only(carving(still(b"\x05\x06\xab\xff", 0), number(Field(0, 8)), number(Field(16, 8), kind="constant")))
    assert [(group.kind, [line.value for line in group.lines]) for group in section.groups] == [
        ("field", ["0000010·", ""]),
        ("rest", ["06 AB FF"]),
    ]
    assert [one.kind for one in section.groups[1].proposals] == ["constant"]


def test_two_bits_at_rest_within_a_field_are_drawn():
    section = only(carving(still(b"\x00", 0, 1, 2, 5, 6, 7), number(Field(0, 8))))
    assert [line.bits for line in section.groups[0].lines] == [(7, 6), (5, 4), (3, 2), (1, 0)]


def test_the_odd_bit_of_a_field_stands_alone_at_its_top():
    section = only(carving(still(b"\x00", 0, 1, 2), number(Field(0, 3))))
    assert [line.bits for line in section.groups[1].lines] == [(2,), (1, 0)]


def test_neighbouring_flags_share_a_bracket():
    flags = [number(Field(bit, 1), kind="flag") for bit in (0, 2, 4, 6)]
    section = only(carving(still(b"\x00\x00", 0, 2, 4, 6), *flags))
    assert [(group.kind, len(group.proposals), len(group.lines)) for group in section.groups] == [
        ("rest", 0, 1), ("flags", 4, 4), ("rest", 0, 1),
    ]  # fmt: skip


def test_bits_that_change_without_a_field_are_shown():
    assert [group.kind for group in only(carving(still(b"\x00", 0))).groups] == ["rest", "free"]


def paged(values=4):
    return [bytes([n % values, *NOISE[n][:2]]) for n in range(200)]


def test_each_multiplexor_value_is_a_section_with_its_own_payloads():
    selector = Field(0, 8)
    under = [number(Field(8, 8), selector=Selector(selector, value)) for value in (0, 2)]
    found = picture(carving(paged(), number(selector, kind="multiplexor"), *under), 32)
    assert [section.selector and section.selector.value for section in found.sections] == [None, 0, 2]
    assert [set(section.data[:, 0].tolist()) for section in found.sections] == [{0, 1, 2, 3}, {0}, {2}]
    assert [group.kind for group in found.sections[0].groups] == ["field", "under", "free"]
    assert len(found.sections[0].groups[1].proposals) == 2
    assert [line.bits[0] // 8 for line in found.sections[1].groups[0].lines] == [1] * len(
        found.sections[1].groups[0].lines
    )


def test_nested_multiplexors_keep_what_has_both_values():
    outer, inner = Field(0, 8), Field(8, 1)
    selector = Selector(inner, 1, within=Selector(outer, 2))
    found = picture(carving(paged(), number(Field(16, 8), selector=selector)), 32)
    rows = found.sections[1].data
    assert len(rows) and set(rows[:, 0].tolist()) == {2} and set((rows[:, 1] & 1).tolist()) == {1}  # noqa: PT018


def test_a_field_under_each_value_is_drawn_for_the_commonest():
    payloads = [bytes([value, n]) for n, value in enumerate([1, 5, 5, 7, 5, 1])]
    found = picture(carving(payloads, number(Field(8, 8), selector=Selector(Field(0, 8), None))), 32)
    assert found.sections[1].shown == 5
    assert found.sections[1].data[:, 1].tolist() == [1, 2, 4]


def test_a_value_that_never_came_is_no_section():
    found = picture(carving(paged(), number(Field(8, 8), selector=Selector(Field(0, 8), 99))), 32)
    assert [section.selector for section in found.sections] == [None]


def test_flags_of_different_bytes_share_no_line():
    under = [number(Field(bit, 1), kind="flag", selector=Selector(Field(0, 8), 1)) for bit in (8, 10, 17)]
    section = picture(carving(paged(2), *under), 32).sections[1]
    assert [(group.kind, [line.bits for line in group.lines]) for group in section.groups] == [
        ("field", [(10,)]), ("field", [(8,)]), ("field", [(17,)]),
    ]  # fmt: skip


def test_what_does_not_fit_is_left_out_and_counted():
    wide = [bytes(row) for row in np.random.default_rng(3).integers(0, 256, (50, 400), np.uint8)]
    cells = [number(Field(7 + 16 * n, 16, "big")) for n in range(200)]
    found = picture(carving(wide, *cells), 32)
    assert sum(len(group.lines) for section in found.sections for group in section.groups) <= 32
    assert found.left_out == tuple(cells[4:])


def test_hidden_bytes_are_stars_and_not_drawn():
    section = only(carving(NOISE, number(Field(7, 24, "big"))), hidden=frozenset({1}))
    assert section.groups[0].lines[4].value == "**"
    assert not {8, 9, 10, 11, 12, 13, 14, 15} & set(section.drawn_bits)


def test_a_stream_without_payloads_has_no_sections():
    assert picture(carving([]), 32).sections == ()


def test_outer_multiplexors_stand_before_inner_ones():
    outer = [Selector(Field(0, 8), value) for value in (1, 2)]
    inner = [Selector(Field(8, 8), value, within=outer[0]) for value in (0, 7)]
    some = [number(Field(16, 8), selector=one) for one in (outer[1], inner[1], inner[0], outer[0])]
    assert list(by_selector(some)) == [None, outer[0], inner[0], inner[1], outer[1]]


def test_proposals_are_sorted_by_what_they_stand_under():
    selector = Selector(Field(0, 8), 1)
    low, high, plain = (
        number(Field(8, 8), selector=selector),
        number(Field(16, 8), selector=selector),
        number(Field(0, 8)),
    )
    assert by_selector([low, plain, high]) == {None: (plain,), selector: (low, high)}


@given(st.lists(fields(4), max_size=4), st.integers(0, 2**32 - 1))
def test_every_bit_stands_in_exactly_one_line(some, mask):
    payloads = [bytes(4), mask.to_bytes(4)]
    section = only(carving(payloads, *map(number, some)), most=100)
    bits = [bit for group in section.groups for line in group.lines for bit in line.bits]
    assert sorted(bits) == list(range(32))
    moving = {bit for bit in range(32) if payloads[1][bit // 8] >> (bit % 8) & 1}
    assert moving <= set(section.drawn_bits)
