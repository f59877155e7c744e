"""Figures a person measures, against what is published about them."""

import pytest

from shared.field_measurements import gravity_at_reference, gravity_soc


@pytest.mark.parametrize(
    ("gravity", "soc_frac"), [(1.265, 1.0), (1.225, 0.75), (1.190, 0.50), (1.155, 0.25), (1.120, 0.0)]
)
def test_gravity_gives_the_charge_of_the_printed_table(gravity: float, soc_frac: float) -> None:
    # "State of charge measurement", two public pages, credited to Battery Council International (verified).
    assert gravity_soc(gravity) == pytest.approx(soc_frac)


def test_gravity_outside_the_table_is_full_or_empty() -> None:
    assert (gravity_soc(1.300), gravity_soc(1.050)) == (1.0, 0.0)


@pytest.mark.parametrize(("acid_f", "change"), [(80.0, 0.0), (90.0, 0.004), (100.0, 0.008), (60.0, -0.008)])
def test_gravity_is_corrected_by_four_points_for_each_ten_fahrenheit(acid_f: float, change: float) -> None:
    # Two public pages on hydrometers: 0.004 for each 10 F, from 80 F (verified).
    assert gravity_at_reference(1.200, (acid_f - 32.0) / 1.8) == pytest.approx(1.200 + change, abs=1e-9)
