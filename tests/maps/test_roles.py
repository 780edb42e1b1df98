import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.maps.pack_sheet import ChannelRule, PackSheet, Place
from decoder.maps.quantities import QUANTITIES
from decoder.maps.roles import Named, assign_roles
from decoder.printable import printable

ALONE = [
    ("Cell_1_03_V", "V", "cell voltage", Place(1, 3)),
    ("M2C03", "mV", "cell voltage", Place(2, 3)),
    ("Cell03_Mod2", "V", "cell voltage", Place(2, 3)),
    ("Zelle_12_Spannung", "V", "cell voltage", Place(cell=12)),
    ("ucell03", "volt", "cell voltage", Place(cell=3)),
    ("CellVoltage1_3", "V", "cell voltage", Place(1, 3)),
    ("Module4_V", "V", "module voltage", Place(4)),
    ("PackVoltage", "V", "pack voltage", Place()),
    ("HighVoltage", "V", "pack voltage", Place()),
    ("U_Batt_total", "V", "pack voltage", Place()),
    ("PackTerminalVoltage", "V", "pack voltage", Place()),
    ("DcLinkVoltage", "V", "link voltage", Place()),
    ("InverterVoltage", "V", "link voltage", Place()),
    ("Supply12V", "V", "supply voltage", Place()),
    ("Batt_12V", "V", "supply voltage", Place()),
    ("KL30_V", "V", "supply voltage", Place()),
    ("AuxSupply2", "V", "supply voltage", Place(sensor=2)),
    ("KeepAliveVoltage", "V", "keep-alive voltage", Place()),
    ("BackupCell2_V", "V", "keep-alive voltage", Place(cell=2)),
    ("PackCurrent", "A", "pack current", Place()),
    ("I_Batt", "mA", "pack current", Place()),
    ("MaxDischargeCurrent", "A", "current limit", Place()),
    ("ChargeCurrentLimit", "A", "current limit", Place()),
    ("SoC", "%", "state of charge", Place()),
    ("StateOfCharge", "%", "state of charge", Place()),
    ("SOH_Pack", "%", "state of health", Place()),
    ("CellTemp_1_03", "°C", "cell temperature", Place(1, 3)),
    ("Mod3_Temp2", "degC", "module temperature", Place(3, sensor=2)),
    ("ModTemp3", "C", "module temperature", Place(3)),
    ("NTC_04", "°C", "module temperature", Place(sensor=4)),
    ("T_7", "K", "module temperature", Place(sensor=7)),
    ("CoolantInletTemp", "°C", "coolant temperature", Place(sensor="inlet")),
    ("Outlet_T", "°C", "coolant temperature", Place(sensor="outlet")),
    ("R_iso", "kΩ", "insulation resistance", Place()),
    ("InsulationPlus", "Mohm", "insulation resistance", Place(sensor="positive")),
    ("ContactorMainPlus", "", "contactor", Place(sensor="positive")),
    ("MainMinusClosed", "", "contactor", Place(sensor="negative")),
    ("PrechargeRelay", "", "contactor", Place(sensor="precharge")),
    ("HVIL_State", "", "interlock", Place()),
    ("Balancing_1_03", "", "balancing", Place(1, 3)),
    ("SwellPressure_M3", "kPa", "swelling pressure", Place(3)),
    ("Press_2", "mbar", "swelling pressure", Place(sensor=2)),
    ("BMS_Alive", "", "alive counter", Place()),
    ("MsgCnt", "-", "alive counter", Place()),
    ("RollingCounter", "", "alive counter", Place()),
    ("CellPages_Alive", "", "alive counter", Place()),
    ("Contactors_Check", "", "check", Place()),
    ("Frame_CRC", "", "check", Place()),
    ("ChkSum", "", "check", Place()),
    ("DischargePowerLimit", "kW", "power limit", Place()),
    ("PackVoltage_V", "", "pack voltage", Place()),
]


@pytest.mark.parametrize(("name", "unit", "quantity", "place"), ALONE, ids=[row[0] for row in ALONE])
def test_unit_and_words_say_what_a_channel_is(name, unit, quantity, place):
    (role,) = assign_roles([Named(name, unit)], None)
    assert (role.quantity, role.place) == (quantity, place)
    assert role.rule


def test_the_names_above_reach_every_quantity():
    assert {row[2] for row in ALONE} == {row.name for row in QUANTITIES}


NOT_TAKEN = [
    ("CellMin_V", "V", "Min"),
    ("MaxCellVoltage", "V", "Max"),
    ("maxcellvoltage", "V", "max"),
    ("CellVoltageAvg", "mV", "Avg"),
    ("Cell_V_Mean", "V", "Mean"),
    ("CellVoltageSpread", "V", "Spread"),
    ("HighestCellVoltage", "V", "Highest"),
    ("CellTempMax", "°C", "Max"),
    ("Mod1_Temp_Min", "°C", "Min"),
    ("SOC_Min", "%", "Min"),
    ("ChargerCurrent", "A", "Charger"),
    ("ContactorRequest", "", "Request"),
    ("CellBalancingVoltage_3", "V", "Balancing"),
    ("AmbientTemp1", "°C", "Ambient"),
    ("Pack_Energy", "Ah", "unit 'Ah'"),
    ("KeepAliveState", "", "no unit"),
    ("BalancingFlags_Module", "", "Module"),
    ("Contactor_Index", "", "Index"),
    ("Gearbox_T_1", "°C", "unit °C"),
    ("ChargeCycleCounter", "", "Charge"),
    ("PackVoltage", "A/s", "unit 'A/s'"),
]


@pytest.mark.parametrize(("name", "unit", "why"), NOT_TAKEN, ids=[row[0] for row in NOT_TAKEN])
def test_what_is_no_sensor_s_own_value_is_not_taken_for_one(name, unit, why):
    (role,) = assign_roles([Named(name, unit)], None)
    assert role.quantity is None
    assert role.place == Place()
    assert why in role.rule


def places(names, unit="V", sheet=None, messages=None):
    messages = messages or [""] * len(names)
    channels = [Named(name, unit, message) for name, message in zip(names, messages, strict=True)]
    return [role.place for role in assign_roles(channels, sheet)]


def test_numbers_from_zero_are_shifted_and_the_rule_says_so():
    names = [f"Cell_{module}_{cell:02}_V" for module in (0, 1) for cell in (0, 1, 13)]
    roles = assign_roles([Named(name, "V") for name in names], None)
    assert [role.place for role in roles] == [Place(m, c) for m in (1, 2) for c in (1, 2, 14)]
    assert all("cells count from 0" in role.rule and "modules count from 0" in role.rule for role in roles)


def test_cells_from_one_in_modules_from_zero():
    assert places(["Cell_0_1_V", "Cell_1_1_V"]) == [Place(1, 1), Place(2, 1)]


def test_modules_are_counted_alike_in_all_names():
    roles = assign_roles([Named("Mod0_V", "V"), Named("Mod1_Temp", "°C"), Named("Mod3_Temp", "°C")], None)
    assert [role.place.module for role in roles] == [1, 2, 4]


def test_running_cells_become_module_and_cell_with_the_sheet():
    sheet = PackSheet(cells_in_series=30, modules=3, cells_per_module=(14, 14, 2))
    names = [f"CellV{number:02}" for number in (1, 14, 15, 28, 29, 30, 31)]
    expected = [Place(1, 1), Place(1, 14), Place(2, 1), Place(2, 14), Place(3, 1), Place(3, 2), Place(cell=31)]
    assert places(names, sheet=sheet) == expected
    assert places(names)[2] == Place(cell=15)


def test_running_cells_from_zero():
    sheet = PackSheet(cells_per_module=(2, 2))
    assert places([f"Cell{number}" for number in range(4)], sheet=sheet) == [
        Place(1, 1),
        Place(1, 2),
        Place(2, 1),
        Place(2, 2),
    ]


def test_module_numbers_in_message_names():
    assert places(["Cell1", "Cell2"] * 2, messages=["Mod1_Cells", "Mod1_Cells", "Mod2_Cells", "Mod2_Cells"]) == [
        Place(1, 1),
        Place(1, 2),
        Place(2, 1),
        Place(2, 2),
    ]


def test_cells_that_run_on_from_message_to_message_are_counted_within_their_module():
    names = [f"Cell{number}" for number in range(1, 7)]
    messages = [f"Module{number}" for number in (1, 1, 1, 2, 2, 2)]
    assert places(names, messages=messages) == [Place(m, c) for m in (1, 2) for c in (1, 2, 3)]


def test_two_channels_never_get_one_place_from_the_same_kind_of_name():
    roles = assign_roles([Named(f"F{n}.Cell1", "V", f"F{n}") for n in (1, 2)], None)
    assert [role.place for role in roles] == [Place(), Place()]
    assert all("place is left open" in role.rule for role in roles)
    assert [role.quantity for role in roles] == ["cell voltage"] * 2


def test_the_same_names_on_two_buses_keep_their_places():
    assert places(["a:Cell1", "b:Cell1"]) == [Place(cell=1)] * 2


def test_a_controller_s_number_is_no_module():
    assert places(["BMS1_Cell_1", "BMS1_Cell_2"]) == [Place(cell=1), Place(cell=2)]
    assert places(["CMU1_Cell1", "CMU1_Cell2", "CMU2_Cell1"]) == [Place(1, 1), Place(1, 2), Place(2, 1)]
    assert places(["BMS1_Cell_1_1", "BMS1_Cell_2_1"]) == [Place(1, 1), Place(2, 1)]


def test_numbers_that_cannot_be_told_apart_leave_the_place_open():
    roles = assign_roles([Named(f"Cell_{a}_{b}_{c}", "V") for a, b, c in ((1, 1, 1), (2, 2, 2))], None)
    assert [role.place for role in roles] == [Place(), Place()]
    assert all("more numbers" in role.rule for role in roles)
    assert places(["Cell3_CMU1", "Cell3_CMU2"]) == [Place(), Place()]
    assert places(["Cell3_CMU1", "Cell4_CMU1"]) == [Place(cell=3), Place(cell=4)]


def test_state_of_charge_of_a_module_has_a_place():
    assert places(["Module2_SOC"], "%") == [Place(2)]


def test_numbered_contactors():
    assert places(["Contactor1", "Contactor2"], "") == [Place(sensor=1), Place(sensor=2)]


def test_fewer_cell_temperatures_than_cells_keep_their_own_numbers():
    sheet = PackSheet(cells_per_module=(2, 2))
    assert places(["CellTemp1", "CellTemp2"], "°C", sheet) == [Place(sensor=1), Place(sensor=2)]
    assert places([f"CellTemp{n}" for n in (1, 2, 3, 4)], "°C", sheet)[3] == Place(2, 2)


def test_pages_number_the_cells_where_the_name_does_not():
    assert places(["CellV@0", "CellV@1", "CellV@2"]) == [Place(cell=n) for n in (1, 2, 3)]


def test_the_message_says_what_a_bare_voltage_is_of():
    (role,) = assign_roles([Named("Voltage", "V", "BatteryStatus")], None)
    assert role.quantity == "pack voltage"
    assert "message" in role.rule
    (other,) = assign_roles([Named("GateVoltage", "V", "BatteryStatus")], None)
    assert other.quantity is None


SHEET = PackSheet(
    modules=6,
    cells_per_module=(14,) * 6,
    rules=(
        ChannelRule("Odd*", quantity="other", line=3),
        ChannelRule("X{module}Y{cell}", quantity="cell voltage", low=2.8, high=4.2, absent=(), cycle_s=0.1, line=7),
        ChannelRule("MainPlus", quantity="contactor", sensor="positive", line=15),
        ChannelRule("Z{cell}", quantity="cell voltage", line=18),
        ChannelRule("*_Rolling", modulus=15, line=20),
        ChannelRule("CellLow_1_2", low=3.1, line=22),
        ChannelRule("", quantity="cell voltage", low=2.5, high=4.1, cycle_s=0.5, line=25),
        ChannelRule("", quantity="pack voltage", high=400, line=30),
    ),
)


def role(name, unit="V", sheet=SHEET):
    return assign_roles([Named(name, unit)], sheet)[0]


def test_the_sheet_comes_before_the_name():
    found = role("X02Y14")
    assert (found.quantity, found.place) == ("cell voltage", Place(2, 14))
    assert (found.low, found.high, found.absent, found.cycle_s) == (2.8, 4.2, (), 0.1)
    assert found.limits_from == "sheet line 7"
    assert "line 7" in found.rule
    assert role("MainPlus", "").place == Place(sensor="positive")


def test_the_sheet_s_running_cells_become_module_and_cell():
    assert role("Z15").place == Place(2, 1)


def test_other_means_none_of_the_quantities():
    assert role("OddCell_1_2").quantity is None
    assert "line 3" in role("OddCell_1_2").rule


def test_what_a_rule_leaves_out_comes_from_unit_and_name():
    found = role("Pack_Rolling", "")
    assert (found.quantity, found.modulus) == ("alive counter", 15)


def test_limits_of_a_quantity_fill_what_no_other_rule_gives():
    found = role("Cell_1_03_V")
    assert (found.low, found.high, found.cycle_s, found.limits_from) == (2.5, 4.1, 0.5, "sheet line 25")
    assert role("Z15").high == 4.1
    assert role("X2Y1").high == 4.2
    assert role("PackVoltage").high == 400
    assert role("PackVoltage").low is None


def test_limits_from_two_rules_name_both():
    sheet = PackSheet(
        rules=(ChannelRule("Cell_1", low=3.0, line=4), ChannelRule("", quantity="cell voltage", high=4.0, line=9))
    )
    assert role("Cell_1", sheet=sheet).limits_from == "sheet line 4 and line 9"


def test_a_place_beyond_the_pack_is_told():
    assert "6 modules" in role("X7Y1").rule
    assert "14 cells" in role("X1Y15").rule


def test_a_single_bit_is_no_check_and_no_counter():
    roles = assign_roles([Named("SelfCheck", "", bits=1), Named("Cell3_Alive", "", bits=1)], None)
    assert [each.quantity for each in roles] == [None, None]
    assert assign_roles([Named("SelfCheck", "", bits=8)], None)[0].quantity == "check"


def test_a_unit_that_cannot_be_is_told():
    assert "cannot be compared" in role("X1Y1", "rpm").rule


def test_a_sheet_s_numbers_from_zero_are_shifted():
    found = assign_roles([Named(f"X0Y{cell}", "V") for cell in (0, 13)], SHEET)
    assert [each.place for each in found] == [Place(1, 1), Place(1, 14)]


def test_control_characters_of_a_name_or_unit_never_reach_the_rule():
    (found,) = assign_roles([Named("Cell\x1b[31m_1", "V\x1b")], None)
    assert found.rule.isprintable()


names = st.one_of(
    st.text(max_size=30),
    st.from_regex(r"\A(Cell|Mod|Temp|Max|M|C|T|Pack|KL|12V|_|[0-9]{1,3}|@|\.|:){1,7}\Z"),
)
units = st.sampled_from(["V", "mV", "A", "%", "°C", "kohm", "kPa", "kW", "", "Ah"]) | st.text(max_size=5)
channels = st.lists(
    st.builds(Named, names, units, names, st.booleans(), st.integers(0, 64)), max_size=12, unique_by=lambda c: c.name
)


@given(channels, st.sampled_from([None, SHEET]))
def test_any_names_get_roles_with_places_from_one(given_channels, sheet):
    found = assign_roles(given_channels, sheet)
    assert len(found) == len(given_channels)
    for each in found:
        assert printable(each.rule) == each.rule
        assert each.place.module is None or each.place.module >= 1
        assert each.place.cell is None or each.place.cell >= 1
        assert each.quantity is not None or each.place == Place()


@given(channels, st.randoms(use_true_random=False))
def test_roles_do_not_depend_on_the_order_of_channels(given_channels, random):
    shuffled = list(given_channels)
    random.shuffle(shuffled)
    expected = dict(zip(given_channels, assign_roles(given_channels, None), strict=True))
    assert dict(zip(shuffled, assign_roles(shuffled, None), strict=True)) == expected


def test_two_thousand_channels_keep_their_places():
    many = [Named(f"Cell_{m}_{c:02}_V", "V", f"Cells{m}") for m in range(1, 101) for c in range(1, 21)]
    found = assign_roles(many, SHEET)
    assert found[-1].place == Place(100, 20)
