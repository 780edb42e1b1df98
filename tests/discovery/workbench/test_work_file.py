"""The work in its file: written, read back, changed by others, damaged."""

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Carrier, Selector
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.history import History
from decoder.discovery.workbench.work import Work
from decoder.discovery.workbench.work_file import ChangedMeanwhileError, WorkFile, work_path
from decoder.errors import CellgleanError, OutputError, WorkError
from decoder.maps.pack_sheet import Place
from tests.strategies import fields

KEY = StreamKey("can0", 0x310, extended=False)
SELECTOR = Selector(Field(0, 4), 3, Selector(Field(7, 8, "big"), None))

keys = st.builds(
    StreamKey,
    st.sampled_from(["can0", "bus b"]),
    st.integers(0, 0x1FFFFFFF),
    st.booleans(),
    st.one_of(
        st.none(),
        st.builds(lambda prefix: Carrier("iso-tp", prefix), st.binary(min_size=1, max_size=4)),
        st.builds(lambda pgn: Carrier("j1939-tp", b"", pgn), st.integers(0, 0x3FFFF)),
    ),
)
places = st.one_of(st.just(Place()), st.builds(Place, st.integers(1, 9), st.integers(1, 99), st.none()))
meanings = st.builds(
    Meaning,
    st.builds(FieldAt, keys, fields(64), st.sampled_from([None, SELECTOR])),
    name=st.text(max_size=10),
    quantity=st.sampled_from([None, "cell voltage", "contactor"]),
    unit=st.sampled_from(["", "V"]),
    scale=st.floats(allow_nan=False, allow_infinity=False),
    offset=st.floats(allow_nan=False, allow_infinity=False),
    place=st.one_of(places, st.just(Place(sensor="positive")), st.just(Place(2, None, 1))),
    labels=st.dictionaries(st.integers(0, 3), st.text(max_size=5), max_size=2),
    low=st.one_of(st.none(), st.floats(-10, 10)),
    multiplexor=st.booleans(),
    comment=st.text(max_size=10),
)


@st.composite
def histories(draw):
    """Steps as they come about: taken, described, deleted, looked at, undone."""
    history = History()
    for _ in range(draw(st.integers(0, 8))):
        work = history.work
        kind = draw(st.sampled_from(["take", "delete", "read", "look", "undo", "map"]))
        if kind == "take":
            history = history.step(edits.taken(work, draw(meanings)))
        elif kind == "delete" and work.meaning is not None:
            history = history.step(edits.deleted(work))
        elif kind == "read":
            history = history.step(edits.with_reading(work, draw(st.text(max_size=20))))
        elif kind == "look":
            history = history.look(edits.show_stream(work, draw(keys)))
        elif kind == "undo":
            history = history.undo()
        elif kind == "map":
            history = replace(history, map_path=draw(st.text(max_size=9)), map_digest=draw(st.sampled_from(["", "12"])))
    return history


@given(histories())
@settings(max_examples=60)
def test_what_is_read_back_is_what_was_written_with_all_that_can_be_undone(tmp_path_factory, history):
    path = tmp_path_factory.mktemp("work") / "a.bench.json"
    WorkFile(path).write(history)
    again, trouble = WorkFile(path).read()
    assert trouble is None
    assert again.now == history.now
    assert (again.map_path, again.map_digest) == (history.map_path, history.map_digest)
    # The first state holds nothing but what was looked at, which is not kept.
    assert again.states[1:] == history.states[1:]
    assert again.states[0] == Work()


@given(st.lists(histories(), min_size=2, max_size=4))
@settings(max_examples=30)
def test_a_file_that_is_written_again_and_again_is_as_one_written_at_once(tmp_path_factory, several):
    folder = tmp_path_factory.mktemp("work")
    file = WorkFile(folder / "often")
    for history in several:
        file.write(history)
    WorkFile(folder / "once").write(several[-1])
    assert (folder / "often").read_text() == (folder / "once").read_text()


def a_history(count=5):
    history = History()
    for number in range(count):
        history = history.step(edits.taken(history.work, Meaning(FieldAt(KEY, Field(number, 1)), name=str(number))))
    return history


def test_the_file_stands_beside_the_capture(tmp_path):
    assert work_path(tmp_path / "a.log.xz") == tmp_path / "a.log.xz.bench.json"
    history, trouble = WorkFile(tmp_path / "none").read()
    assert history == History()
    assert trouble is None
    assert not (tmp_path / "none").exists()


def test_a_step_more_is_a_line_more(tmp_path):
    path = tmp_path / "a"
    file = WorkFile(path)
    file.write(a_history(40))
    lines = path.read_text().splitlines()
    file.write(a_history(41))
    assert len(path.read_text().splitlines()) == len(lines) + 1
    assert max(map(len, path.read_text().splitlines())) < 700


def test_a_file_that_another_program_changed_is_not_written_over_unless_asked_for(tmp_path):
    path = tmp_path / "a"
    file = WorkFile(path)
    file.write(a_history(1))
    other = WorkFile(path)
    other.read()
    other.write(a_history(3))
    theirs = path.read_text()
    with pytest.raises(ChangedMeanwhileError, match="another program changed"):
        file.write(a_history(2))
    assert path.read_text() == theirs
    file.write(a_history(2), over=True)
    assert len(WorkFile(path).read()[0].states) == 3
    file.write(a_history(4))


def test_a_file_that_came_up_meanwhile_is_not_written_over(tmp_path):
    file = WorkFile(tmp_path / "a")
    file.read()
    (tmp_path / "a").write_text("mine")
    with pytest.raises(ChangedMeanwhileError):
        file.write(a_history())
    assert (tmp_path / "a").read_text() == "mine"


def test_a_file_that_was_deleted_meanwhile_is_made_again(tmp_path):
    file = WorkFile(tmp_path / "a")
    file.write(a_history(1))
    (tmp_path / "a").unlink()
    file.write(a_history(2))
    assert (tmp_path / "a").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe\x00", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"[]", "no work of the bench"),
        (b'{"schema": "cellglean.bench/9", "steps": []}', "no work of the bench"),
        (b'{"schema": "cellglean.bench/1", "steps": {}}', "no work of the bench"),
    ],
)
def test_what_is_no_work_is_told_with_the_place_and_stays_as_it_is(tmp_path, content, words):
    path = tmp_path / "a"
    path.write_bytes(content)
    file = WorkFile(path)
    with pytest.raises(WorkError, match=words) as error:
        file.read()
    assert str(path) in str(error.value)
    with pytest.raises(ChangedMeanwhileError):
        file.write(a_history())
    assert path.read_bytes() == content


def test_a_folder_in_its_place_is_told(tmp_path):
    with pytest.raises(WorkError, match="cannot be read"):
        WorkFile(tmp_path).read()
    with pytest.raises(OutputError):
        WorkFile(tmp_path / "none" / "a").write(a_history())


BROKEN = [
    None,
    [],
    {},
    {"from": 99},
    {"gone": -1},
    {"chosen": 99},
    {"new": [{}]},
    {"new": 7},
    {"stream": 7},
    {"beside": {"bus": 1}},
    {"readings": [7]},
    {"from": 1e999},
]


@pytest.mark.parametrize("broken", BROKEN, ids=str)
def test_steps_from_a_broken_one_on_are_left_out_and_the_file_is_kept_until_the_user_decides(tmp_path, broken):
    path = tmp_path / "a"
    WorkFile(path).write(a_history(5))
    record = json.loads(path.read_text())
    record["steps"][2] = {**record["steps"][2], **broken} if isinstance(broken, dict) and broken else broken
    path.write_text(json.dumps(record))
    file = WorkFile(path)
    history, trouble = file.read()
    assert trouble == "step 3 of the saved work cannot be read; 3 left out from there on"
    assert history.states == a_history(2).states
    with pytest.raises(ChangedMeanwhileError):
        file.write(history)


@pytest.mark.parametrize("now", [None, "3", -4, 99, True, 1.5])
def test_a_state_that_is_not_there_gives_the_nearest(tmp_path, now):
    path = tmp_path / "a"
    WorkFile(path).write(a_history(3))
    record = json.loads(path.read_text())
    record["now"] = now
    path.write_text(json.dumps(record))
    history, trouble = WorkFile(path).read()
    assert trouble is None
    assert history.now == (0 if now == -4 else 3)


@pytest.mark.parametrize("told", [None, 7, [], ["a"], ["a", 1], {"a": 1}])
def test_a_map_that_is_told_wrongly_is_none(tmp_path, told):
    path = tmp_path / "a"
    WorkFile(path).write(replace(a_history(3), map_path="a.dbc", map_digest="12"))
    record = json.loads(path.read_text())
    assert record["map"] == ["a.dbc", "12"]
    record["map"] = told
    path.write_text(json.dumps(record))
    assert WorkFile(path).read()[0] == a_history(3)


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused_with_an_error_of_the_family(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("work") / "a"
    path.write_bytes(content)
    with pytest.raises(CellgleanError):
        WorkFile(path).read()


@given(st.integers(0, 4), st.sampled_from(["start", "length", "id", "scale", "byte_order", "name", "place", "labels"]))
def test_any_value_in_any_place_of_a_step_is_read_or_left_out(tmp_path_factory, number, name):
    path = tmp_path_factory.mktemp("work") / "a"
    WorkFile(path).write(a_history(5))
    for value in (None, -1, 10**30, "x", [], {}, {"module": -1}, {"x": "y"}, 1.5, True):
        record = json.loads(path.read_text())
        record["steps"][number]["new"][0][name] = value
        (path.parent / "b").write_text(json.dumps(record))
        history, _ = WorkFile(path.parent / "b").read()
        assert number + 1 <= len(history.states) <= 6
