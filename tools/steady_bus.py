"""A bus without hardware: frames at a steady rate, each with its number as payload and the time it was due as stamp."""

from __future__ import annotations

import time

import can


class SteadyBus(can.BusABC):
    """Gives frame n at `begin_s + n / rate`, however late it is asked for."""

    def __init__(self, rate: float) -> None:
        super().__init__(channel="steady")
        self._rate = rate
        self._number = 0
        self._begin_s = time.time()

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        due_s = self._begin_s + self._number / self._rate
        wait_s = due_s - time.time()
        if timeout is not None and wait_s > timeout:
            time.sleep(timeout)
            return None, False
        if wait_s > 0:
            time.sleep(wait_s)
        data = self._number.to_bytes(8, "big")
        self._number += 1
        return can.Message(timestamp=due_s, arbitration_id=0x123, is_extended_id=False, data=data), False

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Refuse: nothing is to be sent."""
        raise NotImplementedError
