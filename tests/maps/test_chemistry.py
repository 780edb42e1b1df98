import numpy as np
import pytest

from decoder.errors import SheetError
from decoder.maps.chemistry import CURVES, WINDOWS, charge_curve, curves_of, window
from decoder.maps.pack_sheet import PackSheet


@pytest.mark.parametrize("chemistry", ["NMC", "NCA", "LFP", "LTO", "NiMH"])
def test_each_chemistry_has_a_window_with_its_source(chemistry):
    row = window(chemistry)
    assert 0 < row.low_v < row.nominal_v < row.high_v
    assert row.source


def test_an_unknown_chemistry_has_no_window():
    with pytest.raises(KeyError):
        window("unobtainium")


@pytest.mark.parametrize("curve", CURVES.values(), ids=lambda curve: curve.name)
def test_a_built_in_curve_rises_within_its_chemistry_s_window(curve):
    assert len(curve.charge_percent) == len(curve.volt) == 14
    assert (np.diff(curve.charge_percent) > 0).all()
    assert (np.diff(curve.volt) > 0).all()
    assert WINDOWS[curve.chemistry].low_v <= curve.volt[0]
    assert curve.volt[-1] <= WINDOWS[curve.chemistry].high_v


def test_lfp_moves_62_mv_from_40_to_90_percent():
    # Prada et al. 2013: the flat middle is what makes voltage say little about charge.
    percent, volt = charge_curve(PackSheet(charge_curve="LFP"))
    assert np.interp(90, percent, volt) - np.interp(40, percent, volt) == pytest.approx(0.061, abs=0.0015)


def test_curves_of_a_chemistry():
    assert {curve.name for curve in curves_of("NMC")} == {"NMC811", "NMC532"}
    assert curves_of("LTO") == ()


def test_no_curve_named_is_no_curve():
    assert charge_curve(PackSheet(chemistry="NMC")) is None


def test_a_curve_file_is_found_beside_the_sheet(tmp_path):
    (tmp_path / "own.csv").write_text("note,voltage,charge_percent\nempty,3.0,0\n\nfull,4.1,100\n")
    percent, volt = charge_curve(PackSheet(charge_curve="own.csv", path=str(tmp_path / "pack.toml")))
    assert percent.tolist() == [0, 100]
    assert volt.tolist() == [3.0, 4.1]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", 1),
        ("percent,voltage\n0,3\n", 1),
        ("charge_percent,voltage\n0,3\n", 2),
        ("charge_percent,voltage\n0,3\n50,x\n", 3),
        ("charge_percent,voltage\n0,3\n50\n", 3),
        ("charge_percent,voltage\n0,3\n50,nan\n", 3),
        ("charge_percent,voltage\n0,3\n150,4\n", 3),
        ("charge_percent,voltage\n0,3\n50,4\n40,4.1\n", 4),
        ("charge_percent,voltage\n0,3\n50,4\n60,3.9\n", 4),
    ],
)
def test_a_wrong_curve_file_gives_its_line(tmp_path, text, line):
    (tmp_path / "own.csv").write_text(text)
    with pytest.raises(SheetError) as caught:
        charge_curve(PackSheet(charge_curve="own.csv", path=str(tmp_path / "pack.toml")))
    assert caught.value.where.line == line
    assert "charge_percent,voltage" in caught.value.expected


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"])
def test_a_curve_file_that_cannot_be_read(tmp_path, content):
    if content is not None:
        (tmp_path / "own.csv").write_bytes(content)
    with pytest.raises(SheetError, match="cannot read"):
        charge_curve(PackSheet(charge_curve="own.csv", path=str(tmp_path / "pack.toml")))
