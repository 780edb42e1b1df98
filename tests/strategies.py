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


_STAMPS = {
    "log": "({s:010d}.{f:06d})",
    "nanoseconds": "({s:010d}.{f:06d}{n:03d})",
    "zero": "({s:03d}.{f:06d})",
    "date": "(2026-03-0{d} 0{d}:5{d}:{s60:02d}.{f:06d})",
    "none": "",
}


@st.composite
def screen_runs(draw):
    """Lines of one screen, as candump's options would print them."""
    stamp = draw(st.sampled_from(sorted(_STAMPS)))
    cells = draw(st.sampled_from(["", "  RX - -", "  TX - -"]))
    style = draw(st.sampled_from(["hex", "swapped", "binary", "text", "swapped text", "raw DLC"]))
    bus = draw(st.sampled_from(["can0", "  can0", "slcan000001"]))
    rows = []
    for number in range(draw(st.integers(1, 25))):
        seconds, micros = draw(st.integers(0, 99)) + (stamp == "log") * 1_700_000_000, draw(st.integers(0, 999_999))
        time = _STAMPS[stamp].format(s=seconds, f=micros, n=number, d=1 + number % 3, s60=seconds % 60)
        extended = draw(st.booleans())
        name = f"{draw(st.integers(0, 0x1FFFFFFF)):08X}" if extended else f"{draw(st.integers(0, 0x7FF)):03X}"
        payload = draw(st.sampled_from([b"\x12\x34", bytes(8), b"Cell '7'", b"\x00\x1b`\xff'", b"\x7f", b""]))
        digits = [f"{byte:08b}" if style == "binary" else f"{byte:02X}" for byte in payload]
        shown = "`".join(digits[::-1]) if style.startswith("swapped") else " ".join(digits)
        if style.endswith("text"):
            text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in payload)
            quote = "`" if style.startswith("swapped") else "'"
            shown = shown.ljust(23) + f"   {quote}{text[::-1] if quote == '`' else text}{quote}"
        length = f"{{{len(payload):X}}}" if style == "raw DLC" else f"[{len(payload)}]"
        rows.append(f" {time}{'  ' if time else ' '}{bus}{cells}  {name}   {length}  {shown}")
    return rows


@st.composite
def log_runs(draw):
    """Lines of one log with buses and lengths that change, stamps that grow."""
    form = draw(st.sampled_from(["log", "nanoseconds", "zero"]))
    buses = draw(st.sampled_from([["can0"], ["  can0", "vcan10"], ["can0", "slcan000001"], ["a", "b", "c"]]))
    micros = draw(st.integers(0, 2_000_000_000_000_000))
    rows = []
    for number in range(draw(st.integers(1, 30))):
        micros += draw(st.integers(0, 2_000_000))
        time = _STAMPS[form].format(s=micros // 1_000_000, f=micros % 1_000_000, n=number)
        name = draw(st.sampled_from(["123", "7FF", "FFF", "18FF50E5", "00000123", "20000080", "9FFFFFFF", "ABCDEF12"]))
        body = (
            draw(st.binary(max_size=9)).hex() if draw(st.booleans()) else draw(st.binary(min_size=8, max_size=8)).hex()
        )
        body = draw(st.sampled_from([body.upper(), body, body, "R", "#5" + body, ".".join([body[:2], body[2:]])]))
        rows.append(
            f"{time} {draw(st.sampled_from(buses))} {name}#{body}" + draw(st.sampled_from(["", "", " R", " T", " X"]))
        )
    return rows


@st.composite
def damaged_texts(draw):
    """Runs of candump lines, damaged as files are: bytes lost, changed, put in, lines cut and joined."""
    runs = draw(
        st.lists(st.one_of(log_runs(), screen_runs(), st.just(["# note", "", "\tbus-off"])), min_size=1, max_size=3)
    )
    ending = draw(st.sampled_from([b"\n", b"\r\n"]))
    text = ending.join(row.encode("latin-1") for run in runs for row in run) + draw(st.sampled_from([b"", ending]))
    for _ in range(draw(st.integers(0, 5))):
        place = draw(st.integers(0, len(text)))
        lost = draw(st.sampled_from([0, 1, 1, 2, 30]))
        put_in = draw(
            st.one_of(
                st.sampled_from(
                    [
                        b"",
                        b"\n",
                        b"\r",
                        b"\0",
                        b"\0" * 9,
                        b"#",
                        b" ",
                        b"\x1b[1;31m",
                        b"\x1b",
                        b"\xef\xbb\xbf",
                        b"0",
                        b"g",
                    ]
                ),
                st.binary(max_size=3),
            )
        )
        text = text[:place] + put_in + text[place + lost :]
    return text
