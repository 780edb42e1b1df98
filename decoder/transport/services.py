"""Diagnostic services: their numbers, forms and negative answers, as data rows.

Sources. Numbers, names and negative response codes of ISO 14229-1 agree with udsoncan, which follows the editions of
2006 to 2020 (the tests hold them to it); so do the echoes of 10, 11, 28, 2C, 2E, 31, 36, 3E, 83, 85 and 87. From
memory: the other echoes and the allowed lengths of ISO 14229-1; all of ISO 14230-3; all of ISO 15031-5 (SAE J1979); the
codes of ISO 14230-3 among `REASONS`.

Where two standards give one number two meanings, ISO 14229-1 goes first. Two services have an older form of another
length, which cannot be mistaken for the newer one: TesterPresent ``3E``, ``3E 01``, ``3E 02``, and a routine with an
identifier of one byte, ``31 xx`` and ``31 xx yy``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

POSITIVE: Final = 0x40  # what a positive answer adds to the number of the service (ISO 14229-1, 7.3)
NEGATIVE: Final = 0x7F  # first byte of a negative answer: 7F, service, reason
PENDING: Final = 0x78  # the reason that only asks for more time
WAIVE: Final = 0x80  # suppressPosRspMsgIndicationBit of a sub-function

_UDS: Final = "ISO 14229-1"
_KWP: Final = "ISO 14230-3"
_OBD: Final = "ISO 15031-5"

_SUB: Final = True  # a sub-function follows the service byte
_PLAIN: Final = False


@dataclass(frozen=True, slots=True)
class Service:
    """How a service is asked and answered.

    number : first byte of the request; the positive answer begins with it + 0x40
    name : the standard's word, written plainly
    sub_function : the byte after the service is a sub-function, whose bit 7 waives the positive answer
    identifier_at : offset of the (first) identifier in the request; ``None`` if the service has none
    identifier_bytes : its length, 0 to 2
    echo : how many request bytes after the service byte a positive answer repeats, bit 7 of a sub-function cleared
    standard : where the service is defined
    shortest, longest : allowed bytes of a request, the service byte included; ``None`` for no limit
    several : a request may list several identifiers, each `echo` bytes wide; those that are not supported are left
        out of the answer
    """

    number: int
    name: str
    sub_function: bool
    identifier_at: int | None
    identifier_bytes: int
    echo: int
    standard: str
    shortest: int
    longest: int | None
    several: bool = False


_ROWS: Final = (
    # number, name, sub-function, identifier at, its bytes, echo, standard, shortest, longest, several
    Service(0x10, "diagnostic session control", _SUB, None, 0, 1, _UDS, 2, 2),
    Service(0x11, "ECU reset", _SUB, None, 0, 1, _UDS, 2, 2),
    Service(0x14, "clear diagnostic information", _PLAIN, None, 0, 0, _UDS, 3, 5),
    Service(0x19, "read DTC information", _SUB, None, 0, 1, _UDS, 2, 7),
    Service(0x22, "read data by identifier", _PLAIN, 1, 2, 2, _UDS, 3, None, several=True),
    Service(0x23, "read memory by address", _PLAIN, None, 0, 0, _UDS, 4, 11),
    Service(0x24, "read scaling data by identifier", _PLAIN, 1, 2, 2, _UDS, 3, 3),
    Service(0x27, "security access", _SUB, None, 0, 1, _UDS, 2, None),
    Service(0x28, "communication control", _SUB, None, 0, 1, _UDS, 2, 5),
    Service(0x29, "authentication", _SUB, None, 0, 1, _UDS, 2, None),
    Service(0x2A, "read data by periodic identifier", _PLAIN, 2, 1, 0, _UDS, 2, None),
    Service(0x2C, "dynamically define data identifier", _SUB, 2, 2, 3, _UDS, 2, None),
    Service(0x2E, "write data by identifier", _PLAIN, 1, 2, 2, _UDS, 4, None),
    Service(0x2F, "input output control by identifier", _PLAIN, 1, 2, 2, _UDS, 4, None),
    Service(0x31, "routine control", _SUB, 2, 2, 3, _UDS, 4, None),
    Service(0x34, "request download", _PLAIN, None, 0, 0, _UDS, 5, 12),
    Service(0x35, "request upload", _PLAIN, None, 0, 0, _UDS, 5, 12),
    Service(0x36, "transfer data", _PLAIN, None, 0, 1, _UDS, 2, None),
    Service(0x37, "request transfer exit", _PLAIN, None, 0, 0, _UDS, 1, None),
    Service(0x38, "request file transfer", _PLAIN, None, 0, 1, _UDS, 5, None),
    # The answer repeats the format byte, the address and the size; how long these are stands in the format byte.
    Service(0x3D, "write memory by address", _PLAIN, None, 0, 1, _UDS, 5, None),
    Service(0x3E, "tester present", _SUB, None, 0, 1, _UDS, 2, 2),
    Service(0x83, "access timing parameter", _SUB, None, 0, 1, _UDS, 2, None),
    Service(0x84, "secured data transmission", _PLAIN, None, 0, 0, _UDS, 2, None),
    Service(0x85, "control DTC setting", _SUB, None, 0, 1, _UDS, 2, None),
    Service(0x86, "response on event", _SUB, None, 0, 1, _UDS, 3, None),
    Service(0x87, "link control", _SUB, None, 0, 1, _UDS, 2, 5),
    Service(0x12, "read freeze frame data", _PLAIN, None, 0, 1, _KWP, 2, None),
    Service(0x13, "read diagnostic trouble codes", _PLAIN, None, 0, 0, _KWP, 1, 3),
    # The answer begins with a count, not with the code that was asked for.
    Service(0x17, "read status of diagnostic trouble codes", _PLAIN, None, 0, 0, _KWP, 3, 3),
    Service(0x18, "read diagnostic trouble codes by status", _PLAIN, None, 0, 0, _KWP, 4, 4),
    Service(0x1A, "read ECU identification", _PLAIN, 1, 1, 1, _KWP, 2, 3),
    Service(0x20, "stop diagnostic session", _PLAIN, None, 0, 0, _KWP, 1, 1),
    Service(0x21, "read data by local identifier", _PLAIN, 1, 1, 1, _KWP, 2, None),
    Service(0x30, "input output control by local identifier", _PLAIN, 1, 1, 1, _KWP, 3, None),
    Service(0x32, "stop routine by local identifier", _PLAIN, 1, 1, 1, _KWP, 2, None),
    Service(0x33, "request routine results by local identifier", _PLAIN, 1, 1, 1, _KWP, 2, None),
    Service(0x3B, "write data by local identifier", _PLAIN, 1, 1, 1, _KWP, 3, None),
    Service(0x81, "start communication", _PLAIN, None, 0, 0, _KWP, 1, 1),
    Service(0x82, "stop communication", _PLAIN, None, 0, 0, _KWP, 1, 1),
    Service(0x01, "request current powertrain diagnostic data", _PLAIN, 1, 1, 1, _OBD, 2, 7, several=True),
    Service(0x02, "request powertrain freeze frame data", _PLAIN, 1, 1, 2, _OBD, 3, 7, several=True),
    Service(0x03, "request emission-related trouble codes", _PLAIN, None, 0, 0, _OBD, 1, 1),
    Service(0x04, "clear emission-related diagnostic information", _PLAIN, None, 0, 0, _OBD, 1, 1),
    Service(0x05, "request oxygen sensor monitoring test results", _PLAIN, 1, 1, 2, _OBD, 3, 3),
    Service(0x06, "request on-board monitoring test results", _PLAIN, 1, 1, 1, _OBD, 2, 7, several=True),
    Service(0x07, "request pending trouble codes", _PLAIN, None, 0, 0, _OBD, 1, 1),
    Service(0x08, "request control of on-board system", _PLAIN, 1, 1, 1, _OBD, 2, 7),
    Service(0x09, "request vehicle information", _PLAIN, 1, 1, 1, _OBD, 2, 7, several=True),
    Service(0x0A, "request permanent trouble codes", _PLAIN, None, 0, 0, _OBD, 1, 1),
)
SERVICES: Final[Mapping[int, Service]] = {row.number: row for row in _ROWS}

_OLDER_ROUTINE: Final = Service(0x31, "start routine by local identifier", _PLAIN, 1, 1, 1, _KWP, 2, 3)
_OLDER_TESTER_PRESENT: Final = Service(0x3E, "tester present", _PLAIN, None, 0, 0, _KWP, 1, 2)

REASONS: Final[Mapping[int, str]] = {
    # ISO 14229-1, annex A
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "incorrect message length or invalid format",
    0x14: "response too long",
    0x21: "busy, repeat request",
    0x22: "conditions not correct",
    0x24: "request sequence error",
    0x25: "no response from subnet component",
    0x26: "failure prevents execution of requested action",
    0x31: "request out of range",
    0x33: "security access denied",
    0x34: "authentication required",
    0x35: "invalid key",
    0x36: "exceeded number of attempts",
    0x37: "required time delay not expired",
    0x38: "secure data transmission required",
    0x39: "secure data transmission not allowed",
    0x3A: "secure data verification failed",
    0x50: "certificate verification failed: invalid time period",
    0x51: "certificate verification failed: invalid signature",
    0x52: "certificate verification failed: invalid chain of trust",
    0x53: "certificate verification failed: invalid type",
    0x54: "certificate verification failed: invalid format",
    0x55: "certificate verification failed: invalid content",
    0x56: "certificate verification failed: invalid scope",
    0x57: "certificate verification failed: invalid certificate",
    0x58: "ownership verification failed",
    0x59: "challenge calculation failed",
    0x5A: "setting access rights failed",
    0x5B: "session key creation or derivation failed",
    0x5C: "configuration data usage failed",
    0x5D: "de-authentication failed",
    0x70: "upload or download not accepted",
    0x71: "transfer data suspended",
    0x72: "general programming failure",
    0x73: "wrong block sequence counter",
    0x78: "response pending",
    0x7E: "sub-function not supported in active session",
    0x7F: "service not supported in active session",
    0x81: "rpm too high",
    0x82: "rpm too low",
    0x83: "engine is running",
    0x84: "engine is not running",
    0x85: "engine run time too low",
    0x86: "temperature too high",
    0x87: "temperature too low",
    0x88: "vehicle speed too high",
    0x89: "vehicle speed too low",
    0x8A: "throttle or pedal too high",
    0x8B: "throttle or pedal too low",
    0x8C: "transmission range not in neutral",
    0x8D: "transmission range not in gear",
    0x8F: "brake switch not closed",
    0x90: "shifter lever not in park",
    0x91: "torque converter clutch locked",
    0x92: "voltage too high",
    0x93: "voltage too low",
    0x94: "resource temporarily not available",
    # ISO 15764, as udsoncan gives them; 38 to 3A have since been given anew
    0x3B: "termination with signature requested",
    0x3C: "access denied",
    0x3D: "version not supported",
    0x3E: "secured link not supported",
    0x3F: "certificate not available",
    0x40: "audit trail information not available",
    # ISO 14230-3, from memory, where the others leave room
    0x23: "routine not complete",
    0x41: "improper download type",
    0x42: "cannot download to specified address",
    0x43: "cannot download number of bytes requested",
    0x74: "illegal address in block transfer",
    0x75: "illegal byte count in block transfer",
    0x76: "illegal block transfer type",
    0x77: "block transfer data checksum error",
    0x79: "incorrect byte count during block transfer",
    0x80: "service not supported in active diagnostic mode",
}


def reason_word(code: int) -> str:
    """Say why a request was refused; a code that no standard gives is named by its number."""
    return REASONS.get(code, f"reason 0x{code:02X}")


def service_name(number: int) -> str:
    """Give the standard's word for a service; a number that no standard gives is named by itself."""
    row = SERVICES.get(number)
    return f"service 0x{number:02X}" if row is None else row.name


def service_of(payload: bytes) -> int | None:
    """Give the service that a request asks for.

    ``None`` for nothing, and where bit 6 of the first byte says that this is an answer (ISO 14229-1, table 2).
    """
    if not payload or payload[0] & POSITIVE:
        return None
    return payload[0]


def expected_echo(request: bytes) -> bytes:
    """Give the bytes that a positive answer begins with; of a service that is not known, only the first one.

    Empty if `request` is not a request, or is 3F, which has no positive answer. A shorter request gives a shorter
    echo. Where several identifiers are asked for, this is the echo of the first.
    """
    service = service_of(request)
    if service is None or service + POSITIVE == NEGATIVE:
        return b""
    row = _row(service, request)
    echo = bytearray(request[1 : 1 + row.echo] if row else b"")
    if row and row.sub_function and echo:
        echo[0] &= ~WAIVE & 0xFF
    return bytes([service + POSITIVE]) + bytes(echo)


def positive_for(request: bytes, answer: bytes) -> bool:
    """Say whether `answer` is a positive answer to `request`.

    Also taken: a sub-function repeated with its bit 7, which in ISO 14230-3 belongs to the number of a session
    (``10 81``); an answer that begins with a later one of several identifiers, because the first is not supported;
    a bare ``7E``.
    """
    service = service_of(request)
    if service is None or not answer or answer[0] != service + POSITIVE or answer[0] == NEGATIVE:
        return False
    row = _row(service, request)
    if row is None or answer.startswith(expected_echo(request)) or answer == b"\x7e":
        return True
    if row.sub_function:
        return answer[1:].startswith(request[1 : 1 + row.echo])
    return row.several and any(
        answer[1:].startswith(request[at : at + row.echo]) for at in range(1, len(request) - row.echo + 1, row.echo)
    )


def negative_for(request: bytes, answer: bytes) -> bool:
    """Say whether `answer` refuses `request`, or asks for more time: 7F, the service, a reason."""
    return len(answer) >= 3 and answer[0] == NEGATIVE and answer[1] == service_of(request)


def is_pending(answer: bytes) -> bool:
    """Say whether an answer only asks for more time: 7F, any service, 78."""
    return len(answer) >= 3 and answer[0] == NEGATIVE and answer[2] == PENDING


def waives_answer(request: bytes) -> bool:
    """Say whether the asker needs no positive answer: bit 7 of a sub-function, or ``3E 02`` as in ISO 14230-3.

    In ISO 14230-3 a session may have a number above 80, so an answer to such a request can come all the same.
    """
    service = service_of(request)
    row = None if service is None else _row(service, request)
    if row is None or len(request) < 2:
        return False
    return request == b"\x3e\x02" or (row.sub_function and bool(request[1] & WAIVE))


def identifier_of_request(request: bytes) -> int | None:
    """Give the (first) identifier that a request names; ``None`` where the service has none or it is cut off."""
    service = service_of(request)
    return None if service is None else _identifier(_row(service, request), request)


def identifiers_of_request(request: bytes) -> tuple[int, ...]:
    """Give all identifiers that a request names: some services take several."""
    service = service_of(request)
    row = None if service is None else _row(service, request)
    if row is None or not row.several:
        one = identifier_of_request(request)
        return () if one is None else (one,)
    whole = range(1, len(request) - row.echo + 1, row.echo)
    return tuple(int.from_bytes(request[at : at + row.identifier_bytes], "big") for at in whole)


def identifier_of_answer(answer: bytes) -> int | None:
    """Give the (first) identifier that a positive answer repeats, for when its request was not heard."""
    row = _row_of_answer(answer)
    if row is None or (row.identifier_at or 1) - 1 + row.identifier_bytes > row.echo:
        return None
    return _identifier(row, answer)


def echo_of_answer(answer: bytes) -> int:
    """Give how many bytes after the first one a positive answer repeats from its request; 0 where that is not known."""
    row = _row_of_answer(answer)
    return 0 if row is None else row.echo


def is_plausible_request(payload: bytes) -> bool:
    """Say whether a standard has such a service, and allows this length for a request of it."""
    service = service_of(payload)
    row = None if service is None else _row(service, payload)
    if row is None or len(payload) < row.shortest or (row.longest is not None and len(payload) > row.longest):
        return False
    return not row.several or (len(payload) - 1) % row.echo == 0


def is_plausible_answer(payload: bytes) -> bool:
    """Say whether this can be an answer of a known service, by its first bytes and length."""
    if payload[:1] == bytes([NEGATIVE]):
        return len(payload) == 3 and payload[1] in SERVICES and payload[2] in REASONS
    row = _row_of_answer(payload)
    return row is not None and len(payload) >= 1 + row.echo


def _row(service: int, payload: bytes) -> Service | None:
    """Give the form that a request or a positive answer of `service` has."""
    if service == 0x31 and len(payload) < 4:
        return _OLDER_ROUTINE
    if service == 0x3E and payload[1:] in {b"", b"\x01", b"\x02"}:
        return _OLDER_TESTER_PRESENT
    return SERVICES.get(service)


def _row_of_answer(answer: bytes) -> Service | None:
    if not answer or not answer[0] & POSITIVE or answer[0] == NEGATIVE:
        return None
    return _row(answer[0] - POSITIVE, answer)


def _identifier(row: Service | None, payload: bytes) -> int | None:
    if row is None or row.identifier_at is None:
        return None
    identifier = payload[row.identifier_at : row.identifier_at + row.identifier_bytes]
    return int.from_bytes(identifier, "big") if len(identifier) == row.identifier_bytes else None
