"""Cells computed by an electrochemical model, sent as frames and read back: its own charge and resistance count.

The model is the single-particle model with electrolyte of PyBaMM, with the parameter sets that two of the built-in
curves come from. It is solved here anew, so curve, relaxation and resistance are its own.
"""

import os

import numpy as np
import pytest

from decoder.judgement.cells.resistances import cell_resistances
from decoder.judgement.charging.charge import capacity, charge_findings, counted_charge
from decoder.judgement.charging.rested_charge import rested_charges
from decoder.maps.pack_sheet import PackSheet
from tests.judgement.resting_packs import pack

CYCLE_S = 0.2
CURVE_OF = {"Mohtat2020": "NMC532", "Chen2020": "NMC811"}
# Seconds and A: rest, pulses of half to twice the capacity per hour, rest, a long discharge, rest.
PARTS = (
    *((600, 0.0), (30, 5.0), (60, 0.0), (30, 10.0), (60, 0.0), (30, -5.0), (60, 0.0), (30, 2.5), (600, 0.0)),
    *((2000, 4.5), (1800, 0.0)),
)
STARTS = (0.69, 0.70, 0.70, 0.71)


class Simulated:
    """Four cells in series: time (s), current (A), voltage (V) and state of charge (%) by the model."""

    def __init__(self, pybamm, name):
        self.curve = CURVE_OF[name]
        self.time_s = np.arange(0, sum(seconds for seconds, _ in PARTS), CYCLE_S)
        self.current_a = np.concatenate([np.full(round(seconds / CYCLE_S), ampere) for seconds, ampere in PARTS])
        solved = {start: self._solve(pybamm, name, start) for start in set(STARTS)}
        self.volt = np.stack([solved[start][0] for start in STARTS], axis=1)
        self.percent = np.stack([solved[start][1] for start in STARTS], axis=1)
        self.capacity_ah = solved[STARTS[0]][2]

    def _solve(self, pybamm, name, start):
        values = pybamm.ParameterValues(name)
        # Each step of the current takes one tenth of a cycle, so that it is over when the next sample comes.
        edges = np.flatnonzero(np.diff(self.current_a)) + 1
        at = np.sort(np.concatenate([[0.0], self.time_s[edges] - 0.1 * CYCLE_S, self.time_s[edges], self.time_s[-1:]]))
        ampere = np.interp(at, self.time_s, self.current_a)
        ampere[1:-1:2] = self.current_a[edges - 1]  # the corner before each step
        values["Current function [A]"] = pybamm.Interpolant(at, ampere, pybamm.t)
        model = pybamm.lithium_ion.SPMe()
        solution = pybamm.Simulation(model, parameter_values=values).solve(
            t_eval=at, t_interp=self.time_s, initial_soc=start
        )
        assert solution.t[-1] == pytest.approx(self.time_s[-1])  # no limit of the cell was met
        empty, full = (float(one) for one in pybamm.lithium_ion.get_min_max_stoichiometries(values)[:2])
        filled = solution["Negative electrode stoichiometry"](self.time_s)
        out_ah = float(solution["Discharge capacity [A.h]"](self.time_s[-1]))
        whole_ah = out_ah * (full - empty) / float(filled[0] - filled[-1])
        return solution["Terminal voltage [V]"](self.time_s), 100 * (filled - empty) / (full - empty), whole_ah

    def decoded(self, sheet, shown=None):
        return pack(self.time_s, self.current_a, self.volt[:, None, :], sheet, shown=shown)

    def row(self, time_ns):
        return round(time_ns / 1e9 / CYCLE_S)


@pytest.fixture(scope="module", params=sorted(CURVE_OF))
def simulated(request):
    os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
    pybamm = pytest.importorskip("pybamm", reason="PyBaMM is not installed (the extra 'simulation' brings it)")
    return Simulated(pybamm, request.param)


def test_rested_voltage_says_the_models_own_charge(simulated):
    channels, table = simulated.decoded(PackSheet(charge_curve=simulated.curve))
    rests, _ = rested_charges(channels, table)
    assert len(rests) >= 3
    for rest in rests:
        own = np.median(simulated.percent[simulated.row(rest.to_ns)])
        assert rest.low_percent < own < rest.high_percent
    assert min(rest.high_percent - rest.low_percent for rest in rests) < 6


def test_charge_over_change_of_state_is_the_models_own_capacity(simulated):
    channels, table = simulated.decoded(PackSheet(charge_curve=simulated.curve))
    found, reason = capacity(counted_charge(table.current, table.sign), rested_charges(channels, table)[0])
    assert reason == ""
    assert found.low_ah < simulated.capacity_ah < found.high_ah


def test_the_models_own_charge_is_sound_and_one_far_off_is_found(simulated):
    own = np.median(simulated.percent, axis=1)
    sheet = PackSheet(charge_curve=simulated.curve, capacity_ah=simulated.capacity_ah)
    assert list(charge_findings(*simulated.decoded(sheet, shown=own), {})) == []
    lost = charge_findings(*simulated.decoded(sheet, shown=np.clip(own - 25, 0, 100)), {})
    assert [one.code for one in lost] == ["charge-mismatch"]


def test_resistance_after_10_s_is_the_models_own_voltage_over_the_current(simulated):
    _, table = simulated.decoded(PackSheet())
    found = cell_resistances(table)
    edges = np.flatnonzero(np.diff(simulated.current_a)) + 1
    lasting = [at for at in edges if np.ptp(simulated.current_a[at : at + round(12 / CYCLE_S)]) == 0]
    later = [at + round(10 / CYCLE_S) for at in lasting]
    own = [
        -(simulated.volt[after] - simulated.volt[at - 1]) / (simulated.current_a[at] - simulated.current_a[at - 1])
        for at, after in zip(lasting, later, strict=True)
    ]
    assert found.ohm[found.after_s.index(10.0)] == pytest.approx(np.median(own, axis=0), rel=0.05)
