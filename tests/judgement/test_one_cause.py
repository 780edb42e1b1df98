"""One cause is one finding, and it tells the truth about how long and how often."""

from dataclasses import replace

import pytest

from decoder.bits import Field
from decoder.channels import decode
from decoder.errors import SheetError
from decoder.judgement import Severity, judge
from decoder.judgement.finding import Finding
from decoder.judgement.folding import EXPLAINS, folded
from decoder.judgement.notes import Note, load_notes, save_notes
from decoder.judgement.sensors.single_channels import _together
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture, one_message

PLAIN = [Signal("A", Field(0, 8)), Signal("B", Field(8, 8))]


def stale_findings(times, signals=PLAIN, **more):
    frames = capture([(t, 0x123, b"\1\1") for t in times])
    judgement = judge(decode(frames, one_message(signals, length=2, **more)))
    return [finding for finding in judgement.findings if finding.code == "channel-stale"]


def test_all_signals_of_a_message_that_stops_are_one_finding():
    (finding,) = stale_findings([*(i / 10 for i in range(20)), *(5 + i / 10 for i in range(20))])
    assert finding.channels == ("A", "B")
    assert (finding.limit, finding.unit) == (0.5, "s")
    assert finding.value == pytest.approx(3.1)


def test_many_short_silences_are_told_with_the_longest_one_not_with_the_whole_time():
    times, now = [], 0.0
    for gap in range(10):
        times += [now + i / 10 for i in range(20)]
        now += 2 + 1 + gap / 10
    (finding,) = stale_findings(times)
    assert finding.value == pytest.approx(1.9, abs=0.11)
    assert "9 times" in finding.explanation


def test_a_message_slower_than_the_map_says_is_told_with_its_gap():
    (finding,) = stale_findings(range(20), cycle_s=0.1)
    assert finding.value == pytest.approx(1.0)


def test_two_messages_that_stop_at_different_times_are_two_findings():
    other = Message("Other", 0x200, extended=False, length=1, signals=(Signal("C", Field(0, 8)),))
    rows = [(i / 10, 0x123, b"\1\1") for i in range(300) if not 50 <= i < 80]
    rows += [(i / 10 + 0.01, 0x200, b"\1") for i in range(300) if not 150 <= i < 180]
    channels = decode(capture(sorted(rows)), SignalMap((*one_message(PLAIN, length=2).messages, other)))
    assert [finding.channels for finding in judge(channels).findings] == [("A", "B"), ("C",)]


def finding(code, channel, from_s, to_s, severity=Severity.CAUTION):
    return Finding(
        code=code,
        severity=severity,
        place=Place(),
        value=None,
        limit=None,
        unit="",
        from_ns=int(from_s * 1e9),
        to_ns=int(to_s * 1e9),
        explanation="",
        source="",
        channel=channel,
        channels=(channel,),
    )


def test_thousands_of_findings_are_joined_and_folded():
    channels = decode(capture([(0, 0x123, b"\1\1")]), one_message(PLAIN, length=2))
    many = [finding("channel-absent", "A", i % 7 / 100, (i % 900) * 3) for i in range(4000)]
    spreads = [finding("module-spread", f"c{i}", i, i + 1) for i in range(500)]
    packs = [finding("pack-spread", f"c{i}", i, i + 1) for i in range(500)]
    assert len(list(_together(many, channels))) <= 900
    stand = list(folded([*spreads, *packs]))
    assert stand == [replace(one, also=("pack-spread",)) for one in spreads]


def test_the_specific_finding_stands_and_names_all_that_it_explains():
    chain = ["tap-suspect", "cell-resistance", "cell-self-discharge", "cell-imbalance", "module-spread", "pack-spread"]
    for first in range(len(chain) - 1):
        found = [finding(code, "c", 1, 2) for code in reversed(chain[first:])]
        (stands,) = folded(found)
        assert stands.code == chain[first]
        assert stands.also == tuple(sorted(chain[first + 1 :]))


def test_other_channels_and_other_times_are_other_causes():
    cause = finding("cell-imbalance", "c", 1, 2)
    assert len(list(folded([cause, finding("module-spread", "d", 1, 2)]))) == 2
    assert len(list(folded([cause, finding("module-spread", "c", 2.1, 3)]))) == 2


def test_a_cause_of_a_module_explains_its_channels_and_no_others():
    wrong_map = replace(finding("map-suspect", "c", 0, 9), place=Place(module=3))
    same = replace(finding("module-spread", "d", 1, 2), place=Place(module=3, cell=2))
    other = replace(finding("module-spread", "e", 1, 2), place=Place(module=4, cell=2))
    assert list(folded([same, wrong_map, other])) == [replace(wrong_map, also=("module-spread",)), other]


@pytest.mark.parametrize(("cause", "own", "other"), [("map-suspect", "V", "degC"), ("temperature-rise", "degC", "V")])
def test_a_cause_of_a_module_hides_no_limit_of_another_kind(cause, own, other):
    module = replace(finding(cause, "c", 0, 9), place=Place(module=3))
    same, else_ = (replace(finding("channel-high", u, 1, 2), place=Place(module=3), unit=u) for u in (own, other))
    assert list(folded([module, same, else_])) == [replace(module, also=("channel-high",)), else_]


def test_a_supply_that_is_gone_belongs_to_the_contactors_that_are_held_without_it():
    held = finding("contactor-held", "Contactor", 5, 9, Severity.DANGER)
    assert list(folded([finding("supply-low", "Supply", 5, 9), held])) == [replace(held, also=("supply-low",))]


def test_nothing_explains_itself_in_a_circle():
    def explained(code, seen):
        assert code not in seen
        for one in EXPLAINS.get(code, ()):
            explained(one, {*seen, code})

    for code in EXPLAINS:
        explained(code, set())


@pytest.mark.parametrize(
    "text",
    ["a\r\nb\rc", "\x00\x1b[2J\x7f\x85", "\"\"\"\\u0041'''", "\u202e\u2028\ufeff", "# [notes]\ntext = 1", "", " \t "],
)
def test_odd_text_comes_back_as_it_was_written(tmp_path, text):
    notes = (Note(text, text, 1.5, Severity.DANGER), Note(text))
    save_notes(tmp_path / "a.toml", notes)
    assert load_notes(tmp_path / "a.toml") == notes


def test_half_of_a_surrogate_pair_is_written_out(tmp_path):
    save_notes(tmp_path / "a.toml", (Note("x\udcff"),))
    assert load_notes(tmp_path / "a.toml") == (Note("x\\udcff"),)


@pytest.mark.parametrize("time_s", ["inf", "-inf", "nan", "1e30", "true"])
def test_a_time_that_no_capture_has_is_refused_with_words(tmp_path, time_s):
    path = tmp_path / "a.toml"
    path.write_text(f'[[notes]]\ntext = "a"\ntime_s = {time_s}\n', "utf-8")
    with pytest.raises(SheetError, match="entry 1"):
        load_notes(path)
