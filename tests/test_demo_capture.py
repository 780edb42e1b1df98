"""The demo: its files are what the tool makes, and the capture shows what the truth file says."""

import bisect
import importlib
import itertools
import json
import lzma
import random
import re
import tomllib
from pathlib import Path

import cantools
import isotp
import numpy as np
import pytest

from decoder.maps.patterns import fit

ROOT = Path(__file__).resolve().parent.parent
CAPTURES = ROOT / "captures"
LINE = re.compile(r"\((\d+)\.(\d{6})\) can0 ([0-9A-F]+)#((?:[0-9A-F]{2})*)")
START_US = 1_893_456_000_000_000
HEALTHY = (1, 3, 6)

tool = importlib.import_module("tools.make_demo_capture")
bus, controller, conversation, pack_model = tool.bus, tool.controller, tool.conversation, tool.pack_model
Dice = tool.Dice


@pytest.fixture(scope="module")
def made():
    return tool.make()


@pytest.fixture(scope="module")
def signal_map():
    return cantools.database.load_file(ROOT / "signal_maps" / "harbour_shuttle.dbc", strict=True)


@pytest.fixture(scope="module")
def truth():
    return json.loads((CAPTURES / "harbour_shuttle.truth.json").read_text())


@pytest.fixture(scope="module")
def lines():
    return lzma.decompress((CAPTURES / "harbour_shuttle.log.xz").read_bytes()).decode("ascii").splitlines()


@pytest.fixture(scope="module")
def frames(lines):
    """Time (us), identifier as in the log, payload; of lines that hold a frame."""
    found = filter(None, map(LINE.fullmatch, lines))
    return [(int(line[1]) * 1_000_000 + int(line[2]) - START_US, line[3], bytes.fromhex(line[4])) for line in found]


@pytest.fixture(scope="module")
def in_frames(signal_map):
    """Messages whose signals stand in single frames: all but that of the answers."""
    return [message for message in signal_map.messages if message.name != "PackAnswers"]


@pytest.fixture(scope="module")
def pack():
    return pack_model.run(Dice(tool.SEED))


@pytest.fixture(scope="module")
def talk(pack, signal_map):
    dice = Dice(tool.SEED + 4)
    meter = controller.Measured(pack, Dice(tool.SEED + 1)).with_noise_of(dice)
    return conversation.talk(meter, signal_map, dice)


@pytest.fixture(scope="module")
def exchanges(truth):
    return truth["conversation"]["exchanges"]


@pytest.fixture(scope="module")
def reassembled(frames):
    """Whole payloads in the log by identifier, as can-isotp puts them together, and what it complained of."""
    return {text: put_together(frames, int(text, 16)) for text in ("6E2", "6EA")}


@pytest.fixture(scope="module")
def series(frames, in_frames):
    """Channel -> (times in s, values), decoded with cantools; raw values where the message has labels."""
    by_text = {f"{m.frame_id:0{8 if m.is_extended_frame else 3}X}": m for m in in_frames}
    collected = {}
    for time_us, text, payload in frames:
        message = by_text.get(text)
        if message is None or message.name == "BalancingFlags":
            continue
        for name, value in message.decode(payload, decode_choices=False).items():
            times, values = collected.setdefault(name, ([], []))
            times.append(time_us / 1e6)
            values.append(value)
    return {name: (np.array(times), np.array(values)) for name, (times, values) in collected.items()}


def put_together(frames, can_id):
    waiting = [
        isotp.CanMessage(arbitration_id=can_id, data=payload)
        for _, text, payload in frames
        if text == f"{can_id:03X}" and payload
    ]
    waiting.reverse()
    complaints = []
    layer = isotp.TransportLayerLogic(
        rxfn=lambda _timeout: waiting.pop() if waiting else None,
        txfn=lambda _message: None,
        address=isotp.Address(rxid=can_id, txid=0x7F0),
        error_handler=complaints.append,
        params={"rx_consecutive_frame_timeout": 60_000},  # runs by the clock on the wall
    )
    payloads = []
    while waiting:
        layer.process()
        while (payload := layer.recv()) is not None:
            payloads.append(payload.hex().upper())
    return payloads, complaints


def polls_of(exchanges, request):
    return [exchange for exchange in exchanges if exchange["request"] == request]


def during(channel, start, end):
    times, values = channel
    return values[(times >= start) & (times < end)]


def cell_name(module, cell):
    return f"Cell_{module}_{cell:02d}_V"


def median_of(series, module, cell, start, end):
    return float(np.median(during(series[cell_name(module, cell)], start, end)))


def fault(truth, kind):
    (found,) = [entry for entry in truth["faults"] if entry["kind"] == kind]
    return found


def quiet_parts(truth):
    """Steady stretches, less 0.5 s at each end, without wake-up and without a loose sense wire: from, to, current."""
    wire = [(burst["from_s"] - 0.3, burst["to_s"] + 0.3) for burst in fault(truth, "tap-intermittent")["bursts"]]
    for stretch in truth["steady_stretches"]:
        edges = [max(stretch["from_s"] + 0.5, 1.0), stretch["to_s"] - 0.5]
        inside = sorted(edge for span in wire for edge in span if edges[0] < edge < edges[1])
        for start, end in itertools.pairwise([edges[0], *inside, edges[1]]):
            if end - start > 0.5 and not any(low < (start + end) / 2 < high for low, high in wire):
                yield start, end, stretch["current_a"]


# --- the files


def test_the_tool_makes_the_stored_files_again_byte_for_byte(made):
    stored = {path.name: path.read_bytes() for path in CAPTURES.glob("harbour_shuttle.*")}
    packed = stored.pop("harbour_shuttle.log.xz")
    stored["harbour_shuttle.log"] = lzma.decompress(packed)
    assert made == stored


def test_writing_gives_the_same_files(tmp_path, made, monkeypatch):
    monkeypatch.setattr(tool, "make", lambda: made)
    monkeypatch.setattr(tool, "XZ", tool.XZ | {"preset": 0})  # the strong setting takes a second or two
    tool.write(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        path.name for path in CAPTURES.glob("harbour_shuttle.*")
    )
    assert lzma.decompress((tmp_path / "harbour_shuttle.log.xz").read_bytes()) == made["harbour_shuttle.log"]


def test_the_repository_carries_at_most_2_mb_of_it():
    assert sum(path.stat().st_size for path in CAPTURES.iterdir()) < 2_000_000


def test_chance_does_not_hang_on_the_version_of_numpy():
    # First words of PCG64 seeded with 42, as numpy has given them since 1.17.
    assert Dice(42).even(2).tolist() == [0.7739560485559633, 0.4388784397520523]
    bell = Dice(1).bell(100_000)
    assert abs(bell.mean()) < 0.02
    assert abs(bell.std() - 1) < 0.02


# --- map and sheet


def test_map_names_every_cell_and_sensor_once(signal_map):
    names = [signal.name for message in signal_map.messages for signal in message.signals]
    assert len(names) == len(set(names))
    assert {cell_name(m, c) for m in range(1, 7) for c in range(1, 15)} <= set(names)
    assert {f"Temp_{m}_{s}_degC" for m in range(1, 7) for s in (1, 2)} <= set(names)
    assert {f"Polled_{m}_{c:02d}_V" for m in (4, 5) for c in range(1, 15)} <= set(names)
    assert {f"Busbar_{m}_degC" for m in range(1, 7)} <= set(names)


def test_sheet_tells_what_every_channel_of_the_map_is(signal_map):
    sheet = tomllib.loads((ROOT / "signal_maps" / "harbour_shuttle.toml").read_text())
    matches = [rule["match"] for rule in sheet["channels"]]
    names = {signal.name for message in signal_map.messages for signal in message.signals}
    unnamed = {name for name in names if not any(fit(match, name) is not None for match in matches)}
    assert unnamed == {"Pack_Mode", "CellPages_Index", "BalancingFlags_Module", "PackAnswers_Topic"}
    assert [match for match in matches if not any(fit(match, name) is not None for name in names)] == []


def test_map_says_which_message_describes_whole_answers(signal_map):
    definition = signal_map.dbc.attribute_definitions["CellgleanPayload"]
    assert (definition.kind, definition.type_name) == ("BO_", "ENUM")
    assert definition.choices == ["frame", "reassembled"]
    assert definition.default_value == "frame"
    marked = {
        message.name: message.dbc.attributes["CellgleanPayload"].value
        for message in signal_map.messages
        if "CellgleanPayload" in message.dbc.attributes
    }
    assert marked == {"PackAnswers": definition.choices.index("reassembled")}
    assert signal_map.get_message_by_name("PackAnswers").frame_id == conversation.ANSWERER


def test_filled_frames_are_those_of_cantools(in_frames):
    chance = random.Random(5)
    for message in in_frames:
        rows = []
        for index in range(20):
            raw = {
                signal.name: chance.randrange(1 << signal.length) - (signal.is_signed << signal.length - 1)
                for signal in message.signals
            }
            for signal in message.signals:
                if signal.is_multiplexer:
                    raw[signal.name] = signal.minimum + index % int(signal.maximum - signal.minimum + 1)
                if signal.name.endswith("_Alive"):
                    raw[signal.name] = (7 + index) % (15 if message.name == "PackState" else 16)
            rows.append(raw)
        values = {
            signal.name: np.array([row[signal.name] * signal.scale + signal.offset for row in rows], float)
            for signal in message.signals
        }
        data = controller.fill(message, values, len(rows))
        for row, payload in zip(rows, data, strict=True):
            check = [signal.name for signal in message.signals if signal.name.endswith("_Check")]
            expected = {**row, **dict.fromkeys(check, int(payload[-1]))}
            carried = message.decode(bytes(payload), scaling=False, decode_choices=False)
            assert carried == {name: expected[name] for name in carried}
            assert message.encode(carried, scaling=False, padding=True, strict=False) == bytes(payload)


def test_a_value_that_does_not_fit_is_refused(signal_map):
    message = signal_map.get_message_by_name("PackLimits")
    sound = {"StateOfCharge": 50, "StateOfHealth": 90, "Limit_Discharge_kW": 40, "Limit_Charge_kW": 20}
    assert controller.fill(message, sound, 1).tobytes() == bytes.fromhex("64B49001C800")
    with pytest.raises(ValueError, match="StateOfCharge"):
        controller.fill(message, sound | {"StateOfCharge": 128}, 1)


def test_check_has_the_published_check_value():
    # CRC-8/SAE-J1850 of '123456789' is 4B.
    assert controller.crc8(np.frombuffer(b"12345678", np.uint8)[None], ord("9")).tolist() == [0x4B]


# --- the recording


def test_the_log_holds_what_the_truth_says_of_the_recording(lines, truth):
    recording = truth["recording"]
    assert sum(LINE.fullmatch(line) is not None for line in lines) == recording["frames"]
    assert 45_000 < recording["frames"] < 70_000
    odd = {number: line for number, line in enumerate(lines, start=1) if not LINE.fullmatch(line)}
    assert len(odd) == 2
    assert re.fullmatch(r"\(\d+\.\d{6}\) can0 [0-9A-F]+#0", odd.pop(recording["cut_line"]))
    (notice,) = odd.values()
    lost = recording["lost_in_burst"]
    assert notice == f"DROPCOUNT: dropped {lost} CAN frames on 'can0' socket (total drops {lost})"
    assert sum(" can0 20000088#" in line for line in lines) == recording["error_frames"]


def test_counters_miss_as_many_frames_as_were_lost(frames, truth, signal_map, pack, talk):
    streams = controller.streams(pack, signal_map, Dice(tool.SEED + 1)) + talk.streams()
    ready = sum(len(stream.ready_s) for stream in streams)
    recording = truth["recording"]
    lost = recording["lost_singly"] + recording["lost_in_burst"] + 1  # and the one whose line was cut
    assert len(frames) - recording["error_frames"] == ready - lost
    assert 0.0005 < recording["lost_singly"] / ready < 0.001
    pages = np.array([payload[6] & 15 for _, text, payload in frames if text == "330"])
    of_pages = len(next(stream for stream in streams if stream.name == "CellPages").ready_s)
    assert (np.diff(pages) % 16 - 1).sum() == of_pages - len(pages)


def test_only_one_frame_is_on_the_wire_at_a_time(frames):
    data = [frame for frame in frames if not frame[1].startswith("2000")]
    for (before, _, _), (end, text, payload) in itertools.pairwise(data):
        fewest_bits = (64 if len(text) == 8 else 44) + 8 * len(payload) + 3  # without a single stuff bit
        assert end - before >= 2 * fewest_bits
    times = [time for time, _, _ in frames]
    assert times == sorted(times)
    assert times[0] >= 0
    assert times[-1] < 90_100_000


def test_of_frames_that_wait_the_lowest_identifier_goes_first():
    def stream(name, can_id, ready, *, extended=False):
        return controller.Stream(name, can_id, extended, np.array(ready), np.zeros((len(ready), 8), np.uint8))

    waiting = [
        stream("long", 0x10000000 | 5, [0.0001], extended=True),  # its upper 11 bits are 400
        stream("short", 0x400, [0.0002]),
        stream("low", 0x020, [0.00021]),
        stream("first", 0x7FF, [0.0]),
    ]
    sent = bus.arbitrate(waiting)
    assert [waiting[number].name for number in sent.stream] == ["first", "low", "short", "long"]


def test_frames_that_are_ready_in_the_same_microsecond_go_by_identifier():
    late, early = (
        controller.Stream(name, can_id, extended=False, ready_s=np.array([0.001]), data=np.zeros((1, 8), np.uint8))
        for name, can_id in (("late", 0x200), ("early", 0x100))
    )
    sent = bus.arbitrate([late, early])
    assert sent.stream.tolist() == [1, 0]
    assert sent.end_us.tolist() == [1000 + 2 * (44 + 64 + 3 + 12), 1000 + 4 * (44 + 64 + 3 + 12)]


def test_a_frame_of_a_chain_waits_for_the_one_before_it():
    def stream(can_id, ready):
        return controller.Stream(
            "", can_id, extended=False, ready_s=np.array(ready), data=np.zeros((len(ready), 8), np.uint8)
        )

    lasts_us = 2 * (44 + 64 + 3 + 12)
    asker, answerer, busy = stream(0x6E2, [0.001, 0.001]), stream(0x6EA, [0.001, 0.003]), stream(0x100, [0.0009])
    chain = [bus.Link(0x6E2, 0, 0.0), bus.Link(0x6EA, 0, 0.0005), bus.Link(0x6E2, 1, 0.0002), bus.Link(0x6EA, 1, 0.0)]
    sent = bus.arbitrate([asker, answerer, busy], chain)
    assert list(zip(sent.stream.tolist(), sent.row.tolist(), strict=True)) == [(2, 0), (0, 0), (1, 0), (0, 1), (1, 1)]
    question = 900 + 2 * lasts_us
    answer = question + 500 + lasts_us
    flow_control = answer + 200 + lasts_us
    assert flow_control < 3000  # so the last frame waits for its own time
    assert sent.end_us.tolist() == [900 + lasts_us, question, answer, flow_control, 3000 + lasts_us]


def test_messages_come_at_the_rates_that_the_map_gives(frames, in_frames):
    for message in in_frames:
        text = f"{message.frame_id:0{8 if message.is_extended_frame else 3}X}"
        times = np.array([time for time, name, _ in frames if name == text])
        assert np.median(np.diff(times)) == pytest.approx(1000 * message.cycle_time, rel=0.02)
        assert all(len(payload) == message.length for _, name, payload in frames if name == text)


# --- the physics


def test_relaxation_follows_the_exponential_of_its_time_constant():
    answer = pack_model.lagged(np.ones(6000), 15.0, 0.0)
    time_s = (np.arange(6000) + 1) * pack_model.STEP_S
    assert np.abs(answer - (1 - np.exp(-time_s / 15.0))).max() < 0.001


def test_rested_cells_stand_on_the_published_curve(pack):
    # NMC532 against graphite, Mohtat et al. 2020: 3.797 V at 60 %, 3.880 V at 70 %.
    rested = pack.cell_v[0] + 3.0 * (pack.resistance_ohm + pack_model.RELAXATION)
    between = 3.797 + (3.880 - 3.797) * (pack_model.START_CHARGE_PERCENT - 60) / 10
    assert np.median(rested) == pytest.approx(between, abs=0.0015)


def test_current_takes_the_charge_that_the_truth_says(series, truth):
    times, current = series["Pack_A"]
    assert np.trapezoid(current, times) / 3600 == pytest.approx(truth["charge_taken_ah"], abs=0.005)
    charge = series["StateOfCharge"][1]
    assert charge[0] == pytest.approx(truth["state_of_charge_percent"]["start"], abs=0.26)
    assert charge[-1] == pytest.approx(truth["state_of_charge_percent"]["end"], abs=0.26)


def test_cells_add_up_to_the_pack_voltage(series, truth):
    for start, end, _ in quiet_parts(truth):
        cells = sum(median_of(series, m, c, start, end) for m in range(1, 7) for c in range(1, 15))
        # Half a step of 0.1 V, and what 84 rounded cells with small errors can add up to.
        assert cells == pytest.approx(np.median(during(series["Pack_V"], start, end)), abs=0.12)


def test_cells_stay_inside_their_window(series):
    for module in range(1, 7):
        for cell in range(1, 15):
            values = during(series[cell_name(module, cell)], 0.7, 91)
            values = values[values < 8]  # 8.191 V is all ones of 13 bits
            assert values.min() > 2.8
            assert values.max() < 4.2


def test_everything_is_not_available_until_the_controller_is_awake(series, truth):
    until = next(entry["until_s"] for entry in truth["sound"] if entry["kind"] == "wake-up")
    assert set(during(series["Cell_1_01_V"], 0, until)) == {65.535}
    assert set(during(series["Cell_6_14_V"], 0, until)) == {8.191}
    assert set(during(series["Temp_1_1_degC"], 0, until)) == {87.5}
    assert set(during(series["Swelling_1_kPa"], 0, until)) == {511.5}
    assert during(series["Cell_1_01_V"], until + 0.1, 91).max() < 4.2


# --- what is wrong, and what is not


def test_only_the_weak_module_spreads_without_a_cause_of_one_cell(series, truth):
    weak = fault(truth, "weak-module")
    module, cell = fault(truth, "cell-resistance")["module"], fault(truth, "cell-resistance")["cell"]
    parts = list(quiet_parts(truth))
    assert len(parts) >= 8
    for start, end, _ in parts:
        for number in range(1, 7):
            cells = [median_of(series, number, c, start, end) for c in range(1, 15)]
            if number == weak["module"]:
                assert max(cells) - min(cells) > 0.044
                assert cells.index(min(cells)) + 1 == weak["cell"]
                continue
            if number == module:
                del cells[cell - 1]
            assert max(cells) - min(cells) < 0.018


def test_spreads_of_single_scans_keep_clear_of_the_limit(series, truth):
    """Samples next to each other in time, not medians: what a judgement at one instant sees."""
    for start, end, _ in quiet_parts(truth):
        for number in (*HEALTHY, 4, 5):
            columns = [during(series[cell_name(number, c)], start, end) for c in range(1, 15)]
            shortest = min(map(len, columns))
            cells = np.array([column[:shortest] for column in columns])
            spread = np.ptp(cells, axis=0)
            if number == 4:
                assert spread.min() > 0.042
            elif shortest == max(map(len, columns)):  # no frame lost, so columns are of the same scans
                assert spread.max() < 0.025


def test_without_the_faulty_places_the_pack_keeps_together(series, truth):
    for start, end, _ in quiet_parts(truth):
        cells = [median_of(series, m, c, start, end) for m in HEALTHY for c in range(1, 15)]
        assert max(cells) - min(cells) < 0.025
    loaded = next(part for part in quiet_parts(truth) if part[2] == 110)
    every = [median_of(series, m, c, *loaded[:2]) for m in range(1, 7) for c in range(1, 15)]
    assert max(every) - min(every) > 0.1


def test_bad_joint_shows_under_load_and_hides_at_rest(series, truth):
    bad = fault(truth, "cell-resistance")
    below, currents = [], []
    for start, end, current in quiet_parts(truth):
        others = [median_of(series, bad["module"], c, start, end) for c in range(1, 15) if c != bad["cell"]]
        below.append(np.median(others) - median_of(series, bad["module"], bad["cell"], start, end))
        currents.append(current)
    slope, at_rest = np.polyfit(currents, below, 1)
    assert 1e3 * slope == pytest.approx(bad["more_mohm"], abs=0.05)
    assert abs(at_rest) < 0.010
    assert max(abs(drop) for drop, current in zip(below, currents, strict=True) if current == 3.0) < 0.010


def test_stuck_thermistor_holds_still_while_the_others_warm(series, truth):
    stuck = fault(truth, "thermistor-stuck")
    last = []
    for module in range(1, 7):
        for sensor in (1, 2):
            values = during(series[f"Temp_{module}_{sensor}_degC"], 0.7, 91)
            last.append(values[-1])
            if (module, sensor) == (stuck["module"], stuck["sensor"]):
                assert set(values) == {stuck["at_degc"]}
            else:
                assert values[-10:].mean() - values[:10].mean() > 3
    assert max(last) - min(last) < 8
    assert stuck["true_end_degc"] - stuck["at_degc"] > 3


def test_loose_sense_wire_moves_two_cells_apart_and_keeps_their_sum(series, truth):
    wire = fault(truth, "tap-intermittent")
    upper, lower = (series[cell_name(wire["module"], cell)] for cell in (wire["cell"], wire["neighbour"]))
    for burst in wire["bursts"]:
        start, end = burst["from_s"] + 0.25, burst["to_s"] - 0.05
        one, other = during(upper, start, end), during(lower, start, end)
        assert len(one) >= 3
        if burst["not_available"]:
            assert set(one) | set(other) == {8.191}
            continue
        apart = np.median(other) - np.median(one)
        assert 1.4 * burst["moved_v"] < apart <= 2 * burst["moved_v"] + 0.01
        sound = [median_of(series, wire["module"], c, start, end) for c in (1, 2, *range(5, 15))]
        assert (np.median(one) + np.median(other)) / 2 == pytest.approx(np.median(sound), abs=0.012)
    start, end = (wire["bursts"][0]["to_s"] + 0.3, wire["bursts"][1]["from_s"] - 0.3)
    assert abs(np.median(during(lower, start, end)) - np.median(during(upper, start, end))) < 0.012


def test_contactors_stay_closed_after_the_boats_supply_is_gone(series, truth):
    held = fault(truth, "keep-alive-holds-contactors")
    after = (held["from_s"] + 1.0, held["to_s"])
    assert during(series["Supply_V"], 1, held["from_s"]).min() > 13
    assert during(series["Supply_V"], *after).max() < 0.5
    for name, state in (("Contactor_Positive", 1), ("Contactor_Negative", 1), ("Contactor_Precharge", 0)):
        assert set(series[name][1]) == {state}
    assert during(series["Link_V"], *after).min() > 310
    assert during(series["KeepAlive_V"], 1, held["from_s"]).mean() == pytest.approx(12.34, abs=0.01)
    assert series["KeepAlive_V"][1][-5:].mean() == pytest.approx(held["keep_alive_end_v"], abs=0.02)


def test_the_rest_of_the_boat_falls_silent_with_its_supply(frames):
    assert max(time for time, text, _ in frames if text in {"0A4", "1C2"}) < 70_100_000


def test_swelling_pressure_rises_less_than_its_limit(series, truth):
    rise = next(entry for entry in truth["sound"] if entry["kind"] == "pressure")
    for module in range(1, 7):
        values = during(series[f"Swelling_{module}_kPa"], 0.7, 91)
        grown = values[-20:].mean() - values[:20].mean()
        assert 0.5 < grown < 5
        if module == rise["module"]:
            assert grown == pytest.approx(rise["rise_kpa"], abs=0.3)


# --- the conversation


def test_all_that_was_recorded_whole_is_in_the_log_and_nothing_else(reassembled, exchanges, talk):
    """What can-isotp puts together from the log is what the truth says, in its order."""
    questions, _ = reassembled["6E2"]
    answers, _ = reassembled["6EA"]
    whole = [exchange for exchange in exchanges if exchange["recorded_whole"]]
    broken = [exchange for exchange in exchanges if not exchange["recorded_whole"]]
    # Questions repeat, so that one which was lost is not seen by its content: they are counted too.
    assert is_in_order([exchange["request"] for exchange in whole], questions)
    assert is_in_order(with_pending(whole), answers)
    assert len(exchanges) - len(broken) <= len(questions) <= len(exchanges)
    surplus = list(answers)
    for answer in with_pending(whole):
        surplus.remove(answer)
    assert len(surplus) < len(broken)  # the answer came whole where only its question was lost
    assert set(surplus) <= {exchange["answer"] for exchange in broken}
    assert [exchange["request"] for exchange in exchanges] == [each.request.hex().upper() for each in talk.exchanges]


def with_pending(exchanges):
    return [
        payload
        for exchange in exchanges
        for payload in [f"7F{exchange['request'][:2]}78"] * exchange["pending"] + [exchange["answer"]]
        if payload is not None
    ]


def is_in_order(wanted, payloads):
    left = iter(payloads)
    return all(payload in left for payload in wanted)


def test_most_reads_are_whole_and_some_are_not(exchanges, reassembled):
    reads = polls_of(exchanges, "220104")
    broken = [exchange for exchange in reads if not exchange["recorded_whole"]]
    assert len(reads) >= 50
    assert 2 <= len(broken) <= 5
    _, complaints = reassembled["6EA"]
    assert any(isinstance(complaint, isotp.WrongSequenceNumberError) for complaint in complaints)
    burst = 55.2
    assert any(burst - 0.05 < exchange["time_s"] < burst + 0.06 for exchange in broken)


def test_the_dialogue_has_every_outcome(exchanges):
    assert {exchange["outcome"] for exchange in exchanges} == {"answered", "refused", "unanswered", "silent"}
    by_request = {exchange["request"]: exchange for exchange in exchanges}
    assert by_request["1003"]["answer"] == "5003003201F4"
    assert by_request["190208"]["answer"] == "5902FF0AA61709C0730008"
    assert (by_request["31010202"]["answer"], by_request["31010202"]["pending"]) == ("7101020200", 2)
    assert {e["answer"] for e in exchanges if e["outcome"] == "refused"} == {"7F2E33", "7F2231"}
    assert [e["request"] for e in exchanges if e["outcome"] == "unanswered"] == ["220555"]
    assert {e["request"] for e in exchanges if e["outcome"] == "silent"} == {"3E80"}
    for exchange in exchanges:
        first, answer = int(exchange["request"][:2], 16), exchange["answer"]
        assert answer is None or answer[:2] in {f"{first + 0x40:02X}", "7F"}
    number = bytes.fromhex(by_request["22F190"]["answer"])[3:].decode()
    assert re.fullmatch(r"[A-HJ-NPR-Z0-9]{17}", number)


def test_each_question_stands_in_the_log_when_the_truth_says(exchanges, frames):
    ends = {(time, text): payload for time, text, payload in frames}
    for exchange in exchanges:
        frame = ends.get((round(exchange["time_s"] * 1e6), "6E2"))
        if not exchange["recorded_whole"] and frame is None:
            continue
        request = bytes.fromhex(exchange["request"])
        if len(request) <= 7:
            assert frame == (bytes([len(request)]) + request).ljust(8, b"\x00")
        else:
            assert frame[0] >> 4 == 2
            assert request.endswith(frame[1:].rstrip(b"\x00"))
    assert 9.4 < exchanges[0]["time_s"] < 9.6
    assert 67.5 < exchanges[-1]["time_s"] < 68  # then it is unplugged


def test_frames_of_the_conversation_keep_to_their_times(frames):
    """Pauses between end and begin on the wire; more where other frames went first."""
    lasts_us = 2 * (44 + 64 + 3 + 12)
    spoken = [frame for frame in frames if frame[1] in {"6E2", "6EA"}]
    pauses = {"answer": [], "flow control": [], "consecutive": []}
    for (before_us, before, earlier), (end_us, text, payload) in itertools.pairwise(spoken):
        kind, pause_us = payload[0] >> 4, end_us - before_us - lasts_us
        if kind == 3:
            assert payload == bytes.fromhex("300002").ljust(8, b"\x00" if text == "6E2" else b"\xaa")
            if earlier[0] >> 4 == 1:
                pauses["flow control"].append(pause_us)
        elif kind == 2:
            pauses["consecutive"].append(pause_us)
        elif before == "6E2" and text == "6EA" and earlier[0] >> 4 == 0 and earlier[1] != 0x3E:
            pauses["answer"].append(pause_us)
    allowed = {"answer": (3_000, 18_000), "flow control": (300, 1_200), "consecutive": (2_000, 2_600)}
    for what, (least, most) in allowed.items():
        found = np.array(pauses[what])
        assert len(found) > 50
        assert found.min() >= least - 1
        assert least < np.median(found) < most


def test_transfers_are_cut_as_the_standard_shows():
    # ISO 15765-2: single frame, then first frame with the length and consecutive frames that count 1 to 15, 0, 1.
    assert conversation.cut(bytes.fromhex("22F190"), 0xAA) == [bytes.fromhex("0322F190AAAAAAAA")]
    payload = bytes.fromhex("490201") + b"TESTV1N0000000001"
    assert [frame.hex().upper() for frame in conversation.cut(payload, 0)] == [
        "1014490201544553",
        "215456314E303030",
        "2230303030303031",
    ]
    heads = [frame[0] for frame in conversation.cut(bytes(125), 0)]
    assert heads == [0x10, *range(0x21, 0x30), 0x20, 0x21]
    with pytest.raises(ValueError, match="4096 bytes"):
        conversation.cut(bytes(4096), 0)


def test_answers_decode_through_the_map_to_the_cells_of_the_model(reassembled, exchanges, signal_map, pack):
    message = signal_map.get_message_by_name("PackAnswers")
    found = set(reassembled["6EA"][0])
    loose = 0
    for exchange in polls_of(exchanges, "220104"):
        if exchange["answer"] not in found:
            continue
        values = message.decode(bytes.fromhex(exchange["answer"]), decode_choices=False)
        assert values.pop("PackAnswers_Topic") == 0x620104
        assert list(values) == [f"Polled_{m}_{c:02d}_V" for m in (4, 5) for c in range(1, 15)]
        asked_s = np.array([exchange["time_s"]])
        true = pack.cell_v[pack.at(asked_s)[0]]
        moved_v = controller.wire_off(asked_s)[0][0]
        loose += moved_v > 0
        for name, value in values.items():
            module, cell = int(name[7]), int(name[9:11])
            shift = {(5, 3): -moved_v, (5, 4): moved_v}.get((module, cell), 0.0)
            # Error and noise of 0.4 mV each, and up to 5 ms between measuring and the end of the question.
            assert value == pytest.approx(true[pack_model.cell_number(module, cell)] + shift, abs=0.0025)
    assert loose >= 3


def test_cells_asked_for_agree_with_those_of_the_frames(reassembled, exchanges, signal_map, series):
    """At rest, both come from the same sensors: what is left is noise, and half a step of 1 mV."""
    message = signal_map.get_message_by_name("PackAnswers")
    found = set(reassembled["6EA"][0])
    rest = [e for e in polls_of(exchanges, "220104") if 59.0 < e["time_s"] < 62.9 and e["answer"] in found]
    assert len(rest) >= 3
    for exchange in rest:
        values = message.decode(bytes.fromhex(exchange["answer"]), decode_choices=False)
        for module in (4, 5):
            for cell in range(1, 15):
                near = median_of(series, module, cell, exchange["time_s"] - 0.3, exchange["time_s"] + 0.3)
                assert values[f"Polled_{module}_{cell:02d}_V"] == pytest.approx(near, abs=0.0035)


def test_busbars_warm_with_the_current_and_seconds_run(reassembled, exchanges, signal_map, pack):
    message = signal_map.get_message_by_name("PackAnswers")
    found = set(reassembled["6EA"][0])
    reads = [exchange for exchange in polls_of(exchanges, "220110") if exchange["answer"] in found]
    assert len(reads) >= 9
    decoded = [
        message.decode(bytes.fromhex(exchange["answer"]), decode_choices=False, allow_truncated=True)
        for exchange in reads
    ]
    times = np.array([exchange["time_s"] for exchange in reads])
    for time_s, values in zip(times, decoded, strict=True):
        assert values["PackAnswers_Topic"] == 0x620110
        assert values["Operating_s"] == conversation.OPERATING_S + int(time_s)
    for module in range(1, 7):
        busbar = np.array([values[f"Busbar_{module}_degC"] for values in decoded])
        sensors = pack.sensor_c[pack.at(times), pack_model.sensor_number(module, 1)]
        assert np.all(busbar > sensors - 1.5)
        assert busbar[(times > 30) & (times < 38)].max() - busbar[times < 20].min() >= 3


def test_a_value_that_no_answer_can_carry_is_refused(signal_map):
    message = signal_map.get_message_by_name("PackAnswers")
    warm = {f"Busbar_{module}_degC": 20.0 for module in range(1, 7)} | {"Operating_s": 0x01020304}
    assert conversation.mapped_record(message, 0x0110, warm) == bytes.fromhex("6201103C3C3C3C3C3C01020304")
    with pytest.raises(cantools.database.errors.EncodeError, match="Busbar_3_degC"):
        conversation.mapped_record(message, 0x0110, warm | {"Busbar_3_degC": 216.0})


# --- the meter


def test_readings_meet_the_capture_once_the_clock_is_put_right(series, truth):
    meter = truth["meter"]
    rows = (CAPTURES / "harbour_shuttle.readings.csv").read_text().splitlines()
    assert rows[0] == "time_s,label,value,unit"
    labels = set()
    for row in rows[1:]:
        time_s, label, value, unit = row.split(",")
        labels.add(label)
        name = meter["channels"][label]
        times, values = series[name]
        moment_s = (float(time_s) - meter["clock_offset_s"]) / (1 + 1e-6 * meter["drift_ppm"])
        near = values[max(bisect.bisect(times, moment_s) - 1, 0)]
        allowed = {"degC": 1.0, "V": 0.35 if name == "Pack_V" else 0.006}[unit]
        assert float(value) == pytest.approx(near, abs=allowed)
    assert labels == set(meter["channels"])
    assert 30 <= len(rows) - 1 <= 60
