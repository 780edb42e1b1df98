"""Out of range, absent, stale, stuck: merged over time, joined where the cause is one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.errors import SheetError
from decoder.judgement import Severity, judge
from decoder.judgement.notes import Note, load_notes, notes_path, save_notes
from decoder.judgement.spans import spans
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture, one_message

SHEET = PackSheet(rules=(ChannelRule("Temp*", quantity="module temperature", high=50.0),))
SIGNALS = [Signal(f"Temp_{n + 1}_1", Field(8 * n, 8), 0.5, -40, "degC") for n in range(3)]


def temps(rows, step_s=0.1, sheet=SHEET):
    frames = capture([(i * step_s, 0x123, bytes(row)) for i, row in enumerate(rows)])
    return decode(frames, one_message(SIGNALS, length=3), sheet)


def test_out_of_range_tells_value_limit_unit_span_and_place():
    rows = [(120, 120, 120)] * 10 + [(120, 182, 120), (120, 190, 120), (120, 184, 120)] + [(120, 120, 120)] * 10
    (finding,) = judge(temps(rows)).findings
    assert finding.code == "channel-high"
    assert finding.severity is Severity.CAUTION
    assert (finding.value, finding.limit, finding.unit) == (55.0, 50.0, "degC")
    assert (finding.from_ns, finding.worst_ns, finding.to_ns) == (1_000_000_000, 1_100_000_000, 1_200_000_000)
    assert finding.place.module == 2


def test_a_cell_out_of_range_is_a_warning():
    signal = Signal("Cell_1_1_V", Field(0, 16), 0.001, unit="V")
    frames = capture([(i * 0.1, 0x123, (4300).to_bytes(2, "little")) for i in range(5)])
    channels = decode(frames, one_message([signal], length=2), PackSheet(chemistry="NMC"))
    (finding,) = judge(channels).findings
    assert (finding.code, finding.severity) == ("channel-high", Severity.WARNING)
    assert "NMC" in finding.source


def test_absence_at_wake_up_is_one_notice_for_all_channels():
    rows = [(255, 255, 255)] * 5 + [(120, 121, 122)] * 30
    (finding,) = judge(temps(rows)).findings
    assert (finding.code, finding.severity) == ("channel-absent", Severity.NOTICE)
    assert len(finding.channels) == 3
    assert "wake-up" in finding.explanation


def test_absence_later_is_a_caution_at_its_place():
    rows = [(120, 121, 122)] * 30 + [(120, 255, 122)] * 5 + [(120, 121, 122)] * 30
    (finding,) = judge(temps(rows)).findings
    assert (finding.code, finding.severity, finding.channel) == ("channel-absent", Severity.CAUTION, "Temp_2_1")


def test_a_silence_of_the_whole_bus_is_one_finding():
    other = Message("Other", 0x200, extended=False, length=1, signals=(Signal("X", Field(0, 8)),))
    signal_map = SignalMap((*one_message(SIGNALS, length=3).messages, other))
    times = [i * 0.1 for i in range(50)] + [10 + i * 0.1 for i in range(50)]
    rows = [row for t in times for row in ((t, 0x123, b"\x78\x78\x78"), (t + 0.01, 0x200, b"\1"))]
    (finding,) = judge(decode(capture(rows), signal_map, SHEET)).findings
    assert finding.code == "channel-stale"
    assert len(finding.channels) == 4
    assert finding.value == pytest.approx(5.1, abs=0.05)


def test_a_stuck_thermistor():
    rows = [(120, 120 + i // 10, 121 + i // 10) for i in range(60)]  # slower than a finding of its own
    (finding,) = judge(temps(rows)).findings
    assert (finding.code, finding.channel, finding.value) == ("channel-stuck", "Temp_1_1", 20.0)


def test_the_gravest_come_first():
    rows = [(255, 255, 255)] * 5 + [(120, 190, 122)] * 30
    severities = [finding.severity for finding in judge(temps(rows)).findings]
    assert severities == sorted(severities, reverse=True)


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 4))
def test_spans_hold_every_long_run_and_nothing_else(bad, at_least):
    flags = np.array(bad, np.bool_)
    found = spans(np.arange(len(bad)) * 1_000_000_000, flags, at_least=at_least, join_s=0.0)
    inside = np.zeros(len(bad), np.bool_)
    for span in found:
        inside[span.first : span.last + 1] = True
    runs = "".join("x" if b else "." for b in bad).split(".")
    expected = sum(len(run) for run in runs if len(run) >= at_least)
    assert sum(span.count for span in found) == expected
    if len(found) == 1 and found[0].parts > 1:
        return  # many spans told as one
    assert int((inside & flags).sum()) == expected


def test_what_the_user_marked_is_a_finding():
    channels = temps([(120, 121, 122)] * 5)
    marked = Note("reads low [b]here[/b]", "Temp_2_1", 0.2, Severity.WARNING)
    whole, moment = judge(channels, [Note("smells odd"), marked]).findings[::-1]
    assert (whole.code, whole.severity, whole.from_ns, whole.to_ns) == (
        "user-flag",
        Severity.CAUTION,
        0,
        400_000_000,
    )
    assert (moment.channel, moment.place.module, moment.from_ns) == ("Temp_2_1", 2, 200_000_000)
    assert moment.explanation == "reads low [b]here[/b]"


@given(st.lists(st.builds(Note, st.text(), st.none() | st.text(), st.none() | st.floats(-1e6, 1e6)), max_size=4))
def test_notes_come_back_as_they_were_written(tmp_path_factory, notes):
    path = notes_path(tmp_path_factory.mktemp("notes") / "bench.log")
    kept = tuple(note for note in notes if _writable(note))
    save_notes(path, kept)
    assert load_notes(path) == kept


def _writable(note):
    """TOML holds no lone surrogates, and a bare carriage return becomes a line end."""
    return all("\r" not in text and text.isprintable() for text in (note.text, note.channel or ""))


@pytest.mark.parametrize(
    "text",
    [
        "[[notes]]\n",
        "[[notes]]\ntext = 3\n",
        "nonsense",
        "[[notes]]\ntext='a'\nmore=1\n",
        "[[notes]]\ntext='a'\nseverity='x'\n",
    ],
)
def test_a_file_that_holds_no_notes_is_refused_with_words(tmp_path, text):
    path = tmp_path / "x.notes.toml"
    path.write_text(f"[[notes]]\n{text}\n", "utf-8")
    with pytest.raises(SheetError, match="notes"):
        load_notes(path)


def test_no_file_is_no_notes(tmp_path):
    assert load_notes(tmp_path / "none.toml") == ()
