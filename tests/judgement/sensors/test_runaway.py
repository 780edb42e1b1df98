"""Two signs in one module are a runaway; one sign, a broken wire or a heavy load are not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.finding import Severity
from decoder.judgement.sensors.runaway import runaway_findings
from decoder.maps.pack_sheet import ChannelRule, Limits, Place
from tests.judgement.sensor_captures import CELL, TEMPERATURE, found, heard, message_of, temperature_group

MODULES = 3
CELLS = 4
SECONDS = 80


def parts(volts, celsius, **sheet):
    """Decode cells (k x 12, four in a module) and temperatures (k x 6, two in a module), twice and once a second."""
    groups = [temperature_group(celsius)]
    for module in range(MODULES):
        names = [f"Cell_{module + 1}_{cell + 1}" for cell in range(CELLS)]
        message = message_of(names, 0x310 + module, step=0.001, bits=16, unit="V")
        columns = volts[:, CELLS * module : CELLS * (module + 1)]
        groups.append((message, columns, np.arange(len(volts)) * 0.5 + 0.01 * module))
    return heard(groups, [CELL, TEMPERATURE], **sheet)


def judged(volts, celsius, **sheet):
    channels = parts(volts, celsius, **sheet)
    return found(runaway_findings, channels, cell_table(channels))[0]


def sound(seed=1, sags=0.0):
    rng = np.random.default_rng(seed)
    volts = 3.7 + rng.normal(0, 0.004, MODULES * CELLS) + rng.normal(0, 0.001, (2 * SECONDS, MODULES * CELLS))
    volts[60:120] -= sags * rng.uniform(0.9, 1.25, MODULES * CELLS)
    celsius = 25 + rng.uniform(-2, 2, 2 * MODULES) + rng.normal(0, 0.1, (SECONDS, 2 * MODULES))
    return volts, celsius


def drop(volts, cell, by=1.2):
    volts[80:, cell] -= by


def heat(celsius, sensor, rate=1.6, lasts=12):
    celsius[:, sensor] += np.clip(np.arange(SECONDS) - 40, 0, lasts) * rate


def hot(celsius, sensor, above=60.0):
    """Slowly, so that the rise is no sign by itself."""
    celsius[:, sensor] += np.clip(np.arange(SECONDS), 0, 74) / 74 * above


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 1000), st.floats(0, 1.6))
def test_sound_packs_have_nothing_under_heavy_load_either(seed, sags):
    assert judged(*sound(seed, sags)) == []


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(0, MODULES - 1),
    st.integers(0, CELLS - 1),
    st.sampled_from([("drop", "heat"), ("drop", "hot"), ("heat", "hot"), ("drop", "heat", "hot")]),
    st.floats(0, 0.6),
)
def test_two_signs_in_one_module_are_found_there(seed, module, cell, signs, sags):
    volts, celsius = sound(seed, sags)
    if "drop" in signs:
        drop(volts, CELLS * module + cell)
    if "hot" in signs:
        hot(celsius, 2 * module, 60.0)
    if "heat" in signs:
        heat(celsius, 2 * module + (0 if len(signs) == 3 else 1), 1.8)
    celsius = np.minimum(celsius, 86)
    (finding,) = judged(volts, celsius)
    assert (finding.code, finding.severity) == ("runaway-precursor", Severity.DANGER)
    assert finding.place == Place(module=module + 1, cell=cell + 1 if "drop" in signs else None)


@pytest.mark.parametrize("sign", ["drop", "heat", "hot"])
def test_one_sign_alone_is_none(sign):
    volts, celsius = sound()
    if sign == "drop":
        drop(volts, 5)
    elif sign == "heat":
        heat(celsius, 2)
    else:
        hot(celsius, 2)
    assert judged(volts, celsius) == []


def test_signs_in_different_modules_are_none():
    volts, celsius = sound()
    drop(volts, 1)
    heat(celsius, 4)
    assert judged(volts, celsius) == []


def test_a_sense_wire_that_is_off_is_no_drop():
    volts, celsius = sound()
    drop(volts, 5)
    volts[80:, 6] += 1.2
    heat(celsius, 2)
    assert judged(volts, celsius) == []


def test_a_drop_that_does_not_last_is_none():
    volts, celsius = sound()
    for begins in range(20, 150, 12):
        volts[begins : begins + 3, 5] -= 1.2
    heat(celsius, 2)
    assert judged(volts, celsius) == []


def test_a_broken_thermistor_is_neither_hot_nor_rising():
    volts, celsius = sound()
    drop(volts, 5)
    celsius[30:, 2] = 87
    assert judged(volts, celsius) == []


def test_what_it_says():
    volts, celsius = sound()
    drop(volts, 5)
    hot(celsius, 2)
    (finding,) = judged(volts, celsius)
    assert (finding.limit, finding.unit) == (80.0, "degC")
    assert finding.value > 80
    assert finding.channels == ("Temp_2_1", "Cell_2_2")
    assert finding.channel is None
    assert "2 of three signs" in finding.explanation
    assert "GB 38031" in finding.source
    volts, celsius = sound()
    drop(volts, 5)
    heat(celsius, 2)
    (finding,) = judged(volts, celsius)
    assert (finding.limit, finding.unit) == (25.0, "%")
    assert finding.value == pytest.approx(1.2 / 3.7 * 100, abs=0.5)


def test_the_sheets_limits_count():
    volts, celsius = sound()
    drop(volts, 5, 0.6)
    hot(celsius, 2, 40.0)
    assert judged(volts, celsius) == []
    assert judged(volts, celsius, limits=Limits(runaway_temperature_c=60, runaway_voltage_drop_percent=10))


def test_where_nothing_says_the_modules_the_pack_is_one():
    _, celsius = sound()
    heat(celsius, 2)
    hot(celsius, 2, 60)
    message, table, time_s = temperature_group(np.minimum(celsius, 86))
    channels = heard([(message, table, time_s)], [ChannelRule("Temp_*", "module temperature", sensor="x")])
    findings, not_judged = found(runaway_findings, channels, None)
    assert [one.place for one in findings] == [Place()]
    assert "temperatures only" in not_judged["runaway-precursor"]


def test_without_temperatures_it_is_not_judged():
    message = message_of(["Cell_1_1", "Cell_1_2"], 0x310, step=0.001, bits=16, unit="V")
    channels = heard([(message, np.full((40, 2), 3.7), np.arange(40.0))], [CELL])
    findings, not_judged = found(runaway_findings, channels, cell_table(channels))
    assert findings == []
    assert "no cell or module temperature" in not_judged["runaway-precursor"]
