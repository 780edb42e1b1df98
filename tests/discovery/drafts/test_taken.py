"""Results that were written as JSON are read again as they were; what is no such result is refused with its place."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.drafting import draft
from decoder.discovery.drafts.accepting import accepted
from decoder.discovery.drafts.taken import take
from decoder.discovery.field_at import FieldAt, StreamKey, to_record
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member, as_record
from decoder.discovery.proposal import Carrier, Selector
from decoder.errors import UsageError
from decoder.maps import load_map
from decoder.maps.pack_sheet import Place

AT = FieldAt(
    StreamKey("can0", 0x6EA, False, Carrier("iso-tp", b"b\x01\x04")),
    Field(31, 16, "big"),
    Selector(Field(24, 8), 3, Selector(Field(16, 8), None)),
)
MEMBERS = (Member(AT, 1), Member(AT, 2, Place(1, 2)))
INFERENCE = Inference(
    (ArrayClaim("cell voltage", "V", 0.001, 0.0, MEMBERS, 0.9, (Evidence("a", text="b"),)),),
    (ChannelClaim(AT, "contactor", "", 1.0, 0.0, Place(sensor="positive"), 0.8),),
)
MATCH = {**to_record(AT), "scale": 0.001, "offset": 0, "residual": 0.1, "likelihood": 0.7, "same_as": [to_record(AT)]}
PIN = {
    "schema": "cellglean.pin/1",
    "readings": [{"label": "pack", "used": 2, "clock_offset_s": 1.5, "drift_ppm": None, "matches": [MATCH]}],
}
CARVE = {
    "schema": "cellglean.carve/1",
    "fields": [{**to_record(AT), "kind": "counter", "detail": {"modulus": 15}, "confidence": 0.9}],
}


def written(folder, whole):
    path = folder / "result.json"
    path.write_text(whole if isinstance(whole, str) else json.dumps(whole))
    return path


def test_an_inference_comes_back_as_it_was(tmp_path):
    assert take([written(tmp_path, as_record(INFERENCE))]).inference == INFERENCE


def test_readings_and_carved_fields_come_back(tmp_path):
    (tmp_path / "b").mkdir()
    found = take([written(tmp_path, PIN), written(tmp_path / "b", CARVE)])
    assert found.chosen
    assert found.pinned[0].matches[0].at == AT
    assert found.pinned[0].matches[0].same_as == (AT,)
    assert (found.pinned[0].label, found.pinned[0].drift_ppm) == ("pack", None)
    ((key, proposal),) = found.carved
    assert key == AT.stream
    assert (proposal.field, proposal.multiplexor, proposal.detail) == (AT.field, AT.multiplexor, {"modulus": 15})


@pytest.mark.parametrize(
    ("whole", "what"),
    [
        ("", "no JSON"),
        ("{,}", "no JSON"),
        ("[" * 100_000, "no JSON"),
        ("[1]", "no JSON object"),
        ("{}", "no schema"),
        ({"schema": "cellglean.survey/1"}, "its schema is 'cellglean.survey/1'"),
        ({"schema": ["\x1b[1m"]}, "its schema is"),
        ({"schema": "cellglean.carve/1", "fields": 3}, "'fields' is no list"),
        ({"schema": "cellglean.carve/1", "fields": [3]}, "entry 1 of 'fields'"),
        ({"schema": "cellglean.infer/1", "arrays": [{}]}, "entry 1 of 'arrays' cannot be read: the key 'members'"),
        ({"schema": "cellglean.pin/1", "readings": [PIN["readings"][0], {"label": "x"}]}, "entry 2 .* 'matches'"),
    ],
)
def test_what_is_no_result_is_refused(tmp_path, whole, what):
    path = written(tmp_path, whole)
    with pytest.raises(UsageError, match=what) as caught:
        take([path])
    assert caught.value.where.path == str(path)
    assert caught.value.expected


def changed(keys, value):
    whole = json.loads(json.dumps({**as_record(INFERENCE)}))
    inner = whole
    for one in keys[:-1]:
        inner = inner[one]
    if value is None:
        del inner[keys[-1]]
    else:
        inner[keys[-1]] = value
    return whole


@pytest.mark.parametrize(
    ("keys", "value"),
    [
        (("channels", 0, "quantity"), "pack volts"),
        (("channels", 0, "quantity"), 0),
        (("channels", 0, "likelihood"), 1.5),
        (("channels", 0, "scale"), "much"),
        (("channels", 0, "scale"), True),
        (("channels", 0, "start"), None),
        (("channels", 0, "start"), -1),
        (("channels", 0, "length"), 65),
        (("channels", 0, "id"), 0x20000000),
        (("channels", 0, "id"), -1),
        (("channels", 0, "transport"), {"kind": "j1939-tp", "pgn": 1 << 18}),
        (("channels", 0, "multiplexor", "value"), 256),
        (("channels", 0, "byte_order"), "middle"),
        (("channels", 0, "transport"), {"kind": "pigeon"}),
        (("channels", 0, "transport", "prefix"), "6"),
        (("channels", 0, "place"), {"module": "one"}),
        (("arrays", 0, "members"), []),
        (("arrays", 0, "members", 0, "order"), 1.5),
    ],
)
def test_a_wrong_value_or_a_missing_key_names_its_entry(tmp_path, keys, value):
    with pytest.raises(UsageError, match=f"entry 1 of '{keys[0]}' cannot be read"):
        take([written(tmp_path, changed(keys, value))])


def test_entries_may_be_taken_out(tmp_path):
    whole = as_record(INFERENCE)
    del whole["arrays"][0]["members"][0]
    del whole["channels"]
    found = take([written(tmp_path, whole)])
    assert [one.order for one in found.inference.arrays[0].members] == [2]
    assert not found.inference.channels


def test_a_file_that_is_not_there(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(UsageError, match="cannot be read"):
            take([path])


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_any_value_anywhere_is_read_or_refused(tmp_path_factory, data):
    whole = data.draw(st.sampled_from([as_record(INFERENCE), PIN, CARVE]))
    whole = json.loads(json.dumps(whole))
    inner, key = whole, None
    while isinstance(inner, dict | list) and inner:
        options = list(inner) if isinstance(inner, dict) else list(range(len(inner)))
        holder, key = inner, data.draw(st.sampled_from(options))
        inner = inner[key]
        if data.draw(st.booleans()):
            break
    holder[key] = data.draw(JSON)
    folder = tmp_path_factory.mktemp("taken")
    try:
        found = take([written(folder, whole)])
    except UsageError as error:
        assert str(error)
        return
    drafted = draft(accepted(found, at_least=0).meanings, folder / "a.dbc", folder / "a.toml", "a.log")
    if drafted.map_lines:
        assert load_map(folder / "a.dbc", strict=True)
