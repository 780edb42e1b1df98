"""What an answer says, in a short line; and the hex of requests and answers, fit to be shown.

A vehicle identification number names a vehicle and so its keeper, so it is hidden unless asked for. It is known by its
identifier (F190 and F802 of ISO 14229-1, info type 02 of ISO 15031-5, option 90 of ISO 14230-3), and elsewhere by its
form (ISO 3779: 17 capitals and digits without I, O and Q, of which the last four are digits). Not found: a number that
a maker sends in another form under an identifier of its own, one with a letter or digit right before or behind it, and
one that is cut into several payloads.

Session timing: ISO 14229-1, DiagnosticSessionControl: P2 in steps of 1 ms, P2* in steps of 10 ms.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from decoder.printable import printable
from decoder.transport.identifiers import VIN_IDENTIFIERS, VIN_INFO_TYPE, VIN_OPTION, split_identifiers
from decoder.transport.services import (
    NEGATIVE,
    PENDING,
    POSITIVE,
    SERVICES,
    echo_of_answer,
    expected_echo,
    identifier_of_answer,
    positive_for,
    reason_word,
)
from decoder.transport.trouble_codes import trouble_code_words

VIN_LENGTH: Final = 17  # ISO 3779
VIN_GROUP: Final = 0xFEEC  # SAE J1939-71, from memory
_VIN_FORM: Final = r"(?<![0-9A-Z])(?=[0-9]*[A-Z])[0-9A-HJ-NPR-Z]{13}[0-9]{4}(?![0-9A-Z])"
_VIN_TEXT: Final = re.compile(_VIN_FORM)
_VIN_BYTES: Final = re.compile(_VIN_FORM.encode())

_PADDING: Final = b"\x00\xff "
_SHORTEST_TEXT: Final = 3  # characters; less is more often a number than a text (common practice, no source)
_SHOWN_TEXT: Final = 60  # characters
# Answers that may hold text: 09, 1A, 21, 22, 23, 31 and 33. A seed or a measured value is no text, even if it looks so.
_MAY_HOLD_TEXT: Final = frozenset({0x49, 0x5A, 0x61, 0x62, 0x63, 0x71, 0x73})


@dataclass(frozen=True, slots=True)
class Piece:
    """Data of one identifier in an answer: from byte `start` on; `vin` if they are or may be a VIN.

    identifier : ``None`` where it is not clear which one it is, and where the service has none
    """

    identifier: int | None
    start: int
    data: bytes
    vin: bool = False


def meaning(request: bytes | None, answer: bytes | None, *, show_vin: bool = False) -> str:
    """Say in a short line what an answer says; empty if there is none.

    request, answer : from the service byte on; ``None`` where not heard
    show_vin : show vehicle identification numbers in full, not only their first three characters
    """
    if not answer:
        return ""
    if answer[0] == NEGATIVE:
        return _refusal(answer)
    if request and not positive_for(request, answer):
        return "does not fit the request"
    codes = trouble_code_words(answer)
    if codes is not None:
        return codes
    if answer[0] == 0x50 and len(answer) >= 6:
        return f"P2 {int.from_bytes(answer[2:4], 'big')} ms, P2* {int.from_bytes(answer[4:6], 'big') * 10} ms"
    if answer[0] == 0x62:
        return _data_line(request, answer, show_vin=show_vin)
    piece = pieces(request, answer)[0]
    return _piece_line(piece, show_vin=show_vin, may_be_text=answer[0] in _MAY_HOLD_TEXT)


def text_of(data: bytes) -> str | None:
    """Give data as text without the padding (00, FF, blanks) at its end.

    ``None`` if that is shorter than three characters, or is not printable ASCII throughout.
    """
    text = data.rstrip(_PADDING)
    if len(text) < _SHORTEST_TEXT or not all(0x20 <= byte <= 0x7E for byte in text):
        return None
    return text.decode("ascii")


def masked(vin: str) -> str:
    """Hide a vehicle identification number but for its first three characters, which name the maker (ISO 3780).

    A text of any other length is hidden altogether: it is not known where in the number it begins.
    """
    shown = vin[:3] if len(vin) == VIN_LENGTH else ""
    return shown + "*" * (len(vin) - len(shown))


def with_vin_hidden(text: str, *, vin: bool) -> str:
    """Hide each vehicle identification number in a text; `vin`: the whole text is one, whatever its form."""
    return masked(text) if vin else _VIN_TEXT.sub(lambda found: masked(found[0]), text)


def answer_hex(request: bytes | None, answer: bytes, *, show_vin: bool = False) -> str:
    """Write an answer in hex, a blank between bytes, with ``**`` for each byte of a vehicle identification number.

    Where it is not clear which bytes these are (several identifiers that can be cut in more than one way, a request
    that was not heard or that asked for such a number and got something else), more than these are hidden.
    """
    if show_vin or not answer:
        return answer.hex(" ").upper()
    hidden = _by_form(answer, 0)
    for piece in pieces(request, answer):
        if piece.vin:
            hidden.update(range(piece.start, piece.start + len(piece.data)))
        hidden |= _by_form(piece.data, piece.start)
    return _hex(answer, hidden)


def group_hex(pgn: int, payload: bytes, *, show_vin: bool = False) -> str:
    """Write a parameter group of SAE J1939 in the same way: group 0FEEC holds the vehicle identification (memory)."""
    if show_vin:
        return payload.hex(" ").upper()
    return _hex(payload, set(range(len(payload))) if pgn == VIN_GROUP else _by_form(payload, 0))


def request_hex(request: bytes, *, show_vin: bool = False) -> str:
    """Write a request in hex, with ``**`` for the bytes of a vehicle identification number that it writes."""
    if show_vin:
        return request.hex(" ").upper()
    start = max(len(expected_echo(request)), 1)
    writes_vin = (_names_data(request) and int.from_bytes(request[1:3], "big") in VIN_IDENTIFIERS) or (
        request[:2] == bytes([0x3B, VIN_OPTION])
    )
    return _hex(request, set(range(start, len(request))) if writes_vin else _by_form(request[start:], start))


def _refusal(answer: bytes) -> str:
    if len(answer) < 3:
        return "refused, without a reason"
    return reason_word(PENDING) if answer[2] == PENDING else f"refused: {reason_word(answer[2])}"


def _data_line(request: bytes | None, answer: bytes, *, show_vin: bool) -> str:
    """Say what an answer to ReadDataByIdentifier says."""
    asked = (len(request) - 1) // 2 if request else 1
    cut = pieces(request, answer)
    if asked <= 1:
        # Where a VIN only may begin further on, these bytes are no text, so nothing of it shows.
        whole = Piece(cut[0].identifier, 3, answer[3:], cut[0].vin)
        return _piece_line(whole, show_vin=show_vin)
    if len(cut) != asked or any(piece.identifier is None for piece in cut):
        return f"{asked} identifiers asked for; where each one begins is not clear"
    return "; ".join(f"{piece.identifier:04X} {_piece_line(piece, show_vin=show_vin)}" for piece in cut)


def _piece_line(piece: Piece, *, show_vin: bool, may_be_text: bool = True) -> str:
    if not piece.data:
        return "accepted"
    text = text_of(piece.data) if may_be_text else None
    if text is None:
        return f"{len(piece.data)} byte{'s' * (len(piece.data) != 1)}"
    return f"text '{printable(text if show_vin else with_vin_hidden(text, vin=piece.vin), _SHOWN_TEXT)}'"


def pieces(request: bytes | None, answer: bytes) -> list[Piece]:
    """Cut an answer that is not empty into the data of its identifiers; at least one piece.

    request : ``None`` where it was not heard. Where several identifiers can be cut in more than one way, what does not
        hide a VIN stays in one piece
    """
    if answer[0] == NEGATIVE:
        return [Piece(None, 1, answer[1:])]
    if request and not positive_for(request, answer):
        if _asks_vin(request):
            # Perhaps the middle of an answer whose first frame is not there.
            return [Piece(None, 0, answer, vin=True)]
        request = None
    if answer[0] == 0x62:
        return _data_pieces(request or b"", answer)
    identifier = identifier_of_answer(answer)
    if answer[0] == 0x49:
        # A count of items follows the info type; off CAN it may be missing, and the text begins at once.
        start = 3 if answer[2:3] < b" " else 2
        return [Piece(identifier, start, answer[start:], identifier == VIN_INFO_TYPE)]
    start = 1 + echo_of_answer(answer)
    asked = bytes([answer[0] - POSITIVE]) if answer[0] & POSITIVE else b""
    vin = identifier in VIN_IDENTIFIERS if _names_data(asked) else answer[0] == 0x5A and identifier == VIN_OPTION
    return [Piece(identifier, start, answer[start:], vin)]


def _data_pieces(request: bytes, answer: bytes) -> list[Piece]:
    split = split_identifiers(request, answer)
    if split is None:
        return _unclear_pieces(answer)
    cut: list[Piece] = []
    start = 1
    for identifier, data in split:
        # A number that seems too short was cut at the wrong place: an identifier was left out of the answer.
        if cut and cut[-1].vin and len(cut[-1].data) < VIN_LENGTH:
            return _unclear_pieces(answer)
        cut.append(Piece(identifier, start + 2, data, identifier in VIN_IDENTIFIERS))
        start += 2 + len(data)
    # Nor is the cut to be trusted where a number may begin before the place that it gives.
    first = next((piece.start - 2 for piece in cut if piece.vin), None)
    return cut if first is None or first == _first_vin(answer) else _unclear_pieces(answer)


def _unclear_pieces(answer: bytes) -> list[Piece]:
    """Cut an answer where a VIN may begin first, if at all."""
    first = identifier_of_answer(answer)
    at = _first_vin(answer)
    if at is None:
        return [Piece(first, 3, answer[3:])]
    if at == 1:
        return [Piece(first, 3, answer[3:], vin=True)]
    return [Piece(first, 3, answer[3:at]), Piece(None, at + 2, answer[at + 2 :], vin=True)]


def _first_vin(answer: bytes) -> int | None:
    """Give the first place where the identifier of a VIN stands, be it by chance."""
    found = [answer.find(identifier.to_bytes(2, "big"), 1) for identifier in VIN_IDENTIFIERS]
    return min((at for at in found if at > 0), default=None)


def _asks_vin(request: bytes) -> bool:
    if request[0] == 0x22:
        return any(int.from_bytes(request[at : at + 2], "big") in VIN_IDENTIFIERS for at in range(1, len(request), 2))
    return (request[0] == 0x1A and request[1:2] == bytes([VIN_OPTION])) or (
        request[0] == 0x09 and VIN_INFO_TYPE in request[1:]
    )


def _names_data(request: bytes) -> bool:
    """Tell whether a service takes a data identifier of two bytes and what goes with it, not a list of identifiers."""
    row = SERVICES.get(request[0]) if request else None
    return row is not None and row.identifier_at == 1 and row.identifier_bytes == 2 and not row.several


def _by_form(data: bytes, start: int) -> set[int]:
    return {start + at for found in _VIN_BYTES.finditer(data) for at in range(*found.span())}


def _hex(payload: bytes, hidden: set[int]) -> str:
    return " ".join("**" if at in hidden else f"{byte:02X}" for at, byte in enumerate(payload))
