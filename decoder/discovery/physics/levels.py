"""Every possible number of every container in brief: its usual value, and which bits move.

A number is looked at in the length that its values just fill, or one bit more, for bits above that rest at 0 change
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads
from decoder.discovery.carving.moves import flip_counts
from decoder.discovery.physics.containers import in_bytes

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.physics.containers import Container, Family

LENGTHS: Final = tuple(range(6, 17))
ORDERS: Final[tuple[ByteOrder, ...]] = ("little", "big")
_SAMPLED: Final = 24  # payloads of a container
_WIDEST: Final = 512  # bytes of a payload that are looked at
_MOST_ROWS: Final = 600  # payloads whose flips are counted
_FULL: Final = 0xFF
_ONCE: Final = 3  # flips that 'not available' and its end may bring; more are movement


@dataclass(frozen=True, eq=False, slots=True)
class Levels:
    """Usual values of fields of one length and byte order.

    log2 : float64, containers x positions: log2 of the median; NaN where there is no such field or it is not filled
    """

    byte_order: ByteOrder
    length: int
    log2: NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Bits:
    """Containers x positions, as one byte order counts them.

    closed : what is no number stands there, or nothing does; moving : flips more often than waking up makes it
    ones : share of sampled payloads in which it is set
    """

    closed: NDArray[np.bool_]
    moving: NDArray[np.bool_]
    ones: NDArray[np.float64]


class Scan:
    """The sampled payloads of a family."""

    def __init__(self, family: Family) -> None:
        """Take the sample."""
        self.family = family
        widths = np.array([min(one.width, _WIDEST) for one in family.containers])
        self.bits = int(widths.max()) * 8
        self._groups = [
            (np.flatnonzero(widths == width), int(width), self._payloads(np.flatnonzero(widths == width), int(width)))
            for width in np.unique(widths).tolist()
        ]
        self.numbers = np.array([numbers_of(one) for one in family.containers], np.int64)
        self.of_order = {order: self._bits(order) for order in ORDERS}

    def _payloads(self, which: NDArray[np.intp], width: int) -> Payloads:
        sample = [_sampled(self.family.containers[one], width) for one in which.tolist()]
        return Payloads(np.concatenate(sample))

    def _bits(self, byte_order: ByteOrder) -> Bits:
        def stacked(of: Callable[[Container], NDArray[np.generic]], fill: float) -> NDArray[np.generic]:
            rows = [_in_order(of(one)[: self.bits], byte_order) for one in self.family.containers]
            return np.stack([np.pad(row, (0, self.bits - len(row)), constant_values=fill) for row in rows])

        return Bits(
            closed=stacked(lambda one: one.closed, True).astype(np.bool_),  # noqa: FBT003
            moving=stacked(_moving, False).astype(np.bool_),  # noqa: FBT003
            ones=stacked(_ones, 0.0).astype(np.float64),
        )

    def levels(self, byte_order: ByteOrder, length: int) -> Levels:
        """Give the usual values of all fields of one kind."""
        log2 = np.full((len(self.family.containers), self.bits), np.nan)
        for which, width, payloads in self._groups:
            for position in range(width * 8 - length + 1):
                field = in_bytes(byte_order, position, length)
                values = payloads.field(field).reshape(len(which), _SAMPLED)
                usual = np.partition(values, _SAMPLED // 2, axis=1)[:, _SAMPLED // 2]
                filled = (usual >= 1 << length - 2) & (usual < (1 << length) - 1)
                log2[which[filled], position] = np.log2(usual[filled])
        cover = np.cumsum(np.pad(self.of_order[byte_order].closed, ((0, 0), (1, 0))), axis=1)
        taken = cover[:, length:] > cover[:, :-length]
        log2[:, : taken.shape[1]][taken] = np.nan
        return Levels(byte_order, length, log2)


def numbers_of(container: Container) -> tuple[int, ...]:
    """Give the numbers that tell where a container stands among the others."""
    carrier = container.key.carrier
    prefix = 0 if carrier is None else int.from_bytes(carrier.prefix[-4:], "big") or (carrier.pgn or 0)
    return (container.key.can_id, prefix, *container.values)


def _sampled(container: Container, width: int) -> NDArray[np.uint8]:
    rows = container.rows
    chosen = rows[np.linspace(0, len(rows) - 1, _SAMPLED).round().astype(np.intp)]
    return container.stream.data[chosen][:, :width]


def _moving(container: Container) -> NDArray[np.bool_]:
    """Tell which bits flip often enough, by DBC bit number."""
    rows = container.rows[: _MOST_ROWS + 1]
    data = container.stream.data[rows]
    flips = data[1:] ^ data[:-1]
    if len(rows) > 8 * _ONCE:
        return flip_counts(flips) > _ONCE
    # Of few payloads no flip can be spared, but those at which 'not available' comes or goes.
    full = (data == _FULL).astype(np.bool_)
    awake = ~(full[1:] ^ full[:-1]).any(axis=1)
    return flip_counts(flips[awake]) > 0


def _ones(container: Container) -> NDArray[np.float64]:
    bits = np.unpackbits(_sampled(container, container.width), axis=1, bitorder="little")
    return np.asarray(bits.mean(axis=0))


def _in_order(bits: NDArray[np.generic], byte_order: ByteOrder) -> NDArray[np.generic]:
    """Put a column by DBC bit number into the order of positions."""
    return bits if byte_order == "little" else bits.reshape(-1, 8)[:, ::-1].reshape(-1)
