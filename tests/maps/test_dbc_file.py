"""Maps written by cantools from its own model are read alike; several files; files that are no maps; damaged files."""

import dataclasses
import string
import tempfile
from collections import OrderedDict
from pathlib import Path

import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.errors import MapError
from decoder.maps.dbc_file import load_map
from decoder.maps.signal_map import SignalMap
from tests.maps.dbc_oracle import assert_equals_cantools
from tests.strategies import fields

SHUTTLE = Path(__file__).parents[2] / "signal_maps" / "harbour_shuttle.dbc"
SHUTTLE_LINES = SHUTTLE.read_bytes().split(b"\n")
DEMO = load_map(SHUTTLE)
PACK = 'BO_ 288 Pack: 8 X\n SG_ Pack_V : 0|16@1+ (0.1,0) [0|500] "V" X\n'
HELM = 'BO_ 289 Helm: 8 X\n SG_ Helm_V : 0|16@1+ (0.1,0) [0|50] "V" X\n'

# some over 32 characters, which cantools writes short with the long name in an attribute
NAMES = st.from_regex(r"[A-Z][a-z0-9]{0,6}(?:_[A-Za-z0-9]{1,6}){1,8}", fullmatch=True).filter(lambda n: n[-1] != "_")
NUMBERS = st.one_of(
    st.sampled_from([0, 0.0, 1, 1.0, -1, 0.1, 0.001, 2, 1e-7, 1e6, -40, 0.5, 1e21]),
    st.integers(-100_000, 100_000),
    st.floats(-1e9, 1e9, allow_nan=False),
)
UNITS = st.sampled_from(["V", "A", "°C", "%", "", "1/min", "mΩ", "km/h; slow"])
LABELS = st.dictionaries(
    st.integers(0, 255), st.text(string.ascii_letters + " °;/", min_size=1, max_size=8), max_size=3
)


@st.composite
def signals(draw, name, payload_bytes, **pages):
    """A signal of cantools' model anywhere in the payload; the pages are its keyword arguments."""
    field = draw(fields(payload_bytes))
    is_float = field.length in {32, 64} and draw(st.booleans())
    labels = OrderedDict(sorted(draw(LABELS).items())) or None
    conversion = BaseConversion.factory(draw(NUMBERS.filter(bool)), draw(NUMBERS), labels, is_float)
    bounds = sorted([draw(NUMBERS), draw(NUMBERS)])
    has_bounds = draw(st.booleans()) and bounds != [0, 0]
    return Signal(
        name,
        field.start,
        field.length,
        f"{field.byte_order}_endian",
        field.signed,
        conversion=conversion,
        minimum=bounds[0] if has_bounds else None,
        maximum=bounds[1] if has_bounds else None,
        unit=draw(UNITS) or None,
        comment=draw(st.sampled_from([None, "module 1", 'a "quoted" word', "two\nlines; BO_ 1"])),
        receivers=draw(st.sampled_from([[], ["Helm"], ["Helm", "Pack"]])),
        **pages,
    )


@st.composite
def messages(draw, frame_id, extended, name):
    """A message of cantools' model: plain, with one multiplexor, or with a multiplexor under a multiplexor."""
    payload_bytes = draw(st.sampled_from([1, 4, 8, 8, 64]))
    names = draw(st.lists(NAMES, min_size=1, max_size=7, unique_by=lambda n: n[:20]))
    form = draw(st.sampled_from(["plain", "paged", "nested"]))
    selectors, made = [], []
    for index, whole in enumerate(names):
        # cantools goes on calling a multiplexor by the short name after it has given it the long one: ours stay short
        one = whole[:20] if form != "plain" and index < 3 else whole
        pages = {}
        if form != "plain" and index == 0:
            pages = {"is_multiplexer": True}
        elif selectors and (form == "nested" or draw(st.booleans())):
            # more than one page each, and anything below an inner multiplexor, is written as SG_MUL_VAL_
            count = 4 if form == "nested" else draw(st.sampled_from([1, 1, 3]))
            ids = sorted(draw(st.sets(st.integers(0, 40), min_size=1, max_size=count)))
            pages = {"multiplexer_ids": ids, "multiplexer_signal": draw(st.sampled_from(selectors))}
            if form == "nested" and index < 3:
                pages["is_multiplexer"] = True
        if pages.get("is_multiplexer"):
            selectors.append(one)
        made.append(draw(signals(one, payload_bytes, **pages)))
    cycle = draw(st.sampled_from([None, 10, 100, 2500]))
    return Message(frame_id, name, payload_bytes, made, cycle_time=cycle, is_extended_frame=extended, strict=False)


@st.composite
def databases(draw):
    """A database of cantools' model."""
    standard = st.tuples(st.integers(0, 0x7FF), st.just(False))
    wide = st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True))
    keys = draw(st.lists(st.one_of(standard, wide), min_size=1, max_size=3, unique=True))
    names = draw(st.lists(NAMES, min_size=len(keys), max_size=len(keys), unique_by=lambda n: n[:20]))
    made = [draw(messages(*key, name)) for key, name in zip(keys, names, strict=True)]
    return Database(made, strict=False, sort_signals=None)


def without_path(message):
    return dataclasses.replace(message, path="")


def identity(message):
    return message.frame_id, message.is_extended_frame


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(databases())
def test_what_cantools_writes_is_read_as_cantools_reads_it(database):
    text = database.as_dbc_string(sort_signals=None)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "written.dbc")
        path.write_bytes(text.encode())
        loaded = load_map(path)
    same = assert_equals_cantools(text.replace("\r\n", "\n"))
    assert [without_path(m) for m in loaded.messages] == [without_path(m) for m in same.messages]
    # and the model it was written from has the same numbers
    model = {identity(message): message for message in database.messages}
    assert len(model) == len(loaded.messages)
    for message in loaded.messages:
        source = {signal.name: signal for signal in model[message.can_id, message.extended].signals}
        assert len(source) == len(message.signals)
        for signal in message.signals:
            other = source[signal.name]
            assert (signal.scale, signal.offset) == (other.scale, other.offset)
            assert (signal.field.start, signal.field.length) == (other.start, other.length)
            assert signal.unit == (other.unit or "")
        period = model[message.can_id, message.extended].cycle_time
        assert message.cycle_s == (period / 1000 if period else None)


def test_whole_conversions_stay_whole_numbers(tmp_path):
    path = tmp_path / "a.dbc"
    rows = ["(1,0)", "(1.0,-40.0)", "(0.5,0)", "(2,0.5)"]
    signal_rows = [f' SG_ S{i} : {8 * i}|8@1+ {row} [0|0] "" X\n' for i, row in enumerate(rows)]
    path.write_text("BO_ 1 A: 8 X\n" + "".join(signal_rows))
    found = [(s.scale, s.offset, type(s.scale), type(s.offset)) for s in load_map(path).messages[0].signals]
    assert found == [(1, 0, int, int), (1, -40, int, int), (0.5, 0, float, int), (2, 0.5, int, float)]


def test_the_demo_map_has_no_fault():
    ours = load_map(SHUTTLE, strict=True)
    assert len(ours.messages) == 21
    assert_equals_cantools(SHUTTLE.read_text())


def write(folder, name, text):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_several_files_become_one_map_in_the_order_given(tmp_path):
    helm, pack = write(tmp_path, "helm.dbc", HELM), write(tmp_path, "pack.dbc", PACK.encode() + b'CM_ "\xb0";\n')
    joined = load_map([helm, str(pack)])
    assert [m.name for m in joined.messages] == ["Helm", "Pack"]
    assert [m.path for m in joined.messages] == [str(helm), str(pack)]
    assert joined.paths == (str(helm), str(pack))
    assert joined.encodings == ("utf-8", "cp1252")
    assert not joined.faults


def test_a_file_given_twice_is_read_once(tmp_path):
    pack = write(tmp_path, "pack.dbc", PACK)
    assert len(load_map([pack, pack]).messages) == 1


def test_one_identifier_in_two_files_is_reported_and_both_are_kept(tmp_path):
    one, other = write(tmp_path, "one.dbc", PACK), write(tmp_path, "other.dbc", PACK.replace("Pack", "Spare"))
    joined = load_map([one, other])
    assert [m.name for m in joined.messages] == ["Pack", "Spare"]
    (fault,) = joined.faults
    assert fault.where.path == str(other)
    assert "one identifier, 0x120" in fault.what
    assert fault.done == "both are decoded"
    with pytest.raises(MapError):
        load_map([one, other], strict=True)


def test_a_fault_names_the_file_it_is_in(tmp_path):
    good, bad = write(tmp_path, "good.dbc", PACK), write(tmp_path, "bad.dbc", HELM + " SG_ nothing\n")
    (fault,) = load_map([good, bad]).faults
    assert (fault.where.path, fault.where.line) == (str(bad), 3)


def test_one_file_that_cannot_be_read_refuses_them_all(tmp_path):
    with pytest.raises(MapError):
        load_map([write(tmp_path, "good.dbc", PACK), tmp_path / "missing.dbc"])


def test_no_file_at_all_is_refused():
    with pytest.raises(MapError):
        load_map([])


NOT_MAPS = {
    "empty": (b"", "empty"),
    "blank": (b" \n\t\n", "empty"),
    "mark_alone": (b"\xef\xbb\xbf", "empty"),
    "log": (b"(1700000000.000001) can0 123#DEADBEEF\n(1700000000.100001) can0 18FF0102#00\n", "capture"),
    "log_fd": (b"(1700000000.000001) can0 123##1DEADBEEF\n", "capture"),
    "log_spaced": (b"  can0  123   [4]  DE AD BE EF\n  can0  124   [1]  00\n", "capture"),
    "log_stamped": (b" (1700000000.000001)  can0  123   [4]  DE AD BE EF\n", "capture"),
    "log_directed": (b" (1700000000.000001)  can0  RX - -  123   [4]  DE AD BE EF\n", "capture"),
    "log_xz": (b"\xfd7zXZ\x00\x00\x04", "xz"),
    "sheet": (b'[pack]\nmodules = 6\ncells = "14"\n', "pack sheet"),
    "no_message": (b'VERSION "1"\nBU_: Pack\n', "no message"),
}


@pytest.mark.parametrize(("raw", "hint"), NOT_MAPS.values(), ids=NOT_MAPS.keys())
def test_a_file_that_is_no_map_is_refused_with_a_hint(tmp_path, raw, hint):
    path = write(tmp_path, "given.dbc", raw)
    with pytest.raises(MapError, match=hint) as caught:
        load_map(path)
    assert caught.value.where.path == str(path)
    assert caught.value.expected or caught.value.advice


def test_a_missing_file_a_directory_and_an_impossible_path_are_refused_with_a_hint(tmp_path):
    for path in (tmp_path / "missing.dbc", tmp_path, "nul\0.dbc"):
        with pytest.raises(MapError, match="cannot be read") as caught:
            load_map(path)
        assert caught.value.advice
        assert caught.value.where.path == str(path)


def load_or_refusal(raw):
    """The map, or ``None`` where it was refused as it should be; anything else fails the test."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "damaged.dbc")
        path.write_bytes(raw)
        try:
            found = load_map(path)
        except MapError as error:
            assert str(error)
            return None
    assert isinstance(found, SignalMap)
    lines = len(raw.splitlines()) + 2
    assert all(fault.where.line is None or 1 <= fault.where.line <= lines for fault in found.faults)
    return found


KEYWORDS = [b"BO_ ", b"SG_ ", b"VAL_ ", b"CM_ ", b"BA_ ", b"NS_ :"]
MARKS = [b" ", b"\n", b'"', b"\\", b";", b":", b"|", b"@", b"//", b"-", b"(1,0)", b"[0|1]", b"m1M"]
ODD = [b"\xff", b"\xc2\xb0", b"\x00", b"\r", b"9" * 500, b"1e999", b"0x", b"1"]
TOKENS = st.sampled_from([*KEYWORDS, *MARKS, *ODD])


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.lists(TOKENS, max_size=40).map(b"".join)))
def test_random_bytes_give_a_map_or_a_refusal(raw):
    load_or_refusal(raw)


@st.composite
def changed_lines(draw, keywords):
    """The demo map with one line changed: bytes taken out, put in or doubled. Gives the line's number and the file."""
    choices = [i for i, line in enumerate(SHUTTLE_LINES) if line.split(b" ")[:2] and line.strip().startswith(keywords)]
    number = draw(st.sampled_from(choices))
    line = SHUTTLE_LINES[number]
    low, high = sorted((draw(st.integers(0, len(line))), draw(st.integers(0, len(line)))))
    middle = draw(
        st.one_of(
            st.just(b""), st.just(line[low:high] * 2), st.lists(TOKENS, max_size=3).map(b"".join), st.binary(max_size=4)
        )
    )
    return number, [*SHUTTLE_LINES[:number], line[:low] + middle + line[high:], *SHUTTLE_LINES[number + 1 :]]


@settings(max_examples=60, deadline=None)
@given(changed_lines((b"",)))
def test_one_changed_line_anywhere_gives_a_map_or_a_refusal(changed):
    load_or_refusal(b"\n".join(changed[1]))


@settings(max_examples=150, deadline=None)
@given(changed_lines((b"SG_", b"VAL_", b"CM_", b"BA_")))
def test_one_changed_line_that_is_no_message_keeps_all_messages(changed):
    number, lines = changed
    found = load_or_refusal(b"\n".join(lines))
    assert found is not None
    original = DEMO
    names = [m.name for m in found.messages]
    assert [m.name for m in original.messages if m.name not in names] == []
    # signals are lost from no message but the one with the changed line
    kept = {m.name: len(m.signals) for m in found.messages}
    if not SHUTTLE_LINES[number].strip().startswith(b"SG_"):
        assert all(kept[m.name] >= len(m.signals) for m in original.messages)
