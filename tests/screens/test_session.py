"""What the user adds is kept in files, and nothing is lost where they cannot be written."""

import pytest

from decoder.errors import CellgleanError
from decoder.judgement import Severity
from decoder.judgement.notes import Note
from tests.screens.small_pack import open_session
from tests.screens.small_talk import VIN

CELL = "Cell_1_01_V"


def codes_of(session, name):
    return [finding.code for finding in session.judgement.findings if finding.channel == name]


def test_a_note_survives_a_new_session_from_the_files(tmp_path):
    assert open_session(tmp_path).add_note(Note("odd", CELL, 4.2, Severity.WARNING)) is None
    session = open_session(tmp_path)
    assert session.notes == (Note("odd", CELL, 4.2, Severity.WARNING),)
    assert codes_of(session, CELL) == ["user-flag"]
    assert [session.is_users_own(f) for f in session.judgement.findings if f.channel == CELL] == [True]


def test_only_the_note_that_is_meant_is_taken_back(tmp_path):
    session = open_session(tmp_path)
    for time_s in (1.0, 2.0, 3.0):
        session.add_note(Note("odd", CELL, time_s))
    finding = next(f for f in session.judgement.findings if f.code == "user-flag" and f.from_ns == 2_001_000_000)
    assert session.remove_note(finding) is None
    assert [note.time_s for note in open_session(tmp_path).notes] == [1.0, 3.0]


def test_a_limit_survives_in_the_pack_sheet_and_is_the_users_own(tmp_path):
    session = open_session(tmp_path)
    assert session.set_limit(CELL, None, 3.7) is None
    assert codes_of(session, CELL) == ["channel-high"]
    again = open_session(tmp_path)
    assert again.limits_now(CELL) == (2.8, 3.7)
    assert again.limits_by_user() == {CELL}
    assert [again.is_users_own(f) for f in again.judgement.findings if f.channel == CELL] == [True]
    assert not any(again.is_users_own(f) for f in again.judgement.findings if f.channel != CELL)


def test_without_a_sheet_a_new_one_is_made_beside_the_capture(tmp_path):
    session = open_session(tmp_path, sheet=None)
    assert session.set_limit(CELL, 2.5, 3.7) is None
    assert session.sheet_path == tmp_path / "pack.log.sheet.toml"
    assert session.sheet_path.exists()
    assert session.limits_now(CELL) == (2.5, 3.7)


def test_a_low_limit_above_the_high_one_is_refused_and_changes_nothing(tmp_path):
    session = open_session(tmp_path)
    before = session.channels, session.judgement, (tmp_path / "pack.toml").read_text()
    with pytest.raises(CellgleanError, match="above the high"):
        session.set_limit(CELL, 5.0, None)
    assert (session.channels, session.judgement, (tmp_path / "pack.toml").read_text()) == before


def test_from_standard_input_notes_and_limits_hold_until_closing_and_say_so(tmp_path):
    session = open_session(tmp_path, sheet=None)
    session.capture_path = session.notes_file = None
    assert "until you close" in session.add_note(Note("odd", CELL, 4.2))
    assert "until you close" in session.set_limit(CELL, None, 3.7)
    assert "until you close" in session.set_limit("Cell_1_02_V", None, 3.6)
    assert sorted(codes_of(session, CELL)) == ["channel-high", "user-flag"]
    assert session.limits_now(CELL)[1] == 3.7
    assert session.limits_now("Cell_1_02_V")[1] == 3.6


def test_where_files_cannot_be_written_notes_and_limits_hold_until_closing(tmp_path):
    session = open_session(tmp_path)
    elsewhere = tmp_path / "gone" / "pack.toml"
    session.sheet_path = elsewhere
    session.notes_file = tmp_path / "gone" / "notes.toml"
    assert "cannot write" in session.add_note(Note("odd", CELL, 4.2))
    assert "cannot write" in session.set_limit(CELL, None, 3.7)
    assert session.notes == (Note("odd", CELL, 4.2),)
    assert session.limits_now(CELL)[1] == 3.7
    assert not elsewhere.exists()


def test_a_sheet_that_cannot_be_written_keeps_its_other_rules(tmp_path, monkeypatch):
    from decoder.errors import OutputError
    from decoder.screens import session as module

    session = open_session(tmp_path)
    real = module.set_channel_limit

    def read_only(path, *rest):
        if path == session.sheet_path:
            raise OutputError("cannot write the file")
        real(path, *rest)

    monkeypatch.setattr(module, "set_channel_limit", read_only)
    assert "until you close" in session.set_limit(CELL, None, 3.7)
    assert session.channels["Cell_2_03_V"].channel.high.value == 4.2
    assert session.channels.sheet.name == "Test pack"


def test_every_change_is_told(tmp_path):
    session = open_session(tmp_path)
    told = []
    session.on_change.append(lambda: told.append(len(session.judgement.findings)))
    before = len(session.judgement.findings)
    session.add_note(Note("odd"))
    session.set_limit(CELL, None, 3.7)
    assert told == [before + 1, before + 2]


def test_questions_and_answers_are_put_together_once_for_each_state_of_the_frames(tmp_path):
    session = open_session(tmp_path, talk=True)
    assert not session.talk_is_ready
    talk = session.talk
    assert session.talk_is_ready
    assert session.talk is talk
    session.set_limit(CELL, None, 3.7)
    session.add_note(Note("odd", CELL, 4.2))
    assert session.talk is talk  # limits and notes change no frame
    newer = open_session(tmp_path)
    session.replace(newer.channels, newer.judgement)
    assert not session.talk_is_ready
    assert session.talk.exchanges == ()


def test_the_capture_is_surveyed_once_for_each_state_of_the_frames(tmp_path):
    session = open_session(tmp_path, talk=True)
    assert not session.wire_is_ready
    wire = session.wire
    assert session.wire_is_ready
    assert session.wire is wire
    session.set_limit(CELL, None, 3.7)
    session.add_note(Note("odd", CELL, 4.2))
    assert session.wire is wire  # limits and notes change no frame
    newer = open_session(tmp_path)
    session.replace(newer.channels, newer.judgement)
    assert not session.wire_is_ready
    assert [one.can_id for one in session.wire.survey.identifiers] == [0x120, 0x311, 0x312]


def test_the_survey_looks_for_no_conversation_that_is_known_already(tmp_path, monkeypatch):
    from decoder.discovery import survey as module

    monkeypatch.setattr(module, "conversations", None)
    wire = open_session(tmp_path, talk=True).wire
    transports = {one.can_id: one.transport for one in wire.survey.identifiers}
    assert (transports[0x6E2], transports[0x6EA], transports[0x120]) == ("iso-tp", "iso-tp", None)


def test_identifiers_stand_beside_their_stream_messages_load_and_reason(tmp_path):
    wire = open_session(tmp_path, talk=True).wire
    described = {
        one.can_id: [message.name for message in messages]
        for one, messages in zip(wire.survey.identifiers, wire.messages, strict=True)
    }
    assert described == {0x120: ["Rest"], 0x311: ["Cells_1"], 0x312: ["Cells_2"], 0x6E2: [], 0x6EA: []}
    for number, one in enumerate(wire.survey.identifiers):
        assert wire.keys[number][1:] == (one.can_id, one.extended)
        assert wire.load_of(number).bus == one.bus
        assert bool(wire.reasons_of(number)) == (one.transport is not None)


def test_the_lines_of_a_transfer_are_those_of_its_frames(tmp_path):
    talk = open_session(tmp_path, talk=True).talk
    part_number = talk.exchanges[0]
    rows = [talk.frames.line.tolist().index(line) for line in talk.lines_of(part_number.answer_transfer)]
    assert [int(talk.frames.can_id[row]) for row in rows] == [0x6EA] * 3
    assert [int(talk.frames.data[row, 0]) for row in rows] == [0x10, 0x21, 0x22]


def test_vehicle_identification_numbers_show_only_where_asked_for(tmp_path):
    hidden, whole = (
        [row.text for row in open_session(tmp_path, talk=True, show_vin=shown).talk.identity] for shown in (False, True)
    )
    assert VIN.decode() in whole
    assert VIN.decode() not in hidden
    assert "TES**************" in hidden
