"""The bench: streams, carving with siblings, channels before they are in a map, saving."""

from dataclasses import replace

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import decode
from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Selector
from decoder.discovery.streams import streams
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.bench import Bench, name_of
from decoder.discovery.workbench.fields import ListedField
from decoder.discovery.workbench.history import History
from decoder.discovery.workbench.preview import preview
from decoder.discovery.workbench.saving import drafted_words, save_to_map
from decoder.discovery.workbench.work import Work
from decoder.discovery.workbench.work_file import ChangedMeanwhileError, WorkFile
from decoder.errors import CellgleanError, UsageError
from decoder.maps import load_map, load_sheet
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import SignalMap
from tests.building import capture
from tests.screens.small_pack import small_frames


def pages():
    """An identifier with an index of three values, a slow number under each, and a counter."""
    rows = []
    for n in range(300):
        volts = 3600 + 40 * (n % 3) + n // 30
        rows.append((n / 100, 0x330, bytes([n % 3]) + volts.to_bytes(2, "big") + bytes([n % 16])))
    return capture(rows)


def bench_of(frames, **more):
    return Bench(streams(frames), SignalMap(), **more)


def test_an_identifier_is_carved_with_its_nearest_siblings_and_only_once():
    rows = [
        (n / 10 + at / 1000, 0x310 + at, (3600 + n % 7 + at).to_bytes(2, "big") * 4)
        for n in range(60)
        for at in range(8)
    ]
    bench = bench_of(capture(rows))
    key = bench.keys[3]
    assert [one.can_id for one in bench.siblings(key)] == [0x311, 0x312, 0x313, 0x314, 0x315]
    told = []
    bench.carve(key, told.append)
    assert set(bench.carvings) == set(bench.siblings(key))
    assert told
    bench.carve(key, told.append)
    before = dict(bench.carvings)
    bench.carve(bench.keys[0])
    assert all(bench.carvings[one] is carving for one, carving in before.items())


def test_what_is_unexplained_gets_less_with_the_work_and_the_map():
    bench = bench_of(pages())
    (key,) = bench.keys
    whole = bench.unexplained(key)
    data = bench.by_key[key].data
    assert whole == int(np.unpackbits(data[1:] ^ data[:-1]).sum())
    bench.step(edits.taken(bench.work, Meaning(FieldAt(key, Field(24, 4)))))
    less = bench.unexplained(key)
    assert less < whole
    bench.step(edits.taken(bench.work, Meaning(FieldAt(key, Field(0, 8)))))
    bench.step(edits.taken(bench.work, Meaning(FieldAt(key, Field(15, 16, "big")))))
    assert bench.unexplained(key) == 0
    bench.undo()
    assert bench.unexplained(key) > 0


def test_a_channel_is_what_the_map_would_make_of_it(tmp_path):
    frames = small_frames()
    bench = bench_of(frames)
    key = next(one for one in bench.keys if one.can_id == 0x312)
    meaning = Meaning(
        FieldAt(key, Field(32, 16)),
        quantity="cell voltage",
        unit="V",
        scale=0.001,
        place=Place(2, 3),
        name="Cell_2_03_V",
    )
    series = bench.channel(ListedField("mine", meaning))
    _, drafted = save_to_map(History((Work((meaning,)),)), tmp_path / "a.dbc", None, "", {key: 8})
    assert drafted.added
    decoded = decode(frames, load_map(tmp_path / "a.dbc"))["Cell_2_03_V"]
    assert (series.time_ns == decoded.time_ns).all()
    assert (series.raw == decoded.raw).all()
    np.testing.assert_allclose(series.in_quantity_unit, decoded.in_quantity_unit)


def test_under_a_multiplexors_value_only_its_payloads_count():
    bench = bench_of(pages())
    (key,) = bench.keys
    at = FieldAt(key, Field(15, 16, "big"), Selector(Field(0, 8), 1))
    series = bench.channel(ListedField("mine", Meaning(at)))
    assert len(series) == 100
    assert series.raw[0] == 3640
    recent = bench.in_a_row(key, at.multiplexor, int(bench.by_key[key].time_ns[150]), 5)
    assert recent.data[:, 0].tolist() == [1] * 5
    assert recent.time_ns[-1] <= bench.by_key[key].time_ns[150]
    assert len(bench.in_a_row(key, at.multiplexor, -1, 5).data) == 5
    assert len(bench.in_a_row(key, at.multiplexor, 0, 1000).data) == 100


def test_a_channel_is_made_anew_only_where_its_meaning_changes():
    bench = bench_of(pages())
    (key,) = bench.keys
    one, other = (ListedField("mine", Meaning(FieldAt(key, Field(start, 8)))) for start in (8, 16))
    first = bench.channel(one)
    for _ in range(300):
        bench.channel(ListedField("mine", Meaning(other.at)))
        assert bench.channel(one) is first
    assert bench.channel(ListedField("mine", Meaning(one.at))) is not first


@pytest.mark.parametrize(
    ("field", "raw", "absent"),
    [
        (Field(0, 16), [3600, 3601, 65535], [2]),
        (Field(0, 16), [3600, 60_000, 65535], []),
        (Field(0, 4), [1, 2, 15], []),
        (Field(0, 16, signed=True), [1, 2, -1], []),
        (Field(0, 64), [1, 2, 3], []),
        (Field(0, 8), [255, 255, 255], []),
    ],
)
def test_all_ones_far_from_all_else_is_taken_for_absent_while_no_quantity_is_said(field, raw, absent):
    bench = bench_of(pages())
    series = preview(Meaning(FieldAt(bench.keys[0], field)), np.arange(3), np.array(raw, np.int64))
    assert np.flatnonzero(np.isnan(series.number)).tolist() == absent


def test_fields_that_are_not_there_have_no_channel():
    bench = bench_of(pages())
    (key,) = bench.keys
    beyond = bench.channel(ListedField("mine", Meaning(FieldAt(key, Field(200, 8)))))
    assert len(beyond) == 0
    elsewhere = FieldAt(type(key)("can9", 1, extended=False), Field(0, 8))
    assert bench.channel(ListedField("mine", Meaning(elsewhere))) is None
    assert bench.width_of(elsewhere.stream) == 0


def test_work_goes_on_where_it_was_left(tmp_path):
    path = tmp_path / "a.bench.json"
    bench = bench_of(pages(), file=WorkFile(path))
    bench.open_file()
    assert bench.trouble is None
    assert bench.is_saved
    bench.step(edits.taken(bench.work, Meaning(FieldAt(bench.keys[0], Field(8, 8)))))
    assert not bench.is_saved
    assert bench.save() is None
    assert bench.is_saved
    again = bench_of(pages(), file=WorkFile(path))
    again.open_file()
    assert again.work == bench.work
    again.undo()
    assert again.work.meanings == ()
    assert again.save() is None
    with pytest.raises(ChangedMeanwhileError):
        bench.save()
    newer = bench.over(streams(pages()), SignalMap())
    assert newer.work == bench.work
    assert newer.file is bench.file


def test_work_that_cannot_be_kept_is_told(tmp_path):
    assert "no file" in bench_of(pages()).save()
    bench = bench_of(pages(), file=WorkFile(tmp_path / "none" / "a"))
    assert "kept only until you close" in bench.save()
    (tmp_path / "b").write_text("{}")
    bench = bench_of(pages(), file=WorkFile(tmp_path / "b"))
    bench.open_file()
    assert "no work of the bench" in bench.trouble


def test_names_of_captures():
    assert name_of("a/boat.log") == "boat.log"
    assert name_of(None) == name_of("-") == ""


# Into a map


def a_work(bench, name="A"):
    (key,) = bench.keys
    at = FieldAt(key, Field(15, 16, "big"))
    meaning = Meaning(at, name=name, quantity="cell voltage", unit="V", scale=0.001)
    return History((Work((meaning,), at.stream, 0),))


def saved(history, path, sheet, capture_name, lengths):
    digest, drafted = save_to_map(history, path, sheet, capture_name, lengths)
    return replace(history, map_path=str(path), map_digest=digest), drafted


def test_a_map_that_holds_only_the_work_is_made_anew_so_that_changes_change_it(tmp_path):
    bench, path = bench_of(pages()), tmp_path / "a.dbc"
    lengths = {bench.keys[0]: 4}
    history, drafted = saved(a_work(bench), path, tmp_path / "a.toml", "boat.log", lengths)
    assert drafted_words(drafted, path) == "1 channel written to a.dbc"
    assert load_sheet(tmp_path / "a.toml").rules
    changed = history.step(edits.end_moved(history.work, "begin", 4, 4))
    written, drafted = saved(changed, path, tmp_path / "a.toml", "boat.log", lengths)
    (message,) = load_map(path).messages
    assert [one.field for one in message.signals] == [Field(11, 12, "big")]
    assert "the map before is kept as a.dbc.bak" in drafted_words(drafted, path)
    again, drafted = saved(written, path, tmp_path / "a.toml", "boat.log", lengths)
    assert again == written
    assert drafted.map_backup is None
    # Undoing does not make the map somebody else's.
    saved(written.undo(), path, tmp_path / "a.toml", "boat.log", lengths)
    (message,) = load_map(path).messages
    assert [one.field for one in message.signals] == [Field(15, 16, "big")]


def test_a_map_that_a_person_made_or_changed_is_only_added_to(tmp_path):
    bench, path = bench_of(pages()), tmp_path / "a.dbc"
    lengths = {bench.keys[0]: 4}
    history, _ = saved(a_work(bench), path, None, "", lengths)
    before = path.read_text() + '\nCM_ "by hand";\n'
    path.write_text(before)
    more = history.step(edits.taken(history.work, Meaning(FieldAt(bench.keys[0], Field(24, 4)), name="Turn")))
    written, drafted = saved(more, path, None, "", lengths)
    assert "by hand" in path.read_text()
    assert {one.name for one in load_map(path).messages[0].signals} == {"A", "Turn"}
    assert drafted_words(drafted, path).startswith("1 channel written to a.dbc; 1 there already")
    assert written.map_digest == ""


def test_nothing_to_save_and_a_place_that_cannot_be_written_are_told(tmp_path):
    bench = bench_of(pages())
    with pytest.raises(UsageError, match="no field of yours"):
        save_to_map(History(), tmp_path / "a.dbc", None, "", {})
    with pytest.raises(CellgleanError):
        save_to_map(a_work(bench), tmp_path / "none" / "a.dbc", None, "", {})
    with pytest.raises(CellgleanError):
        save_to_map(a_work(bench), tmp_path, None, "", {})
