"""A person's measurements as the estimate takes them."""

import pytest

from shared.charge import ChargeFilter
from shared.field_measurements import MEASUREMENTS, SEALED
from shared.site import Bank

FLOODED = Bank("flooded", 100.0, 6, 0.5, 14.6, 13.5, -0.03)
AGM = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
LITHIUM = Bank("lifepo4", 100.0, 4, 0.3, 14.2, 13.6)
BANKS = {"flooded": FLOODED, "agm": AGM, "lifepo4": LITHIUM}


def observed(
    bank: Bank, name: str, value: float, error: float | None = None, bank_c: float | None = 25.0
) -> ChargeFilter:
    charge = ChargeFilter(bank)
    row = MEASUREMENTS[name]
    error = row.error(bank) if error is None else error
    assert row.why_not(bank, value, error) is None
    row.observe(charge, value, error, bank_c)
    return charge


@pytest.mark.parametrize("soc_frac", [0.0, 0.3, 0.8, 1.0])
def test_a_charge_that_is_told_is_weighed_against_an_unknown_start(soc_frac: float) -> None:
    charge = observed(AGM, "soc", soc_frac, 0.02)
    assert abs(charge.soc_frac - soc_frac) < 0.05
    assert charge.soc_sigma < 0.03


# The middle of each published band at half charge: 12.24 V (table credited to BCI), 12.30 V (AGM band, from memory).
@pytest.mark.parametrize(("name", "rest_v"), [("flooded", 12.24), ("agm", 12.30)])
def test_a_rest_voltage_says_about_half_and_how_unsure_it_is(name: str, rest_v: float) -> None:
    fresh = ChargeFilter(BANKS[name])
    charge = observed(BANKS[name], "rest-voltage", rest_v)
    assert abs(charge.soc_frac - 0.5) < 0.12
    assert 0.04 < charge.soc_sigma < fresh.soc_sigma


def test_the_same_rest_voltage_again_and_again_does_not_make_the_published_band_sure() -> None:
    """What makers differ by stays, however often one bank is measured."""
    charge = observed(AGM, "rest-voltage", 12.3)
    for _ in range(50):
        charge.measured_rest(12.3, 0.02, 25.0)
    assert charge.soc_sigma > 0.04


def test_a_worse_meter_tells_less() -> None:
    good, poor = observed(AGM, "rest-voltage", 12.3, 0.005), observed(AGM, "rest-voltage", 12.3, 0.3)
    assert good.soc_sigma < poor.soc_sigma


def test_gravity_counts_for_an_open_bank_only() -> None:
    charge = observed(FLOODED, "gravity", 1.190, bank_c=80.0 / 1.8 - 32.0 / 1.8)
    assert abs(charge.soc_frac - 0.5) < 0.06
    assert charge.soc_sigma > 0.08, "the tables part by more"
    assert MEASUREMENTS["gravity"].why_not(AGM, 1.19, 0.005) == SEALED


def test_gravity_read_warm_is_a_fuller_bank() -> None:
    assert observed(FLOODED, "gravity", 1.190, bank_c=40.0).soc_frac > observed(FLOODED, "gravity", 1.190).soc_frac


def test_a_discharge_test_teaches_the_capacity() -> None:
    charge = observed(AGM, "capacity", 17.5)
    assert charge.capacity_ah == pytest.approx(17.5, abs=0.7)
    assert charge.capacity_sigma_ah < 0.03 * 24.0


@pytest.mark.parametrize(
    ("name", "value", "error"),
    [
        ("soc", 1.2, 0.05),
        ("soc", 0.5, 0.0),
        ("rest-voltage", 24.6, 0.02),
        ("rest-voltage", 12.6, 3.0),
        ("gravity", 2.0, 0.005),
        ("capacity", 240.0, 1.0),
        ("capacity", 20.0, float("nan")),
        ("soc", float("nan"), 0.05),
    ],
)
def test_what_cannot_be_is_refused_in_words(name: str, value: float, error: float) -> None:
    bank = FLOODED if name == "gravity" else AGM
    assert MEASUREMENTS[name].why_not(bank, value, error)


@pytest.mark.parametrize("bank", BANKS.values(), ids=list(BANKS))
def test_every_chemistry_takes_every_measurement_it_allows(bank: Bank) -> None:
    for row in MEASUREMENTS.values():
        if row.refuse(bank) is None:
            middle = 0.5 * (row.least + row.most) * row.reference(bank)
            charge = observed(bank, row.name, middle)
            assert 0.0 <= charge.soc_frac <= 1.0
            assert charge.soc_sigma > 0.0
