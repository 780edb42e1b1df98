"""Small captures whose fields are known, and what carving makes of them."""

import numpy as np

from decoder.bits import field_of_frame, put_field
from decoder.discovery.carve import carve
from tests.building import capture

CAN_ID = 0x2A1


def payloads(width, columns, fill=0):
    """Payloads of `width` bytes with the values of each field, {Field: values}; all other bytes are `fill`."""
    rows = [bytes([fill]) * width for _ in next(iter(columns.values()))]
    for field, values in columns.items():
        rows = [put_field(row, field, int(value)) for row, value in zip(rows, values, strict=True)]
    return rows


def sent(rows, can_id=CAN_ID, bus=0, period_s=0.1):
    """Rows for `tests.building.capture`."""
    return [(period_s * at, can_id, row, bus) for at, row in enumerate(rows)]


def carve_payloads(rows, can_id=CAN_ID):
    """Carve payloads that one identifier sends."""
    (found,) = carve(capture(sent(rows, can_id)))
    return found


def carve_fields(width, columns, fill=0):
    return carve_payloads(payloads(width, columns, fill))


def measured(chance, values, noise=2.5):
    """Values as a sensor gives them: whole numbers, off by about `noise`."""
    return np.round(values + chance.normal(0, noise, len(values))).astype(np.int64)


def held(chance, count, first, changes, kinds):
    """A state that is all ones, changes in payload `first` and then at random until it changed so many times."""
    values = [kinds - 1]
    for _ in range(changes):
        values.append((values[-1] + int(chance.integers(1, kinds))) % kinds)
    later = np.sort(chance.choice(np.arange(first + 1, count), changes - 1, replace=False))
    return np.array(values)[(np.arange(count) >= np.append(first, later)[:, None]).sum(axis=0)]


def slow(chance, count, start, often=0.2):
    """A number that seldom moves, by one."""
    return start + np.cumsum(chance.choice([-1, 0, 1], count, p=[often / 2, 1 - often, often / 2]))


def sweep(count, low, high, turns=1.0, phase=0.0):
    """A number that swings between two values."""
    return np.round(
        (low + high) / 2 + (high - low) / 2 * np.sin(2 * np.pi * (turns * np.arange(count) / count + phase))
    )


def top_of(values):
    """Significance of the highest bit that ever changes."""
    values = np.asarray(values, np.int64)
    return int(np.bitwise_or.reduce(values ^ values[0])).bit_length() - 1


def is_found(found, field, values, kind=None):
    """Tell whether a proposal is this field: byte order, lowest bit, and no bit too many nor one too few."""
    top = field.length - 1 if field.signed else top_of(values)
    for one in found.proposals:
        place = one.field
        if place.bit_numbers()[0] != field.bit_numbers()[0] or not top < place.length <= field.length:
            continue
        if max(place.last_byte - place.first_byte, field.last_byte - field.first_byte) and (
            place.byte_order != field.byte_order
        ):
            continue
        return kind is None or one.kind == kind
    return False


def changing(found):
    """The proposals that are not of resting bits."""
    return [one for one in found.proposals if one.kind not in {"constant", "text"}]


def tell(found):
    """What was found, for a failing test to show."""
    return [(one.field, one.kind, round(one.confidence, 2), one.multiplexor) for one in changing(found)]


def applies(selector, row):
    """Tell whether a field under this selector is in the payload `row`."""
    if selector is None:
        return True
    here = selector.value is None or field_of_frame(row, selector.field) == selector.value
    return here and applies(selector.within, row)


def assert_sound(found):
    """What holds for every carving, whatever the payloads are."""
    own = set(own_bits(found.stream))
    damaged = set(found.damaged.tolist())
    assert damaged <= set(range(len(found.stream.data)))
    for one in found.proposals:
        assert 0 <= one.confidence <= 1
        assert set(one.field.bit_numbers()) <= own
        assert one.detail["changes"] >= 0
    rows = [row.tobytes() for at, row in enumerate(found.stream.data) if at not in damaged]
    for row in set(rows):
        taken = [bit for one in changing(found) if applies(one.multiplexor, row) for bit in one.field.bit_numbers()]
        assert len(taken) == len(set(taken)), "fields overlap"
    assert_still(found, rows)


def assert_parted(found):
    """Fields, constants and texts together are each payload, every bit in one of them."""
    assert_sound(found)
    damaged = set(found.damaged.tolist())
    for at, row in enumerate(found.stream.data):
        if at in damaged:
            continue
        here = [one for one in found.proposals if applies(one.multiplexor, row.tobytes())]
        assert sorted(bit for one in here for bit in one.field.bit_numbers()) == own_bits(found.stream)


def own_bits(stream):
    """The bits that fields may have: not those that say what message it is."""
    return list(range(8 * len(stream.carrier.prefix) if stream.carrier else 0, 8 * stream.data.shape[1]))


def assert_still(found, rows):
    """Constants and texts never change; everything else does."""
    for one in found.proposals:
        values = {field_of_frame(row, one.field) for row in rows if applies(one.multiplexor, row)}
        if one.kind in {"constant", "text"}:
            assert len(values) == 1
        elif one.kind != "check":
            assert len(values) > 1
