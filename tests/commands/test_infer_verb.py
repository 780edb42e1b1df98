"""The verb infer: words and JSON."""

import json

import pytest

from decoder.bits import Field
from decoder.commands.infer_verb import field_words, text_lines
from decoder.commands.main import main
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member, Rival
from decoder.discovery.proposal import Carrier, Selector
from decoder.maps.pack_sheet import Place
from tests.discovery.small_packs import cells_v, current_a, joined, recorded, whole_pack

KEY = StreamKey("can0", 0x330, extended=False)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    current = current_a(60)
    volt = cells_v(current)
    frames = recorded(joined(volt), whole_pack(volt, current))
    path = tmp_path_factory.mktemp("logs") / "a.log"
    columns = zip(frames.time_ns, frames.can_id, frames.data, frames.length, strict=True)
    lines = [
        f"({time / 1e9:.6f}) can0 {can_id:03X}#{bytes(data[:length]).hex().upper()}\n"
        for time, can_id, data, length in columns
    ]
    path.write_text("".join(lines))
    return str(path)


def test_json_has_the_schema_and_all_members(log, capsys):
    assert main(["infer", log, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "cellglean.infer/1"
    assert [len(one["members"]) for one in told["arrays"] if one["quantity"] == "cell voltage"] == [24]


def test_words_name_arrays_with_their_evidence_within_80_columns(log, capsys):
    assert main(["infer", log]) == 0
    text = capsys.readouterr().out
    assert "24 x cell voltage, raw x 0.001 V" in text
    assert "310 7|16@0+ to 315 55|16@0+ in 6 messages" in text
    assert max(map(len, text.splitlines())) <= 80


def test_the_result_goes_into_a_file(log, tmp_path, capsys):
    path = tmp_path / "told.json"
    assert main(["infer", log, "--json", "--out", str(path)]) == 0
    assert json.loads(path.read_text())["schema"] == "cellglean.infer/1"
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("share", ["2", "-0.1", "much", "nan"])
def test_a_likelihood_that_is_none_is_refused(log, share, capsys):
    with pytest.raises(SystemExit) as refused:
        main(["infer", log, "--least", share])
    assert refused.value.code == 2
    assert "0 to 1" in capsys.readouterr().err


def test_a_capture_that_tells_nothing_says_so_and_an_empty_or_missing_one_is_refused(tmp_path, capsys):
    path = tmp_path / "a.log"
    path.write_text("(1.000000) can0 123#00\n")
    assert main(["infer", str(path)]) == 0
    assert "Nothing in this capture" in capsys.readouterr().out
    path.write_text("")
    assert main(["infer", str(path)]) == 2
    assert main(["infer", str(tmp_path / "none.log")]) == 2


def test_nothing_is_called_certain_and_little_is_hidden_with_a_word():
    sure = ChannelClaim(FieldAt(KEY, Field(7, 16, "big")), "pack voltage", "V", 0.1, 0, Place(), 1.0)
    weak = ChannelClaim(FieldAt(KEY, Field(23, 16, "big")), "state of charge", "%", 0.1, 0, Place(), 0.1)
    lines = text_lines(Inference((), (sure, weak)), 80, 0.3)
    assert lines[0] == " 99 %  pack voltage, raw x 0.1 V"
    assert "1 less likely" in lines[-1]
    assert not any("state of charge" in line for line in lines)


def test_rivals_evidence_and_pages_are_told():
    at = FieldAt(KEY, Field(15, 13, "big"), Selector(Field(0, 8), 3, Selector(Field(8, 8), 2)))
    array = ArrayClaim(
        "module temperature",
        "degC",
        0.5,
        -40,
        (Member(at, 1), Member(at, 2)),
        0.6,
        (Evidence("x", {}, "they lie close"),),
        (Rival(None, 1.0, 0.0, 0.3, "why not"),),
    )
    text = "\n".join(text_lines(Inference((array,), ()), 80))
    assert " 60 %  2 x module temperature, raw x 0.5 -40 degC" in text
    assert "330 page 2/3 15|13@0+" in text
    assert "they lie close" in text
    assert "or none of the known quantities, raw x 1 ( 30 %)" in text or "(30 %): why not" in text


def test_fields_of_answers_and_groups_name_their_transport():
    answer = StreamKey("can0", 0x6EA, False, Carrier("iso-tp", b"\x62\x01\x04"))
    assert field_words(FieldAt(answer, Field(31, 16, "big"))) == "6EA answer 62 01 04 31|16@0+"
    group = StreamKey("can0", 0x18FF50E5, True, Carrier("j1939-tp", b"", 0xFF50))
    assert field_words(FieldAt(group, Field(0, 16, signed=True))) == "18FF50E5 group FF50 0|16@1-"
