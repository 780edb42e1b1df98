"""The quantities that a channel can measure: unit, what is possible at all, digits to show, page and place.

A range says what a sound sensor in a traction pack can mean, far wider than what is healthy: it only decides
whether an all-ones raw value is a measurement or 'not available'. A step is the largest change between two
successive samples; a larger one is a value that was never measured. Where a row names no source, its numbers
are common practice without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# What the numbers in a channel's name count: a cell within a module, a module (and a sensor in it), a sensor
# of the whole pack, a pole by name ("side"), or nothing.
Counted = Literal["cell", "module", "sensor", "side", "nothing"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity; `plausible` and `step` are in `unit`, ``None`` where any value or change can be.

    `digits` are the decimals to show; `page` titles the screenful of channels, and `QUANTITIES` gives the
    order of the pages.
    """

    name: str
    unit: str
    plausible: tuple[float, float] | None
    step: float | None
    digits: int
    page: str
    counted: Counted
    source: str = "common practice, no source"


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("cell voltage", "V", (0, 5), 1.0, 3, "Cell voltages", "cell"),
    Quantity("module voltage", "V", (0, 200), 20, 2, "Module voltages", "module"),
    Quantity("pack voltage", "V", (0, 1200), None, 1, "Pack voltage and current", "nothing"),
    Quantity("link voltage", "V", (0, 1200), None, 1, "Pack voltage and current", "nothing"),
    Quantity("pack current", "A", (-3000, 3000), None, 1, "Pack voltage and current", "nothing"),
    Quantity("state of charge", "%", (0, 100), 20, 1, "Charge and health", "nothing", "full is 100 %"),
    Quantity("state of health", "%", (0, 110), 20, 1, "Charge and health", "nothing"),
    Quantity("cell temperature", "degC", (-50, 150), 20, 1, "Temperatures", "cell"),
    Quantity("module temperature", "degC", (-50, 150), 20, 1, "Temperatures", "module"),
    Quantity("coolant temperature", "degC", (-50, 150), 20, 1, "Temperatures", "sensor"),
    Quantity("swelling pressure", "kPa", (0, 1000), None, 1, "Swelling pressure", "module"),
    # Ends below 65535, so that all ones of a 16-bit field at 1 kohm a step mean 'not available'.
    Quantity("insulation resistance", "kohm", (0, 65_000), None, 0, "Insulation", "side"),
    Quantity("contactor", "", None, None, 0, "Contactors and interlock", "side"),
    Quantity("interlock", "", None, None, 0, "Contactors and interlock", "sensor"),
    Quantity("supply voltage", "V", (0, 60), None, 2, "Supplies", "sensor"),
    Quantity("keep-alive voltage", "V", (0, 60), None, 2, "Supplies", "sensor"),
    Quantity("balancing", "", None, None, 0, "Balancing", "cell"),
    Quantity("power limit", "kW", (-2000, 2000), None, 1, "Limits from the controller", "nothing"),
    Quantity("current limit", "A", (-3000, 3000), None, 1, "Limits from the controller", "nothing"),
    Quantity("alive counter", "", None, None, 0, "Counters and checks", "nothing"),
    Quantity("check", "", None, None, 0, "Counters and checks", "nothing"),
)

_BY_NAME = {row.name: row for row in QUANTITIES}


def quantity(name: str) -> Quantity:
    """Give the quantity called `name`. Raises `KeyError`."""
    return _BY_NAME[name]
