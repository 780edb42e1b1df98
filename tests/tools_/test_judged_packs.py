"""Packs for judging: sound is sound by the documented limits, a fault is where it should be, frames hold the truth."""

from itertools import pairwise

import numpy as np
import pytest

from decoder.channels import decode
from decoder.maps.chemistry import CURVES, window
from decoder.maps.default_limits import DEFAULT_LIMITS
from tools.judged_packs.draft import Wants
from tools.judged_packs.faults import KINDS
from tools.judged_packs.making import drawn, kind_of, make_judged_pack
from tools.judged_packs.physics import cell_volts, cold_factor
from tools.judged_packs.scenes import draw
from tools.judged_packs.soundness import calm
from tools.packs.happenings import curve
from tools.packs.truth import START_NS

SOUND = range(900, 920, 2)
SOUND_FRAMES = (900, 904, 918, 986)  # one of each style of layout
FAULTY = range(901, 901 + 2 * len(KINDS), 2)
# What a channel may stand off the truth, beside half a step: share of the value, and in the unit.
SENSOR_ERRORS = {
    "cell voltage": (0.0005, 0.0065), "module voltage": (0.0005, 0.02), "pack voltage": (0.0031, 1.0),
    "link voltage": (0.0061, 0.8), "pack current": (0.0051, 1.6), "module temperature": (0.0, 1.2),
    "supply voltage": (0.0, 0.12), "keep-alive voltage": (0.0, 0.06), "insulation resistance": (0.0, 0.01),
    "swelling pressure": (0.0, 0.9), "state of charge": (0.0, 0.02),
}  # fmt: skip


class Drawn:
    """A pack without its frames."""

    def __init__(self, seed):
        self.draft, self.world, self.truth, _ = drawn(seed)


@pytest.fixture(scope="module")
def sound():
    return [Drawn(seed) for seed in SOUND]


@pytest.fixture(scope="module")
def sound_channels():
    packs = [make_judged_pack(seed) for seed in SOUND_FRAMES]
    return [(pack, decode(pack.frames, pack.signal_map, pack.sheet)) for pack in packs]


@pytest.fixture(scope="module")
def faulty():
    packs = [Drawn(seed) for seed in FAULTY]
    return {pack.truth.kind: pack for pack in packs}


def seed_of(kind):
    return next(seed for seed in FAULTY if kind_of(seed).name == kind)


def limit(key):
    return DEFAULT_LIMITS[key].value


def modules_of(pack, volt):
    ends = np.cumsum([0, *pack.draft.cells_per_module])
    return [volt[a:b] for a, b in pairwise(ends)]


def test_a_seed_is_a_pack(sound_channels):
    (one, _), (other, _), *_ = sound_channels
    same = make_judged_pack(one.seed)
    assert np.array_equal(one.frames.data, same.frames.data)
    assert np.array_equal(one.frames.time_ns, same.frames.time_ns)
    assert (one.signal_map, one.sheet) == (same.signal_map, same.sheet)
    assert one.frames.data.shape != other.frames.data.shape or not np.array_equal(one.frames.data, other.frames.data)


def test_even_seeds_are_sound_and_odd_ones_have_every_kind_once(sound, faulty):
    assert all(pack.truth is None for pack in sound)
    assert set(faulty) == {kind.name for kind in KINDS}


def test_what_is_sound_stays_clearly_within_the_limits(sound):
    for pack in sound:
        read_v = pack.world.cell_v + pack.world.tap_v
        row = window(CURVES[pack.draft.curve].chemistry)
        assert row.low_v < read_v.min() < read_v.max() < row.high_v
        assert max(np.ptp(volt, axis=0).max() for volt in modules_of(pack, read_v)) < 0.81 * limit("module_spread_v")
        assert np.ptp(read_v, axis=0).max() < 0.81 * limit("pack_spread_v")
        assert np.ptp(pack.world.sensor_c, axis=0).max() < 0.8 * limit("temperature_spread_c")
        rise = (pack.world.swelling_kpa - pack.world.swelling_kpa[:, :1]).max()
        assert rise < 0.81 * limit("pressure_rise_kpa")
        per_v = pack.world.insulation_kohm.min() * 1000 / pack.world.pack_v.max()
        assert per_v > limit("insulation_combined_ohm_per_v")
        assert limit("supply_low_v") < pack.world.supply_v.min()
        assert pack.world.supply_v.max() < limit("supply_high_v")
        assert not pack.world.interlock_open.any()
        assert abs(pack.draft.sensing.charge_error_percent) < 3
        assert pack.draft.capacity_ah > 0.9 * pack.draft.sheet_capacity_ah
        resistance = pack.draft.ohm * (1 + pack.draft.cell_ohm) + pack.draft.joint_ohm
        assert resistance.max() < 1.3 * np.median(resistance)


def test_sound_packs_differ_in_what_may_deceive():
    tags = set().union(*(draw(np.random.default_rng(seed), Wants()).tags for seed in range(80)))
    wanted = {"cold", "coarse", "own moments", "balancing", "knee", "heavy load", "lost frames", "wake-up", "closing"}
    assert wanted <= tags


def test_no_more_frames_than_said_are_lost_in_a_sound_pack(sound_channels):
    counters = 0
    for pack, channels in sound_channels:
        for series in channels.of("alive counter"):
            skipped = np.mod(np.diff(series.raw) - 1, pack.draft.coding.modulus)
            assert skipped.sum() <= 0.005 * (len(series) + skipped.sum())
            assert skipped.max() <= 1
            counters += 1
    assert counters > 10


def test_frames_decode_to_the_truth(sound_channels):
    """Each value lies between what was true at some moment of the last scan and delay, and the sensor's error."""
    for pack, channels in sound_channels:
        world, coding = pack.world, pack.draft.coding
        late = np.linspace(0, 0.3 + (coding.cell_period_s if coding.latched else 0), 7)
        seen = set()
        for series in channels.values():
            channel = series.channel
            if channel.quantity not in SENSOR_ERRORS:
                continue
            seen.add(channel.quantity)
            true = true_column(pack, channel)
            time_s = (series.time_ns - START_NS) / 1e9
            at = np.array([world.at(true, time_s - moment) for moment in late])
            share, most = SENSOR_ERRORS[channel.quantity]
            room = share * np.abs(at).max(axis=0) + most + 0.51 * channel.signal.scale
            value = series.in_quantity_unit * (-1 if channel.quantity == "pack current" and coding.counts_charge else 1)
            shown = ~np.isnan(value)
            wrong = (value < at.min(axis=0) - room) | (value > at.max(axis=0) + room)
            # What moves fast may peak between two of the moments looked at.
            assert np.mean(wrong[shown]) < 0.01, (pack.seed, channel.name)
            assert np.mean(shown) > 0.9
        assert set(SENSOR_ERRORS) - {"module voltage"} <= seen


def true_column(pack, channel):
    world, place, draft = pack.world, channel.place, pack.draft
    if channel.quantity == "module temperature":
        return world.sensor_c[(place.module - 1) * draft.sensors_per_module + place.sensor - 1]
    if channel.quantity == "swelling pressure":
        return world.swelling_kpa[place.module - 1]
    if place.module is not None:
        members = modules_of(pack, world.cell_v + world.tap_v)[place.module - 1]
        return members.sum(axis=0) if place.cell is None else members[place.cell - 1]
    return {
        "pack voltage": world.pack_v,
        "link voltage": world.link_v,
        "pack current": world.current_a,
        "supply voltage": world.supply_v,
        "keep-alive voltage": world.keep_alive_v,
        "insulation resistance": world.insulation_kohm,
        "state of charge": world.said_charge,
    }[channel.quantity]


def test_a_cell_at_rest_shows_its_curve():
    draft = draw(np.random.default_rng(5), Wants(("rest",), contactors_open=True))
    draft.before_a = (0.0, 0.0)
    volt, charge = cell_volts(draft)
    assert np.allclose(curve(draft.curve, charge[3]), volt[3])


def test_a_loaded_cell_gives_way_by_its_resistance():
    draft = draw(np.random.default_rng(5), Wants(("pulses",)))
    draft.before_a, draft.warming_c, draft.bleeding = (0.0, 0.0), 0.0, None
    draft.current_a = np.where(draft.time_s < 5, 0.0, 40.0)
    draft.ambient_c = 25.0
    draft.module_c[:] = 0.0
    volt, _ = cell_volts(draft)
    row = int(np.searchsorted(draft.time_s, 5))
    ohm = draft.ohm * (1 + draft.cell_ohm)
    assert np.allclose((volt[:, row - 1] - volt[:, row]) / 40, ohm, rtol=0.05)


def test_cold_cells_have_about_four_times_the_resistance():
    assert 3.5 < float(cold_factor(-20.0)) < 4.5
    assert float(cold_factor(25.0)) == pytest.approx(1.0)


def test_the_faulty_cell_is_the_odd_one(faulty):
    for kind in ("cell-imbalance", "cell-self-discharge", "cell-resistance", "joint"):
        pack = faulty[kind]
        truth, world = pack.truth, pack.world
        members = modules_of(pack, world.cell_v)[truth.modules[0] - 1]
        off = members - np.median(world.cell_v, axis=0)
        size = {
            "cell-imbalance": np.abs(np.median(off, axis=1)),
            "cell-self-discharge": off[:, 0] - off[:, -1],
        }.get(kind, off.std(axis=1))
        assert int(size.argmax()) + 1 == truth.cell, kind
    assert faulty["joint"].truth.cell in {1, faulty["joint"].draft.cells_per_module[0]}


def test_spreads_are_beyond_their_limits(faulty):
    pack = faulty["module-spread"]
    spread = [float(np.median(np.ptp(volt, axis=0))) for volt in modules_of(pack, pack.world.cell_v)]
    assert int(np.argmax(spread)) + 1 == pack.truth.modules[0]
    assert max(spread) > 1.3 * limit("module_spread_v")
    pack = faulty["pack-spread"]
    middle = [float(np.median(volt)) for volt in modules_of(pack, pack.world.cell_v)]
    assert int(np.argmin(middle)) + 1 == pack.truth.modules[0]
    assert np.median(middle) - min(middle) > 1.2 * limit("pack_spread_v")


def test_a_tap_moves_two_cells_opposite_ways(faulty):
    for kind in ("tap for good", "tap in bursts"):
        pack = faulty[kind]
        first = sum(pack.draft.cells_per_module[: pack.truth.modules[0] - 1]) + pack.truth.cell - 1
        assert np.abs(pack.world.tap_v[first]).max() > 0.7 * limit("module_spread_v")
        assert np.allclose(pack.world.tap_v[first], -pack.world.tap_v[first + 1])
    assert (faulty["tap in bursts"].world.tap_v[first] == 0).mean() > 0.1


def test_wire_faults_are_on_the_wire():
    pack = make_judged_pack(seed_of("check-failed"))
    channels = decode(pack.frames, pack.signal_map, pack.sheet)
    series = channels[pack.truth.channels[0]]
    wrong = [crc_8_1d(channels.payload_of(series, row)[:-1]) != int(raw) for row, raw in enumerate(series.raw)]
    assert 0.0025 < np.mean(wrong) < 0.05
    lost = make_judged_pack(seed_of("frames-lost"))
    series = decode(lost.frames, lost.signal_map, lost.sheet)[lost.truth.channels[0]]
    skipped = np.mod(np.diff(series.raw) - 1, lost.draft.coding.modulus).sum()
    assert 0.015 < skipped / (len(series) + skipped) < 0.11


def crc_8_1d(payload):
    crc = 0xFF
    for byte in payload:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ (0x1D if crc & 0x80 else 0)) & 0xFF
    return crc ^ 0xFF


def test_the_check_is_that_of_sae_j1850(sound_channels):
    assert crc_8_1d(b"123456789") == 0x4B  # the published check value
    _, channels = sound_channels[0]
    series = channels["PackState_Check"]
    assert all(crc_8_1d(channels.payload_of(series, row)[:-1]) == int(series.raw[row]) for row in range(50))


def test_system_faults_are_so(faulty):
    world = faulty["contactor-welded"].world
    opened = world.time_s > faulty["contactor-welded"].draft.contactors.opens_s
    assert not world.contactor[:2, opened].any()
    assert np.allclose(world.link_v[opened], world.pack_v[opened])
    world = faulty["contactor-held"].world
    assert ((world.supply_v < 1) & (world.contactor[1] > 0)).sum() > 10
    assert faulty["interlock-open"].world.interlock_open.any()
    world = faulty["insulation-low"].world
    assert world.insulation_kohm.min() * 1000 / world.pack_v.max() < limit("insulation_combined_ohm_per_v") / 1.3


def test_calming_brings_cells_together():
    draft = draw(np.random.default_rng(5), Wants(("rest",), steep_chemistry=True))
    draft.cell_charge[:] = np.linspace(-15, 15, draft.cells)
    before_v = np.ptp(cell_volts(draft)[0], axis=0).max()
    assert calm(draft)
    assert np.ptp(cell_volts(draft)[0], axis=0).max() < limit("pack_spread_v") < before_v
