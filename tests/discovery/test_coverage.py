"""The demo is covered by its own map; nothing at all is covered too."""

from pathlib import Path

from decoder.capture import read_capture
from decoder.discovery.coverage import coverage
from decoder.maps import load_map, load_sheet
from tests.building import capture
from tests.discovery.map_texts import VOLTS, dbc

ROOT = Path(__file__).parents[2]
MAP = ROOT / "signal_maps" / "harbour_shuttle.dbc"


def test_the_demo_is_explained_by_its_map_but_for_two_identifiers():
    frames = read_capture(ROOT / "captures" / "harbour_shuttle.log.xz")
    found = coverage(frames, load_map(MAP), load_sheet(MAP.with_suffix(".toml")), carved=False)
    assert [one.key.can_id for one in found.streams if one.moves] == [0x0A4, 0x1C2]
    assert not found.misfits
    assert found.changing_bits - found.explained_bits == sum(
        one.changing_bits for one in found.streams if not one.messages
    )


def test_nothing_at_all_is_covered_too():
    found = coverage(capture([]), dbc(VOLTS))
    assert (found.changing_bits, found.streams, found.misfits) == (0, (), ())
