import pytest

from decoder.maps.quantities import QUANTITIES, quantity
from decoder.maps.units import unit_of

NAMES = """cell voltage, module voltage, pack voltage, link voltage, pack current, state of charge, state of health,
cell temperature, module temperature, coolant temperature, insulation resistance, contactor, interlock,
supply voltage, keep-alive voltage, swelling pressure, balancing, power limit, current limit, alive counter, check"""


def test_the_list_of_quantities_is_closed():
    assert {row.name for row in QUANTITIES} == {name.strip() for name in NAMES.replace("\n", " ").split(",")}
    assert len({row.name for row in QUANTITIES}) == len(QUANTITIES)


def test_a_quantity_is_found_by_its_name_only():
    assert all(quantity(row.name) is row for row in QUANTITIES)
    with pytest.raises(KeyError):
        quantity("Cell voltage")


def test_units_are_spelled_as_results_spell_them():
    assert {row.unit for row in QUANTITIES} <= {"V", "A", "%", "degC", "kohm", "kPa", "kW", ""}
    assert all(unit_of(row.unit) for row in QUANTITIES if row.unit)


def test_only_quantities_with_a_unit_have_a_range():
    assert all((row.plausible is None) == (row.unit == "") for row in QUANTITIES)
    assert all(row.plausible[0] < row.plausible[1] for row in QUANTITIES if row.plausible)


def test_quantities_of_one_page_stand_together():
    pages = [row.page for row in QUANTITIES]
    changes = [page for page, before in zip(pages, [None, *pages], strict=False) if page != before]
    assert len(changes) == len(set(changes))


@pytest.mark.parametrize(
    ("name", "raw_all_ones"),
    [("cell voltage", 65.535), ("module temperature", 255 - 40), ("insulation resistance", 65_535)],
)
def test_all_ones_of_a_usual_scale_cannot_be_a_measurement(name, raw_all_ones):
    assert not quantity(name).plausible[0] <= raw_all_ones <= quantity(name).plausible[1]
