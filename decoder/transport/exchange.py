"""One question and what came back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# answered: a positive answer; refused: a negative one; pending: told to wait, and the final answer never came;
# unanswered: nothing within 5 s or before the capture's end; broken: question or answer did not arrive whole;
# silent: the asker waived the positive answer, and none came.
Outcome = Literal["answered", "refused", "pending", "unanswered", "broken", "silent"]


@dataclass(frozen=True, slots=True)
class End:
    """One side of a conversation: its identifier, and the address byte that its frames carry, if they do."""

    can_id: int
    extended: bool
    address: int | None = None

    def __str__(self) -> str:
        """Hex as in a candump log: three digits, or eight for 29 bits, and the address byte behind a slash."""
        identifier = f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"
        return identifier if self.address is None else f"{identifier}/{self.address:02X}"


@dataclass(frozen=True, slots=True)
class Exchange:
    """A question and its answer.

    time_ns : first frame of the request; of the answer, where the request was not heard
    asker, answerer : ``None`` for a side that was not heard
    service, identifier : numbers as in the request; ``None`` where the service has no identifier, or nothing was heard
    name : the standard's word for the service
    request, answer : from the service byte on; ``None`` where not heard; of a broken one, what arrived
    reason : why it was refused (the standard's word) or what broke it; else empty
    latency_ms : from the last frame of the request to the first frame of the final answer
    functional : the question went to all at once
    pending : how often the answerer asked for more time
    request_transfer, answer_transfer : rows of the `Transfers` they came from
    """

    time_ns: int
    bus: str
    asker: End | None
    answerer: End | None
    service: int | None
    identifier: int | None
    name: str
    request: bytes | None
    answer: bytes | None
    outcome: Outcome
    reason: str = ""
    latency_ms: float | None = None
    functional: bool = False
    pending: int = 0
    request_transfer: int | None = None
    answer_transfer: int | None = None
