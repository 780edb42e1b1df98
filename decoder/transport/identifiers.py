"""What the standards call an identifier, and several identifiers in one answer.

Sources. Data identifiers F180 to F19F and the ranges: ISO 14229-1, annex C, as udsoncan gives them (edition of 2006;
the tests hold them to it). Newer editions cut the ranges of makers and legislators differently. From memory: F802,
routine identifiers (ISO 14229-1, annex F), identification options of ISO 14230-3, PIDs and info types of ISO 15031-5
(SAE J1979).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

VIN_IDENTIFIERS: Final = frozenset({0xF190, 0xF802})  # data identifiers that carry a vehicle identification number
VIN_OPTION: Final = 0x90  # the same, of one byte: ISO 14230-3, services 1A and 3B
VIN_INFO_TYPE: Final = 0x02  # the same in ISO 15031-5, service 09

DATA_IDENTIFIERS: Final[Mapping[int, str]] = {
    0xF180: "boot software identification",
    0xF181: "application software identification",
    0xF182: "application data identification",
    0xF183: "boot software fingerprint",
    0xF184: "application software fingerprint",
    0xF185: "application data fingerprint",
    0xF186: "active diagnostic session",
    0xF187: "vehicle manufacturer spare part number",
    0xF188: "vehicle manufacturer ECU software number",
    0xF189: "vehicle manufacturer ECU software version number",
    0xF18A: "system supplier identifier",
    0xF18B: "ECU manufacturing date",
    0xF18C: "ECU serial number",
    0xF18D: "supported functional units",
    0xF18E: "vehicle manufacturer kit assembly part number",
    0xF190: "vehicle identification number",
    0xF191: "vehicle manufacturer ECU hardware number",
    0xF192: "system supplier ECU hardware number",
    0xF193: "system supplier ECU hardware version number",
    0xF194: "system supplier ECU software number",
    0xF195: "system supplier ECU software version number",
    0xF196: "exhaust regulation or type approval number",
    0xF197: "system name or engine type",
    0xF198: "repair shop code or tester serial number",
    0xF199: "programming date",
    0xF19A: "calibration repair shop code or calibration equipment serial number",
    0xF19B: "calibration date",
    0xF19C: "calibration equipment software number",
    0xF19D: "ECU installation date",
    0xF19E: "ODX file",
    0xF19F: "entity",
}
DATA_RANGES: Final = (
    # first, last, name; what is reserved has no name
    (0x0100, 0xEFFF, "maker's own"),
    (0xF000, 0xF00F, "network configuration data for tractor-trailer"),
    (0xF010, 0xF0FF, "maker's own"),
    (0xF100, 0xF17F, "maker's own identification"),
    (0xF1A0, 0xF1EF, "maker's own identification"),
    (0xF1F0, 0xF1FF, "supplier's own identification"),
    (0xF200, 0xF2FF, "periodic data"),
    (0xF300, 0xF3FF, "dynamically defined data"),
    (0xF400, 0xF5FF, "OBD data"),
    (0xF600, 0xF7FF, "OBD monitor data"),
    (0xF800, 0xF8FF, "OBD info type"),
    (0xF900, 0xF9FF, "tachograph"),
    (0xFA00, 0xFA0F, "airbag deployment"),
    (0xFA10, 0xFAFF, "safety system"),
    (0xFB00, 0xFCFF, "reserved for legislation"),
    (0xFD00, 0xFEFF, "supplier's own"),
)
ROUTINES: Final[Mapping[int, str]] = {
    0xFF00: "erase memory",
    0xFF01: "check programming dependencies",
    0xFF02: "erase mirror memory trouble codes",
}
ROUTINE_RANGES: Final = (
    (0x0100, 0x01FF, "tachograph test"),
    (0x0200, 0xDFFF, "maker's own"),
    (0xE000, 0xE1FF, "OBD test"),
    (0xE200, 0xE2FF, "safety system"),
    (0xF000, 0xFEFF, "supplier's own"),
)
INFO_TYPES: Final[Mapping[int, str]] = {
    0x00: "supported info types",
    0x01: "message count of vehicle identification number",
    0x02: "vehicle identification number",
    0x03: "message count of calibration identifications",
    0x04: "calibration identifications",
    0x05: "message count of calibration verification numbers",
    0x06: "calibration verification numbers",
    0x07: "message count of in-use performance tracking",
    0x08: "in-use performance tracking, spark ignition",
    0x09: "message count of ECU name",
    0x0A: "ECU name",
    0x0B: "in-use performance tracking, compression ignition",
    0x0D: "engine serial number",
}
PIDS: Final[Mapping[int, str]] = {  # a short list: what stands in the answers of a pack controller or beside it
    0x00: "supported PIDs 01 to 20",
    0x01: "monitor status since codes were cleared",
    0x04: "calculated load",
    0x05: "coolant temperature",
    0x0C: "engine speed",
    0x0D: "vehicle speed",
    0x1C: "OBD requirements",
    0x1F: "run time since start",
    0x20: "supported PIDs 21 to 40",
    0x21: "distance with warning indicator on",
    0x30: "warm-ups since codes were cleared",
    0x31: "distance since codes were cleared",
    0x40: "supported PIDs 41 to 60",
    0x42: "control module voltage",
    0x46: "ambient air temperature",
    0x4D: "run time with warning indicator on",
    0x4E: "time since codes were cleared",
    0x5B: "hybrid or electric pack remaining charge",
    0x60: "supported PIDs 61 to 80",
    0x9A: "hybrid or electric system data",
}


def identifier_name(service: int, identifier: int) -> str:
    """Give the standard's word for an identifier of a service; empty where the standard has none.

    service : number as in the request
    identifier : as the request carries it: 0 to FFFF, or 0 to FF
    """
    match service:
        case 0x01 | 0x02:
            return PIDS.get(identifier, "")
        case 0x09:
            return INFO_TYPES.get(identifier, "")
        case 0x1A:
            # The options 90 to 99 are those data identifiers that later became F190 to F199.
            return DATA_IDENTIFIERS[0xF100 | identifier] if 0x90 <= identifier <= 0x99 else ""
        case 0x2A:
            return "periodic data" if 0 <= identifier <= 0xFF else ""
        case 0x22 | 0x24 | 0x2C | 0x2E | 0x2F:
            return _data_identifier_name(identifier)
        case 0x31:
            return ROUTINES.get(identifier) or _range_name(ROUTINE_RANGES, identifier)
    return ""


def split_identifiers(request: bytes, answer: bytes) -> list[tuple[int, bytes]] | None:
    """Cut a positive answer to ReadDataByIdentifier into its identifiers and their data.

    The lengths of the data stand nowhere, so the asked identifiers are looked for in their order, each with at least
    one byte of data behind it. ``None`` where that goes in more than one way or in none, or this is no such answer. A
    single identifier is always cut.
    """
    if request[:1] != b"\x22" or answer[:1] != b"\x62" or len(request) < 3 or len(request) % 2 == 0:
        return None
    asked = [request[at : at + 2] for at in range(1, len(request), 2)]
    if not answer.startswith(asked[0], 1):
        return None
    if len(asked) == 1:
        starts = [1]
    else:
        # Every way to cut lies between the leftmost and the rightmost: there is one way if these are the same.
        starts = _leftmost(asked, answer)
        if not starts or starts != _rightmost(asked, answer):
            return None
    ends = [*starts[1:], len(answer)]
    return [
        (int.from_bytes(asked[n], "big"), answer[start + 2 : end])
        for n, (start, end) in enumerate(zip(starts, ends, strict=True))
    ]


def _leftmost(asked: list[bytes], answer: bytes) -> list[int]:
    starts = [1]
    for identifier in asked[1:]:
        at = answer.find(identifier, starts[-1] + 3)
        if at < 0:
            return []
        starts.append(at)
    return starts if len(answer) > starts[-1] + 2 else []


def _rightmost(asked: list[bytes], answer: bytes) -> list[int]:
    """Only where there is a leftmost way: then each identifier is found."""
    starts: list[int] = []
    end = len(answer)
    for identifier in reversed(asked[1:]):
        end = answer.rfind(identifier, 4, end - 1)
        starts.append(end)
    return [1, *reversed(starts)]


def _data_identifier_name(identifier: int) -> str:
    if identifier in DATA_IDENTIFIERS:
        return DATA_IDENTIFIERS[identifier]
    name = _range_name(DATA_RANGES, identifier)
    low = identifier & 0xFF
    known = PIDS.get(low) if identifier >> 8 == 0xF4 else INFO_TYPES.get(low) if identifier >> 8 == 0xF8 else None
    return name if known is None else f"{name}: {known}"


def _range_name(ranges: tuple[tuple[int, int, str], ...], identifier: int) -> str:
    return next((name for first, last, name in ranges if first <= identifier <= last), "")
