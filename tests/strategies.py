"""Generators shared by the property tests."""

from hypothesis import strategies as st

from decoder.bits import Field


@st.composite
def fields(draw, payload_bytes, from_bit=0):
    """A field anywhere in a payload of `payload_bytes`, from `from_bit` on."""
    length = draw(st.integers(1, min(64, payload_bytes * 8 - from_bit)))
    first = draw(st.integers(from_bit, payload_bytes * 8 - length))
    byte_order = draw(st.sampled_from(["little", "big"]))
    start = first if byte_order == "little" else first // 8 * 8 + 7 - first % 8
    return Field(start, length, byte_order, draw(st.booleans()))


def _numbers():
    """Scales and offsets as maps have them: whole, decimal, and odd ones."""
    return st.one_of(
        st.sampled_from([1, 2, 10, 1.0, 0.5, 0.001, 0.1, 0.01, 0.25, 1e-6]),
        st.integers(-1000, 1000).filter(bool),
        st.floats(-1e6, 1e6, allow_nan=False).filter(lambda x: abs(x) > 1e-9),
    )


@st.composite
def layouts(draw, payload_bytes=8):
    """A message as plain data: rows of (name, Field, is_float, scale, offset, page); page None or (values).

    With a multiplexor, the first row is it (name 'Page', one byte at the start, which no other signal uses). The
    other signals may overlap.
    """
    paged = draw(st.booleans())
    rows = [("Page", Field(0, draw(st.integers(2, 8))), False, 1, 0, None)] if paged else []
    for number in range(draw(st.integers(1, 6))):
        is_float = draw(st.integers(0, 9)) == 0
        if is_float:
            length = 32 if paged and payload_bytes == 8 else draw(st.sampled_from([32, 64]))
            first = draw(st.integers(8 * paged, payload_bytes * 8 - length))
            order = draw(st.sampled_from(["little", "big"]))
            start = first if order == "little" else first // 8 * 8 + 7 - first % 8
            field = Field(start, length, order)
        else:
            field = draw(fields(payload_bytes, 8 * paged))
        page = None
        if paged and draw(st.booleans()):
            page = tuple(sorted(draw(st.sets(st.integers(0, 7), min_size=1, max_size=3))))
        offset = draw(st.one_of(st.just(0), st.integers(-500, 500), st.floats(-1e4, 1e4, allow_nan=False)))
        rows.append((f"S{number}", field, is_float, draw(_numbers()), offset, page))
    return rows


@st.composite
def payloads(draw, payload_bytes=8):
    """A few payloads of up to `payload_bytes`, at times shorter; small first bytes so that pages occur."""
    rows = draw(st.lists(st.binary(min_size=payload_bytes, max_size=payload_bytes), min_size=1, max_size=8))
    first = draw(st.lists(st.integers(0, 7), min_size=len(rows), max_size=len(rows)))
    lengths = draw(
        st.lists(
            st.one_of(st.just(payload_bytes), st.integers(0, payload_bytes)), min_size=len(rows), max_size=len(rows)
        )
    )
    return [(bytes([f]) + row[1:])[:n] for f, row, n in zip(first, rows, lengths, strict=True)]
