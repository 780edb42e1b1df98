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


_HEX_CASES = st.sampled_from(["{:02X}", "{:02x}"])


@st.composite
def candump_lines(draw, *, clean=False):
    """One line of a candump text; `clean`: a log line as written today, without what python-can cannot read."""
    micros = draw(st.integers(0, 2_000_000_000_000_000))
    extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF)) if extended else draw(st.integers(0, 0x7FF))
    name = f"{identifier:08X}" if extended else f"{identifier:03X}"
    bus = draw(st.sampled_from(["can0", "can1", "vcan10"]))
    payload = draw(st.binary(max_size=8))
    if clean:
        stamp = f"({micros // 1_000_000:010d}.{micros % 1_000_000:06d})"
        body = draw(st.sampled_from([payload.hex().upper(), "R", f"R{len(payload)}", "#5" + payload.hex()]))
        return f"{stamp} {bus} {name}#{body}"
    nanos = draw(st.booleans())
    fraction = f"{micros % 1_000_000:06d}" + ("123" if nanos else "")
    stamp = f"({micros // 1_000_000:0{draw(st.sampled_from([3, 10]))}d}.{fraction})"
    form = draw(st.integers(0, 5))
    text = "".join(draw(_HEX_CASES).format(byte) for byte in payload)
    if form == 0:
        return f"{stamp} {bus} {name}#{text}" + draw(st.sampled_from(["", " R", " T", "_B", "_"]))
    if form == 1:
        return f"{stamp} {bus} {name}##{draw(st.sampled_from('0145G'))}{text}"
    if form == 2:
        return f"{stamp} {bus} {draw(st.sampled_from(['20000080', 'FFF', 'FFFFFFFF', '40000000']))}#{text}"
    if form == 3:
        return draw(st.sampled_from(["", "# note", "junk", "\tdetail", "can0: interface down", "x\x00y", "\x1b[1m"]))
    spaced = " ".join(f"{byte:02X}" for byte in payload)
    before = f" {stamp} " if draw(st.booleans()) else " "
    cells = draw(st.sampled_from(["", "  RX - -", "  TX B E"]))
    return f"{before} {bus}{cells}  {name}   [{len(payload)}]  {spaced}"


@st.composite
def candump_texts(draw, *, clean=False):
    """A few blocks of like and unlike lines, some of them damaged."""
    lines = draw(st.lists(candump_lines(clean=clean), min_size=1, max_size=6))
    repeats = draw(st.lists(st.sampled_from([1, 1, 9, 20]), min_size=len(lines), max_size=len(lines)))
    rows = [line for line, times in zip(lines, repeats, strict=True) for _ in range(times)]
    if not clean:
        for _ in range(draw(st.integers(0, 3))):
            row = draw(st.integers(0, len(rows) - 1))
            if rows[row]:
                place = draw(st.integers(0, len(rows[row]) - 1))
                rows[row] = rows[row][:place] + draw(st.sampled_from("0GZ#. (\r_\x00é")) + rows[row][place + 1 :]
    ending = "\n" if clean else draw(st.sampled_from(["\n", "\r\n"]))
    return (ending.join(rows) + (ending if clean or draw(st.booleans()) else "")).encode("latin-1")
