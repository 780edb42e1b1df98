"""Small maps and frames for the tests of coverage."""

import bitstruct

from decoder.maps.dbc_file import parse_map
from tests.building import capture

VOLTS = 'Pack_V : 7|16@0+ (0.1,0) [300|400] "V"'
PAGES = (
    'Page M : 0|8@1+ (1,0) [0|0] ""',
    'A m1 : 8|8@1+ (1,0) [0|0] ""',
    'B m2 : 16|8@1+ (1,0) [0|0] ""',
    'Count : 56|8@1+ (1,0) [0|0] ""',
)


def dbc(*signals, can_id=0x123, length=8, more=""):
    return parse_map(f"BO_ {can_id} Msg: {length} X\n" + "".join(f" SG_ {one} X\n" for one in signals) + more)


def frames_of(values, pattern="u16p48", can_id=0x123):
    """Frames whose payloads bitstruct packs."""
    return capture([(0.1 * at, can_id, bitstruct.pack(pattern, value)) for at, value in enumerate(values)])
