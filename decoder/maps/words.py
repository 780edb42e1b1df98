"""The words in signal names: how a name falls apart, and what each word stands for.

Names are split at every character that is no letter or digit, between letters and digits, and at camel case;
a run of words of the list below is split as well (``maxcellvoltage``). All of it is common practice, no
source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

# What a word stands for -> how names spell it.
_SPELLINGS: dict[str, str] = {
    "cell": "cell cells zelle zellen zell",
    "module": "mod mods module modules modul moduls mdl block blk string",
    "sensor": "sensor sensors sens ntc temp temps temperature temperatures temperatur t tmp probe thermistor tc",
    "pack": "pack hv total tot traction stack main",
    "battery": "batt battery batterie bat akku",
    "link": "link dclink inverter zwischenkreis",
    "dc": "dc",
    "supply": "aux auxiliary supply supplies terminal kl lv",
    "keep": "keep keepalive backup standby",
    "alive": "alive",
    "current": "current curr strom i amps shunt ampere",
    "voltage": "voltage voltages volt volts v u spannung vdc",
    "charge level": "soc",
    "charge": "charge charging chg",
    "discharge": "discharge discharging dischg dchg",
    "health": "soh health",
    "coolant": "coolant cooling inlet outlet water glycol chiller",
    "insulation": "iso insul insulation isolation riso insulating",
    "contactor": "contactor contactors relay relays relais schuetz schütz",
    "positive": "plus pos positive",
    "negative": "minus neg negative",
    "precharge": "pre precharge prechg vorladung",
    "closed": "closed",
    "interlock": "interlock interlocks hvil",
    "balancing": "balance balancing balancer balanced balancers balances bleed",
    "pressure": "pressure pressures press swell swelling druck",
    "counter": "counter cntr cnt ctr zaehler zähler",
    "message counter": "rolling msgcnt heartbeat",
    "check": "check crc checksum chk chksum cksum",
    "extreme": "min max minimum maximum highest lowest high low lo hi avg average mean median spread delta "
    "diff difference range std dev deviation imbalance mittel mittelwert sum peak",
    "limit": "limit limits lim max min maximum minimum allowed permitted available avail",
    "target": "target setpoint set ref reference req request requested cmd command commanded demand "
    "desired nominal threshold thresh thr cutoff alarm warn warning fault error err fail failure calib "
    "calibration stuck weld welded",
    "other part": "charger obc dcdc motor engine ambient board pcb cpu mcu asic chip heatsink heater fan "
    "pump ptc igbt environment outside oil brake tyre tire cabin baro compressor",
    "other count": "cycle cycles event events hour hours km days number",
    "pointer": "index idx mux multiplexor selector",
    "plain": "value val meas measured measurement actual act raw filtered the of is",
}

# Too short to be found inside a longer run.
_NEVER_INSIDE = {"t", "tc", "i", "v", "u", "dc", "kl", "lv", "lo", "hi", "is", "of"}
_MAY_LEAD = {"u", "v", "i", "t"}


def _meanings() -> dict[str, frozenset[str]]:
    table: dict[str, set[str]] = {}
    for meaning, spellings in _SPELLINGS.items():
        for spelling in spellings.split():
            table.setdefault(spelling, set()).add(meaning)
    return {spelling: frozenset(meanings) for spelling, meanings in table.items()}


_MEANINGS = _meanings()
_INSIDE = sorted((word for word in _MEANINGS if word not in _NEVER_INSIDE), key=len, reverse=True)

_RUNS = re.compile(r"[0-9]+|[^\W0-9_]+")
_CAMEL = re.compile(r"[A-Z]+(?=[A-Z][^A-Z])|[A-Z]?[^A-Z]+|[A-Z]+")
# 'SoC' and 'SoH' would fall apart in camel case.
_SO = re.compile(r"(?<![A-Za-z])[Ss]o([CH])(?![a-z])")


@dataclass(frozen=True, slots=True)
class Word:
    """One word or number of a name, as written and in lower case."""

    written: str
    text: str

    @property
    def number(self) -> int | None:
        """The number that the digits mean, ``None`` for a word or for more digits than a place can have."""
        is_number = self.text.isascii() and self.text.isdigit() and len(self.text) <= 9
        return int(self.text) if is_number else None

    @property
    def meanings(self) -> frozenset[str]:
        """What the word stands for, empty for an unknown one."""
        return _MEANINGS.get(self.text, frozenset())


@lru_cache(maxsize=65536)
def words_of(name: str) -> tuple[Word, ...]:
    """Split a signal's bare name into its words and numbers."""
    written: list[str] = []
    for run in _RUNS.findall(_SO.sub(lambda found: f"_SO{found.group(1)}_", name)):
        if run[0].isascii() and run[0].isdigit():
            written.append(run)
            continue
        for part in _CAMEL.findall(run):
            written += _known_parts(part)
    words = [Word(text, text.lower()) for text in written]
    return tuple(_joined(words))


def _known_parts(part: str) -> list[str]:
    """Split a run such as ``cellmin`` where listed words make up all of it."""
    text = part.lower()
    if text in _MEANINGS or len(text) < 4 or len(text) > 40:
        return [part]
    if text[0] in _MAY_LEAD and text[1:] in _MEANINGS:
        return [part[0], part[1:]]
    lengths = _lengths(text)
    if lengths is None:
        return [part]
    ends = [sum(lengths[:count]) for count in range(len(lengths) + 1)]
    return [part[start:end] for start, end in pairwise(ends)]


def _lengths(text: str) -> list[int] | None:
    """Give the lengths of the fewest listed words that make up `text`, ``None`` if they do not."""
    best: list[list[int] | None] = [[]] + [None] * len(text)
    for end in range(1, len(text) + 1):
        for word in _INSIDE:
            before = best[end - len(word)] if len(word) <= end else None
            if before is None or not text.startswith(word, end - len(word)):
                continue
            known = best[end]
            if known is None or len(before) + 1 < len(known):
                best[end] = [*before, len(word)]
    return best[len(text)]


# Two words that mean something else together. Not beside a cell: its high voltage is an extreme.
_PAIRS = {
    ("high", "voltage"): "hv",
    ("low", "voltage"): "lv",
    ("dc", "dc"): "dcdc",
    ("keep", "alive"): "keepalive",
    ("pre", "charge"): "precharge",
    ("pre", "chg"): "precharge",
    ("dis", "charge"): "discharge",
}


def _joined(words: list[Word]) -> list[Word]:
    has_cell = any("cell" in word.meanings for word in words)
    joined: list[Word] = []
    for word in words:
        pair = _PAIRS.get((joined[-1].text, word.text)) if joined else None
        if pair is None or (has_cell and pair in {"hv", "lv"}):
            joined.append(word)
        else:
            joined[-1] = Word(f"{joined[-1].written} {word.written}", pair)
    return joined
