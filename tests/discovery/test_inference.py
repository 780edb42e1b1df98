"""What was inferred as plain records."""

import json

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey, from_record
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member, Rival, as_record
from decoder.discovery.proposal import Selector
from decoder.maps.pack_sheet import Place

KEY = StreamKey("can0", 0x330, extended=False)
CELL = FieldAt(KEY, Field(15, 13, "big"), Selector(Field(0, 8), 3))
PACK = FieldAt(KEY, Field(7, 16, "big"))
EVIDENCE = Evidence("close together", {"spread": 0.01, "unit": "V"}, "they are close")
RIVAL = Rival("module temperature", 0.5, -40, 0.1, "too cold")


def test_an_inference_is_a_record_of_the_documented_shape():
    array = ArrayClaim("cell voltage", "V", 0.001, 0, (Member(CELL, 1),), 0.97, (EVIDENCE,), (RIVAL,))
    channel = ChannelClaim(PACK, "pack voltage", "V", 0.1, 0, Place(), 0.5)
    record = json.loads(json.dumps(as_record(Inference((array,), (channel,)))))
    assert list(record) == ["schema", "arrays", "channels"]
    assert record["schema"] == "cellglean.infer/1"
    (told,) = record["arrays"]
    assert {"quantity", "unit", "scale", "offset", "members", "likelihood", "evidence", "rivals"} == set(told)
    assert told["evidence"] == [
        {"what": "close together", "numbers": {"spread": 0.01, "unit": "V"}, "text": "they are close"}
    ]
    assert told["rivals"][0]["quantity"] == "module temperature"
    (member,) = told["members"]
    assert (member["order"], member["place"]) == (1, {"module": None, "cell": None, "sensor": None})
    assert from_record(member) == CELL
    (single,) = record["channels"]
    assert single["place"] is None
    assert from_record(single) == PACK
    assert (single["quantity"], single["likelihood"]) == ("pack voltage", 0.5)


def test_nothing_is_a_record_too():
    assert as_record(Inference()) == {"schema": "cellglean.infer/1", "arrays": [], "channels": []}
