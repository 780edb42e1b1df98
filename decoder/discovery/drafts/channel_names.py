"""Names of channels from quantity and place, and the patterns by which a pack sheet knows them again.

`Cell_1_03_V`, `Temp_2_1_degC`, `Pack_V`. A cell whose module is unknown counts through the pack: `Cell_017_V`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.maps.patterns import literal

if TYPE_CHECKING:
    from decoder.maps.pack_sheet import Place


@dataclass(frozen=True, slots=True)
class ChannelName:
    """A name, and a pattern of the pack sheet that fits it and its siblings; equal to the name where it has none."""

    name: str
    pattern: str


# By quantity, what stands before the numbers and behind them.
_WORDS: Final[dict[str, tuple[str, str]]] = {
    "cell voltage": ("Cell", "_V"),
    "module voltage": ("Module", "_V"),
    "pack voltage": ("Pack", "_V"),
    "link voltage": ("Link", "_V"),
    "pack current": ("Pack", "_A"),
    "state of charge": ("StateOfCharge", ""),
    "state of health": ("StateOfHealth", ""),
    "cell temperature": ("CellTemp", "_degC"),
    "module temperature": ("Temp", "_degC"),
    "coolant temperature": ("Coolant", "_degC"),
    "swelling pressure": ("Swelling", "_kPa"),
    "insulation resistance": ("Insulation", "_kohm"),
    "contactor": ("Contactor", ""),
    "interlock": ("Interlock", ""),
    "supply voltage": ("Supply", "_V"),
    "keep-alive voltage": ("KeepAlive", "_V"),
    "balancing": ("Balancing", ""),
    "power limit": ("Limit", "_kW"),
    "current limit": ("Limit", "_A"),
}
_MOST_LETTERS: Final = 26
# Quantities of a single message, named after it.
_OF_MESSAGE: Final[dict[str, str]] = {"alive counter": "Alive", "check": "Check"}


def further_head(quantity: str, number: int) -> str:
    """Give what the names of a further array of one quantity begin with: `TempB` for the second one."""
    head = _WORDS[quantity][0] if quantity in _WORDS else "Field"
    return f"{head}{chr(ord('A') + number - 1)}" if number <= _MOST_LETTERS else f"{head}{number}"


def name_of(quantity: str | None, place: Place, message: str, start: int, ahead: str = "") -> ChannelName:
    """Give the name of a channel.

    message, start : of the field, which name it where its quantity does not
    ahead : a word for the way in which it is carried, in place of the quantity's, where a place is measured twice
    """
    if quantity in _OF_MESSAGE:
        ending = _OF_MESSAGE[quantity]
        return ChannelName(f"{message}_{ending}", f"*_{ending}")
    if quantity not in _WORDS:
        name = f"{message}_Bit{start:02}"
        return ChannelName(name, literal(name))
    head, unit = _WORDS[quantity]
    numbers, pattern = _numbers(place)
    head = ahead or head
    return ChannelName(f"{head}{numbers}{unit}", f"{head}{pattern}{unit}")


def _numbers(place: Place) -> tuple[str, str]:
    numbers, pattern = "", ""
    if place.module is not None:
        numbers, pattern = f"_{place.module}", "_{module}"
    if place.cell is not None:
        width = 2 if place.module is not None else 3
        numbers, pattern = f"{numbers}_{place.cell:0{width}}", pattern + "_{cell}"
    if isinstance(place.sensor, int):
        numbers, pattern = f"{numbers}_{place.sensor}", pattern + "_{sensor}"
    elif place.sensor is not None:
        word = place.sensor[:1].upper() + place.sensor[1:]
        numbers, pattern = f"{numbers}_{word}", f"{pattern}_{literal(word)}"
    return numbers, pattern
