"""What the standards say of services, as tables that whole columns are looked up in; made when first asked for."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.transport.services import NEGATIVE, REASONS, SERVICES, is_plausible_answer, is_plausible_request

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

# Lengths beyond this one are judged like it.
LONGEST_JUDGED: Final = 64
# A question and its answer are compared by so many bytes behind the service.
MOST_ECHOED: Final = 3


@cache
def requests() -> NDArray[np.bool_]:
    """Tell by first byte and length what could be a question (256 x 65)."""
    return _table(is_plausible_request)


@cache
def answers() -> NDArray[np.bool_]:
    """Tell by first byte and length what could be a positive answer (256 x 65)."""
    table = _table(is_plausible_answer)
    table[NEGATIVE] = False
    return table


@cache
def either() -> NDArray[np.bool_]:
    """Tell by first byte and length what could be a question or an answer, negative ones included (256 x 65)."""
    table = requests() | answers()
    table[NEGATIVE, 3] = True
    return table


def _table(plausible: Callable[[bytes], bool]) -> NDArray[np.bool_]:
    return np.array(
        [
            [n > 0 and plausible(bytes([first]) + bytes(n - 1)) for n in range(LONGEST_JUDGED + 1)]
            for first in range(256)
        ]
    )


@cache
def echoes() -> NDArray[np.uint8]:
    """Give by service how many bytes an answer repeats (256)."""
    echo = np.zeros(256, np.uint8)
    for number, service in SERVICES.items():
        echo[number] = min(service.echo, MOST_ECHOED)
    return echo


@cache
def sub_functions() -> NDArray[np.bool_]:
    """Tell which services have a sub-function, whose bit 7 waives the positive answer (256)."""
    return _marked(number for number, service in SERVICES.items() if service.sub_function)


@cache
def services() -> NDArray[np.bool_]:
    """Tell which numbers are services (256)."""
    return _marked(SERVICES)


@cache
def reasons() -> NDArray[np.bool_]:
    """Tell which numbers are reasons of a negative answer (256)."""
    return _marked(REASONS)


def _marked(numbers: Iterable[int]) -> NDArray[np.bool_]:
    table = np.zeros(256, np.bool_)
    table[list(numbers)] = True
    return table
