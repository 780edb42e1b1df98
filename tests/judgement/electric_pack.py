"""A made-up pack with contactors, a link that obeys physics, and channels that tell of them late and now and then."""

from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.maps.pack_sheet import PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture

CONTACTOR_LABELS = {0: "open", 1: "closed", 3: "not available"}
SIDES = ("positive", "negative", "precharge")


def list_of(says, times):
    return [says(t) for t in times.tolist()]


def is_on(times, t):
    return any(begin <= t < end for begin, end in times)


@dataclass
class ElectricPack:
    """All times in seconds; `positive`, `negative`, `precharge`: from when to when each contactor is really closed.

    `said`: side -> the same, as its channel tells it, `late_s` after. `supply` and its like: functions of time that
    give a value, or None where the frame is missing; without one there are no frames.
    """

    seconds: float = 20.0
    positive: tuple = ()
    negative: tuple = ()
    precharge: tuple = ()
    said: dict = field(default_factory=dict)
    late_s: float = 0.02
    pack_v: float = 400.0
    precharge_tau_s: float = 0.1
    discharge_tau_s: float = 2.0
    link_at_start_v: float = 0.0
    precharge_share: float = 1.0
    contactor_cycle_s: float = 0.05
    link_cycle_s: float = 0.02
    pack_cycle_s: float = 0.1
    phases: tuple = (0.001, 0.002, 0.003)
    step_v: float = 0.1
    noise_v: float = 0.0
    link_gain: float = 1.0
    link_stays_v: float | None = None
    labels: dict = field(default_factory=lambda: dict(CONTACTOR_LABELS))
    sides: tuple = SIDES
    current_a: float | None = None
    supply: object = None
    keep_alive: object = None
    insulation: object = None
    interlock: object = None
    interlock_labels: dict = field(default_factory=lambda: {0: "open", 1: "closed"})
    other_cycle_s: float = 0.1
    sheet: PackSheet | None = None
    without: tuple = ()
    seed: int = 1

    def ways(self, t):
        poles = is_on(self.negative, t), is_on(self.positive, t)
        if all(poles):
            return "connected"
        return "precharging" if any(poles) and is_on(self.precharge, t) else "alone"

    def link_at(self, times):
        """The link voltage at rising times, exactly, from one switching to the next."""
        if self.link_stays_v is not None:
            return np.full(len(times), self.link_stays_v)
        switches = {t for side in SIDES for pair in getattr(self, side) for t in pair if 0 < t < self.seconds}
        borders = [0.0, *sorted(switches), self.seconds]
        volt, found = self.link_at_start_v, np.empty(len(times))
        for begin, end in pairwise(borders):
            inside = (times >= begin) & (times <= end)
            aim, tau = self.drawn_to((begin + end) / 2)
            found[inside] = aim + (volt - aim) * np.exp(-(times[inside] - begin) / tau)
            volt = aim + (volt - aim) * np.exp(-(end - begin) / tau)
        return found

    def drawn_to(self, t):
        """Which voltage the link is drawn to, and with what time constant."""
        way = self.ways(t)
        if way == "connected":
            return self.pack_v, 1e-6
        if way == "precharging":
            return self.precharge_share * self.pack_v, self.precharge_tau_s
        return 0.0, self.discharge_tau_s

    def every(self, cycle_s, phase_s, can_id, values_at, step):
        """Rows of one message of two bytes; no frame where the value is None."""
        times = np.arange(phase_s, self.seconds, cycle_s)
        return [
            (t, can_id, max(round(value / step), 0).to_bytes(2, "little"))
            for t, value in zip(times.tolist(), values_at(times), strict=True)
            if value is not None
        ]

    def said_by_contactors(self):
        for t in np.arange(self.phases[0], self.seconds, self.contactor_cycle_s).tolist():
            bits = sum(
                is_on(self.said.get(side, getattr(self, side)), t - self.late_s) << 2 * place
                for place, side in enumerate(SIDES)
            )
            yield (t, 0x120, bytes([bits]))

    def rows(self):
        dice = np.random.default_rng(self.seed)

        def link(times):
            return (self.link_at(times) * self.link_gain + dice.normal(0, self.noise_v, len(times))).tolist()

        def pack(times):
            return (self.pack_v + dice.normal(0, self.noise_v, len(times))).tolist()

        rows = []
        if "contactors" not in self.without:
            rows += self.said_by_contactors()
        if "link" not in self.without:
            rows += self.every(self.link_cycle_s, self.phases[1], 0x121, link, self.step_v)
        if "pack" not in self.without:
            rows += self.every(self.pack_cycle_s, self.phases[2], 0x122, pack, self.step_v)
        if self.current_a is not None:
            rows += self.every(0.1, 0.009, 0x140, lambda times: [self.current_a] * len(times), 0.1)
        for number, (what, scale) in enumerate(OTHERS.items()):
            says = getattr(self, what)
            if says is not None:
                at_times = partial(list_of, says)
                rows += self.every(self.other_cycle_s, 0.004 + number / 1000, 0x130 + number, at_times, scale)
        return sorted(rows)

    def signal_map(self):
        contactors = [
            Signal(f"Contactor_{side.title()}", Field(2 * place, 2), labels=self.labels)
            for place, side in enumerate(SIDES)
            if side in self.sides
        ]
        single = [
            (0x121, Signal("Link_V", Field(0, 16), self.step_v, unit="V")),
            (0x122, Signal("Pack_V", Field(0, 16), self.step_v, unit="V")),
            (0x130, Signal("Supply_V", Field(0, 16), 0.01, unit="V")),
            (0x131, Signal("KeepAlive_V", Field(0, 16), 0.01, unit="V")),
            (0x132, Signal("Insulation_kohm", Field(0, 16), 1, unit="kohm")),
            (0x133, Signal("Interlock", Field(0, 8), 1, labels=self.interlock_labels)),
            (0x140, Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")),
        ]
        return SignalMap(
            (
                Message("Contactors", 0x120, extended=False, length=1, signals=tuple(contactors)),
                *(Message(s.name, can_id, extended=False, length=2, signals=(s,)) for can_id, s in single),
            )
        )

    def channels(self):
        return decode(capture(self.rows()), self.signal_map(), self.sheet)


OTHERS = {"supply": 0.01, "keep_alive": 0.01, "insulation": 1, "interlock": 1}


def sound_drive(on_s=5.0, precharge_s=0.6, off_s=15.0, **more):
    """One sound sequence: negative, pre-charge, positive; then off."""
    begins = on_s - precharge_s
    return ElectricPack(
        negative=((begins - 0.1, off_s),),
        precharge=((begins, on_s + 0.2),),
        positive=((on_s, off_s),),
        **more,
    )


def judged(judge, channels):
    """The findings of a room and what it did not judge."""
    not_judged = {}
    return list(judge(channels, not_judged)), not_judged


cycles = st.sampled_from([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0])


@st.composite
def sound_packs(draw, **more):
    """Sound sequences in any order, sampled anyhow: every pre-charge reaches 92 % or more before the mains follow."""
    precharge_s = draw(st.sampled_from([0.05, 0.1, 0.15, 0.2, 0.4, 1.0, 3.0]))
    reached = draw(st.floats(2.5, 6.0))  # in time constants
    on_s, off_s = draw(st.floats(4, 7)), draw(st.floats(10, 16))
    first, second = draw(st.permutations(["negative", "positive"]))
    lead_s = draw(st.sampled_from([0.0, 0.05, 0.1, 0.5]))
    link_cycle_s = draw(cycles)
    poles = {
        first: ((on_s - precharge_s - lead_s, off_s),),
        second: ((on_s, off_s + draw(st.sampled_from([0.0, 0.1]))),),
    }
    return ElectricPack(
        seconds=draw(st.floats(17, 22)),
        precharge=((on_s - precharge_s, on_s + draw(st.sampled_from([0.0, 0.1, 0.5]))),),
        precharge_tau_s=precharge_s / reached,
        discharge_tau_s=draw(st.sampled_from([0.1, 0.5, 2.0, 10.0, 60.0, 120.0])),
        late_s=draw(st.sampled_from([-0.05, 0.0, 0.02, 0.1])),
        pack_v=draw(st.sampled_from([96.0, 350.0, 400.0, 800.0])),
        contactor_cycle_s=draw(cycles),
        link_cycle_s=link_cycle_s,
        pack_cycle_s=draw(st.sampled_from([link_cycle_s, 0.1, 1.0])),
        phases=draw(st.tuples(*[st.floats(0, 0.3)] * 3)),
        step_v=draw(st.sampled_from([0.1, 0.5, 1.0, 2.0])),
        noise_v=draw(st.sampled_from([0.0, 0.2, 0.5])),
        link_gain=draw(st.floats(0.97, 1.03)),
        sides=draw(
            st.sampled_from(
                [("positive", "negative", "precharge")] * 3
                + [("positive", "negative"), ("negative", "precharge"), ("positive",), ("negative",)]
            )
        ),
        seed=draw(st.integers(0, 1000)),
        **poles,
        **more,
    )
