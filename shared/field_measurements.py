"""What a person can measure at the bank, and how the estimate takes it: as an observation with an error of its own.

Every kind is a row. Nothing measured replaces the estimate: it is weighed against what is known
already, and what is far off is believed less.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from attrs import frozen

from shared.charge import ChargeFilter
from shared.chemistry import CHEMISTRIES
from shared.rest_voltage import curve_v
from shared.site import Bank

SEALED = "this bank is sealed: there is no acid to draw, and it must not be opened"

# Specific gravity of a rested, flooded cell against its charge, (fraction, at 80 F), full at 1.265: table on two
# public pages, credited to Battery Council International, verified.
GRAVITIES = ((0.0, 1.120), (0.25, 1.155), (0.50, 1.190), (0.75, 1.225), (1.0, 1.265))
# Three published tables part by 10 to 25 points at 1.190, so a gravity alone tells no better than this: judgement.
GRAVITY_SIGMA = 0.10
GRAVITY_REFERENCE_C = (80.0 - 32.0) / 1.8
GRAVITY_PER_K = 0.004 / (10.0 / 1.8)  # +0.004 for each 10 F above 80 F: two public pages, verified


@frozen
class FieldMeasurement:
    """One kind of measurement.

    Attributes:
        name: as on the command line.
        unit: of value and error, as shown; a share is a share of 1.
        least, most: what can be true of `bank`, given as factors of `reference`.
        reference: what least and most are factors of.
        error: standard error when the person names none; see the rows for where it is from.
        error_least, error_most: what an error may be.
        refuse: why this bank can't be measured so, or None.
        observe: tells the estimate: filter, value, error, bank's temperature or None.
        how: what to do for the figure to mean something.
    """

    name: str
    unit: str
    least: float
    most: float
    reference: Callable[[Bank], float]
    error: Callable[[Bank], float]
    error_least: float
    error_most: float
    refuse: Callable[[Bank], str | None]
    observe: Callable[[ChargeFilter, float, float, float | None], None]
    how: str

    def why_not(self, bank: Bank, value: float, error: float) -> str | None:
        """Say why this can't be true of this bank, or None."""
        refused = self.refuse(bank)
        if refused is not None:
            return refused
        scale = self.reference(bank)
        least, most = self.least * scale, self.most * scale
        if not least <= value <= most:
            return f"{self.name} {value:g} {self.unit}".rstrip() + f" can't be: it lies between {least:g} and {most:g}"
        if not self.error_least * scale <= error <= self.error_most * scale:
            return (
                f"error {error:g} {self.unit}".rstrip()
                + f" is not between {self.error_least * scale:g} and {self.error_most * scale:g}"
            )
        return None


def gravity_at_reference(gravity: float, acid_c: float) -> float:
    """Specific gravity as it would be at 80 F.

    Args:
        gravity: as read on the hydrometer.
        acid_c: temperature of the acid, C.
    Source: 0.004 for each 10 F, see GRAVITY_PER_K.
    """
    return gravity + GRAVITY_PER_K * (acid_c - GRAVITY_REFERENCE_C)


def gravity_soc(gravity: float) -> float:
    """State of charge of a flooded bank by its specific gravity at 80 F, 0..1; see GRAVITIES."""
    points = tuple((at_gravity, soc) for soc, at_gravity in GRAVITIES)
    return curve_v(points, gravity)


def _one(bank: Bank) -> float:
    return 1.0


def _no_objection(bank: Bank) -> str | None:
    return None


def _only_flooded(bank: Bank) -> str | None:
    return None if bank.chemistry == "flooded" else SEALED


def _full_v(bank: Bank) -> float:
    return CHEMISTRIES[bank.chemistry].full_v_cell.value * bank.cells


def _observe_soc(charge: ChargeFilter, soc_frac: float, sigma: float, bank_c: float | None) -> None:
    charge.measured(soc_frac, sigma)


def _observe_rest(charge: ChargeFilter, bank_v: float, sigma_v: float, bank_c: float | None) -> None:
    charge.measured_rest(bank_v, sigma_v, bank_c)


def _observe_gravity(charge: ChargeFilter, gravity: float, sigma: float, bank_c: float | None) -> None:
    acid_c = bank_c if bank_c is not None else charge.bank_c
    at_reference = gravity if acid_c is None else gravity_at_reference(gravity, acid_c)
    per_gravity = 0.25 / 0.035  # charge for each unit of gravity, in the middle of the table
    charge.measured(gravity_soc(at_reference), (GRAVITY_SIGMA**2 + (per_gravity * sigma) ** 2) ** 0.5)


def _observe_capacity(charge: ChargeFilter, capacity_ah: float, sigma_ah: float, bank_c: float | None) -> None:
    charge.measured_capacity(capacity_ah, sigma_ah)


_ROWS = (
    FieldMeasurement(
        name="soc", unit="", least=0.0, most=1.0, reference=_one,
        error=lambda bank: 0.05, error_least=0.005, error_most=0.5,
        refuse=_no_objection, observe=_observe_soc,
        how="the charge as you know it by other means, for instance full after a whole day of float",
    ),
    FieldMeasurement(
        name="rest-voltage", unit="V", least=0.75, most=1.15, reference=_full_v,
        error=lambda bank: 0.02 * bank.cells / 6.0, error_least=0.0001, error_most=0.05,
        refuse=_no_objection, observe=_observe_rest,
        how="at the bank's own posts, after 4 h or more with nothing connected",
    ),
    FieldMeasurement(
        name="gravity", unit="", least=1.000, most=1.350, reference=_one,
        error=lambda bank: 0.005, error_least=0.0005, error_most=0.05,
        refuse=_only_flooded, observe=_observe_gravity,
        how="mean of the cells; give the acid's temperature. Goggles and gloves; sparks and flames away",
    ),
    FieldMeasurement(
        name="capacity", unit="Ah", least=0.1, most=1.5, reference=lambda bank: bank.capacity_ah,
        error=lambda bank: 0.03 * bank.capacity_ah, error_least=0.002, error_most=0.3,
        refuse=_no_objection, observe=_observe_capacity,
        how="taken out from full down to the end voltage, at about the 20 h rate, brought to 25 C",
    ),
)  # fmt: skip

# The default errors are judgement: 5 points, a hand-held meter's 20 mV at 12 V, half a mark of a hydrometer, and
# 3 per cent of the nameplate for a discharge test.
MEASUREMENTS: Mapping[str, FieldMeasurement] = MappingProxyType({row.name: row for row in _ROWS})
