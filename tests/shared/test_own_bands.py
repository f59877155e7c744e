"""The owner's own figures in place of the published ones."""

import pytest

from shared.charge import ChargeFilter
from shared.chemistry import CHEMISTRIES
from shared.own_bands import chemistry_of
from shared.rest_voltage import lead_rest_v
from shared.site import Bank


def bank(chemistry: str = "agm", **own: float) -> Bank:
    cells = 4 if chemistry == "lifepo4" else 6
    return Bank(chemistry, 24.0, cells, 0.5, 14.2, 13.5, 0.0, **own)


def test_nothing_given_leaves_the_published_bands() -> None:
    for name, row in CHEMISTRIES.items():
        assert chemistry_of(bank(name)) == row


def test_the_rest_line_runs_through_the_owners_voltages() -> None:
    row = chemistry_of(bank(rest_full_v=12.95, rest_half_v=12.30))
    assert lead_rest_v(row, 6, 0.0, 25.0) == pytest.approx(12.95)
    assert lead_rest_v(row, 6, 0.5, 25.0) == pytest.approx(12.30)
    assert row.full_v_cell.sigma < CHEMISTRIES["agm"].full_v_cell.sigma


def test_a_known_rest_line_makes_an_unknown_start_surer() -> None:
    made = [ChargeFilter(bank()), ChargeFilter(bank(rest_full_v=12.90, rest_half_v=12.30))]
    for one in made:
        for i in range(4000):
            one.step(10.0 * i, 12.55, -0.1, -0.1 * i / 360.0, 25.0, 25.0, 0.0)
    assert made[1].soc_sigma < 0.8 * made[0].soc_sigma


def test_capacity_and_resistance_are_the_owners() -> None:
    made = ChargeFilter(bank(health_frac=0.75, resistance_ohm=0.04))
    assert made.capacity_ah == pytest.approx(18.0)
    assert made.capacity_sigma_ah < 0.5 * ChargeFilter(bank()).capacity_sigma_ah
    assert made.belief.chemistry.ohm_ah.value == pytest.approx(0.96)
    assert chemistry_of(bank("lifepo4", efficiency_frac=0.99)).efficiency.value == 0.99
