"""Generators of DBC texts: maps with everything in them, and the same tokens with other blanks between them."""

from hypothesis import strategies as st

from decoder.maps.dbc_statements import KEYWORDS
from tests.strategies import fields

NAMES = st.from_regex(r"[A-Za-z_][A-Za-z0-9_]{0,11}", fullmatch=True).filter(
    lambda name: name not in KEYWORDS and name != "M" and not (name[0] == "m" and name[1:].rstrip("M").isdigit())
)
# Anything that may stand between quotes: keywords, ';', line ends, comment marks, escaped quotes. A backslash at the
# end would hide the closing quote.
TEXTS = st.lists(
    st.sampled_from(
        [
            "V",
            "°C",
            "%",
            "cell 1",
            ";",
            "\n",
            "\nBO_ 100 x: 8 y\n",
            "SG_",
            "//",
            '\\"',
            "ä",
            "€",
            "'",
            "[",
            "VAL_ ",
            "日",
        ]
    ),
    max_size=4,
).map("".join)
WHOLE = st.integers(-10_000, 10_000)
NUMBERS = st.one_of(
    WHOLE.map(str),
    st.sampled_from(["1", "0", "0.1", "0.001", "1.0", "1E-3", "2.5e+2", "-40", "+3", "5.", "-0.5", "1e5", "007"]),
    st.floats(-1e9, 1e9, allow_nan=False).map(repr),
)
SCALES = NUMBERS.filter(lambda text: float(text) != 0)


@st.composite
def ranges(draw):
    """The bounds of a signal, in order."""
    low, high = sorted([draw(NUMBERS), draw(NUMBERS)], key=float)
    # a range of nothing but noughts counts as not given, however it is spelled
    return ("0", "0") if float(low) == float(high) == 0 else (low, high)


@st.composite
def signal_rows(draw, name, mark, payload_bytes):
    """One SG_ statement as tokens."""
    field = draw(fields(payload_bytes))
    scale, offset = draw(SCALES), draw(NUMBERS)
    low, high = draw(ranges())
    receivers = draw(st.lists(NAMES, min_size=1, max_size=2))
    row = ["SG_", name, *mark, ":", str(field.start), "|", str(field.length), "@"]
    row += ["0" if field.byte_order == "big" else "1", "-" if field.signed else "+", "(", scale, ",", offset, ")"]
    row += ["[", low, "|", high, "]", f'"{draw(TEXTS)}"', receivers[0]]
    for more in receivers[1:]:
        row += [",", more]
    return field, row


@st.composite
def token_rows(draw):
    """A whole map as rows of tokens, one row a statement; all of it is right."""
    head = [["VERSION", f'"{draw(TEXTS)}"'], ["NS_", ":", "CM_", "BA_DEF_", "VAL_", "BO_", "FILTER"], ["BS_", ":"]]
    head = [row for row in head if draw(st.booleans())]
    if head and head[-1][0] == "NS_":
        head.append(["BS_", ":"])
    head.append(["BU_", ":", *draw(st.lists(NAMES, max_size=3))])
    messages, rest = [], draw(definitions())
    numbers = draw(
        st.lists(
            st.one_of(st.integers(0, 0x7FF), st.integers(1 << 31, (1 << 31) + (1 << 29) - 1)), max_size=4, unique=True
        )
    )
    names = draw(st.lists(NAMES, min_size=len(numbers), max_size=len(numbers), unique=True))
    for number, name in zip(numbers, names, strict=True):
        block, more = draw(message_rows(str(number), name))
        messages.append(block)
        rest += more
    return head + [row for block in messages for row in block] + draw(st.permutations(rest))


@st.composite
def definitions(draw):
    """Attributes of messages: sending period and frame format, defined in the ways that files do."""
    rows = []
    if draw(st.booleans()):
        kind = draw(st.sampled_from(["INT", "FLOAT", "HEX"]))
        rows.append(["BA_DEF_", "BO_", '"GenMsgCycleTime"', kind, "0", "10000", ";"])
        if draw(st.booleans()):
            rows.append(["BA_DEF_DEF_", '"GenMsgCycleTime"', draw(st.sampled_from(["0", "100", "20"])), ";"])
    words = ["StandardCAN", "ExtendedCAN", "J1939PG", "StandardCAN_FD"]
    form = draw(st.integers(0, 2))
    if form == 1:
        listed = [token for word in words for token in (f'"{word}"', ",")][:-1]
        rows.append(["BA_DEF_", "BO_", '"VFrameFormat"', "ENUM", *listed, ";"])
        if draw(st.booleans()):
            rows.append(["BA_DEF_DEF_", '"VFrameFormat"', f'"{draw(st.sampled_from(words))}"', ";"])
    elif form == 2:
        rows.append(["BA_DEF_", "BO_", '"VFrameFormat"', "INT", "0", "15", ";"])
        rows.append(["BA_DEF_DEF_", '"VFrameFormat"', draw(st.sampled_from(["0", "1", "3", "14"])), ";"])
    rows.append(["BA_DEF_", '"Author"', "STRING", ";"])
    rows.append(["BA_", '"Author"', f'"{draw(TEXTS)}"', ";"])
    return rows


@st.composite
def message_rows(draw, number, name):
    """A message with its SG_ rows, and rows about it that may stand anywhere behind."""
    payload_bytes = draw(st.sampled_from([1, 8, 8, 8, 64]))
    names = draw(st.lists(NAMES, min_size=0, max_size=6, unique=True))
    form = draw(st.sampled_from(["plain", "paged", "nested"])) if len(names) >= 4 else "plain"
    rows, more = [["BO_", number, name, ":", str(payload_bytes), draw(NAMES)]], []
    for index, one in enumerate(names):
        mark, listed = _mark(draw, form, index, names)
        field, row = draw(signal_rows(one, mark, payload_bytes))
        rows.append(row)
        if listed:
            more.append(["SG_MUL_VAL_", number, one, *listed, ";"])
        if field.length in {32, 64} and draw(st.booleans()):
            more.append(["SIG_VALTYPE_", number, one, ":", "1" if field.length == 32 else "2", ";"])
        if draw(st.integers(0, 2)) == 0:
            pairs = draw(st.dictionaries(WHOLE.map(str), TEXTS, max_size=3))
            more.append(["VAL_", number, one, *[t for k, v in pairs.items() for t in (k, f'"{v}"')], ";"])
        if draw(st.integers(0, 3)) == 0:
            more.append(["CM_", "SG_", number, one, f'"{draw(TEXTS)}"', ";"])
    if draw(st.integers(0, 3)) == 0:
        more.append(["CM_", "BO_", number, f'"{draw(TEXTS)}"', ";"])
    return rows, more


def _mark(draw, form, index, names):
    """The multiplexor mark of one signal, and what SG_MUL_VAL_ says about it."""
    if form == "plain":
        return [], None
    if index == 0:
        return ["M"], None
    page = draw(st.integers(0, 5))
    if form == "paged":
        if draw(st.booleans()):
            return [], None
        listed = [names[0], *_listed(draw, page)] if draw(st.booleans()) else None
        return [f"m{page}"], listed
    if index == 1:
        return [f"m{page}M"], [names[0], *_listed(draw, page)]
    return [f"m{page}"], [names[draw(st.integers(0, 1))], *_listed(draw, page)]


def _listed(draw, page):
    tokens = [f"{page}-{page}"]
    if draw(st.booleans()):
        low = draw(st.integers(0, 300))
        tokens += [",", f"{low}-{low + draw(st.integers(0, 40))}"]
    return tokens


def spelled(rows):
    """The rows as files usually have them: a line a statement, blanks between tokens."""
    return "".join((" " if row[0] == "SG_" else "") + " ".join(row) + "\n" for row in rows)


@st.composite
def oddly_spelled(draw, rows):
    """The same tokens with any blanks, line ends and comments between them."""
    pieces = []
    for row in rows:
        for token in row:
            pieces.append(token)
            pieces.append(draw(st.sampled_from([" ", " ", " ", "  ", "\t", "\n", " \n  ", ' // note ; "\n'])))
        pieces.append("\n")
    return "".join(pieces)
