"""What an answerer says it is: part, serial and software numbers, to quote when ordering a part.

Sources. ISO 14229-1, annex C: data identifiers F100 to F1FF. ISO 14230-3: identification options of service 1A. ISO
15031-5: info types of service 09. From memory: the items of 09 04 have 16 bytes each, filled up with 00; in 09 0A an
acronym and a name, each filled up with 00, follow each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.transport.identifiers import identifier_name
from decoder.transport.meaning import pieces, text_of, with_vin_hidden
from decoder.transport.services import SERVICES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.transport.exchange import End, Exchange

_BY_DATA_IDENTIFIER: Final = 0x22
_CALIBRATIONS: Final = 0x04
_ECU_NAME: Final = 0x0A
_INFO_TYPES: Final = frozenset({0x02, _CALIBRATIONS, _ECU_NAME})
_CALIBRATION_BYTES: Final = 16


@dataclass(frozen=True, slots=True)
class IdentityRow:
    """One thing that an answerer says of itself.

    service, identifier : as asked for: 22 and F100 to F1FF, 09 and 02, 04 or 0A, 1A and an option
    name : the standard's word for the identifier; empty where it has none
    text : printable ASCII; a vehicle identification number is hidden unless it was asked for
    time_ns : the latest exchange that said so
    """

    bus: str
    answerer: End
    service: int
    identifier: int
    name: str
    text: str
    time_ns: int

    @property
    def asked_as(self) -> str:
        """The identifier in hex, as ``F187``; behind its service where that is not 22, as ``09 0A``."""
        written = identifier_text(self.service, self.identifier)
        return written if self.service == _BY_DATA_IDENTIFIER else f"{self.service:02X} {written}"


def identifier_text(service: int | None, identifier: int) -> str:
    """Write an identifier in as many hex digits as its service gives it."""
    row = SERVICES.get(service) if service is not None else None
    return f"{identifier:0{2 * row.identifier_bytes if row is not None else 4}X}"


def identity(exchanges: Sequence[Exchange], *, show_vin: bool = False) -> tuple[IdentityRow, ...]:
    """List what the answerers of a conversation say they are, ordered by answerer and identifier.

    Only answers that arrived whole and are text count. An answer that was given several times is one row, with the
    time of the latest; answers that differ are a row each, the earlier first.

    show_vin : show vehicle identification numbers in full, not only their first three characters
    """
    latest: dict[tuple[str, End, int, int, str, bool], int] = {}
    for exchange in exchanges:
        answerer, service = exchange.answerer, exchange.service
        if exchange.outcome != "answered" or answerer is None or service is None or not exchange.answer:
            continue
        for identifier, text, vin in _texts(exchange.request, exchange.answer):
            latest[exchange.bus, answerer, service, identifier, text, vin] = exchange.time_ns
    rows = [
        IdentityRow(
            bus=bus,
            answerer=answerer,
            service=service,
            identifier=identifier,
            name=identifier_name(service, identifier),
            text=text if show_vin else with_vin_hidden(text, vin=vin),
            time_ns=time_ns,
        )
        for (bus, answerer, service, identifier, text, vin), time_ns in latest.items()
    ]
    return tuple(sorted(rows, key=_place_in_order))


def _place_in_order(row: IdentityRow) -> tuple[str, bool, int, int, int, int, int]:
    end = row.answerer
    address = -1 if end.address is None else end.address
    return row.bus, end.extended, end.can_id, address, row.identifier, row.service, row.time_ns


def _texts(request: bytes | None, answer: bytes) -> Iterator[tuple[int, str, bool]]:
    """Give each identifier that says what something is, its text, and whether that is a VIN."""
    if answer[0] not in {0x62, 0x49, 0x5A}:
        return
    for piece in pieces(request, answer):
        if piece.identifier is None or not _identifies(answer[0], piece.identifier):
            continue
        text = _text(answer[0], piece.identifier, piece.data)
        if text is not None:
            yield piece.identifier, text.strip(), piece.vin


def _identifies(first_byte: int, identifier: int) -> bool:
    if first_byte == 0x62:
        return 0xF100 <= identifier <= 0xF1FF
    return identifier in _INFO_TYPES if first_byte == 0x49 else True


def _text(first_byte: int, identifier: int, data: bytes) -> str | None:
    if first_byte == 0x49 and identifier == _CALIBRATIONS and len(data) % _CALIBRATION_BYTES == 0:
        items = [text_of(data[at : at + _CALIBRATION_BYTES]) for at in range(0, len(data), _CALIBRATION_BYTES)]
        texts = [item.strip() for item in items if item is not None]
        return ", ".join(texts) if texts and len(texts) == len(items) else None
    if first_byte == 0x49 and identifier == _ECU_NAME:
        data = data.replace(b"\x00", b"")
    elif first_byte == 0x49:
        # From memory: a VIN may be filled up at its beginning, too.
        data = data.lstrip(b"\x00")
    return text_of(data)
