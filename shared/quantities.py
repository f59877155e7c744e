"""The quantities halfmark knows: name, unit, and the range in which a value can be true.

The ranges are the widest a small 12 to 48 V site can show; a register map may narrow them for one
device. Their limits are engineering judgement (common practice, no source), not physical constants.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that is measured.

    `join` says what several instruments that give it mean: "sum" adds them up (two charge
    controllers), "one" needs a preferred source. `step` is the resolution kept in the record,
    in the quantity's unit: finer digits are noise for every instrument we expect.
    """

    name: str
    unit: str
    label: str
    least: float
    most: float
    step: float
    join: str = "one"


_ROWS = (
    Quantity("bank_v", "V", "bank voltage", 0.0, 80.0, 0.001),
    Quantity("bank_a", "A", "bank current", -500.0, 500.0, 0.001),
    Quantity("bank_ah_counter", "Ah", "bank charge counter", -1e6, 1e6, 0.001),
    Quantity("bank_c", "C", "bank temperature", -55.0, 110.0, 0.01),
    Quantity("panel_v", "V", "panel voltage", 0.0, 250.0, 0.01),
    Quantity("panel_a", "A", "panel current", -1.0, 200.0, 0.001, "sum"),
    Quantity("panel_w", "W", "panel power", -5.0, 20_000.0, 0.01, "sum"),
    Quantity("charge_a", "A", "charge current", -2.0, 300.0, 0.001, "sum"),
    Quantity("controller_c", "C", "controller temperature", -55.0, 150.0, 0.01),
    Quantity("enclosure_c", "C", "enclosure temperature", -55.0, 110.0, 0.01),
    Quantity("enclosure_rh", "%", "enclosure humidity", 0.0, 100.0, 0.1),
    Quantity("computer_c", "C", "computer temperature", -55.0, 130.0, 0.01),
    Quantity("computer_a", "A", "computer current", 0.0, 20.0, 0.001),
    Quantity("load_a", "A", "load current", 0.0, 300.0, 0.001, "sum"),
    Quantity("load_v", "V", "load voltage", 0.0, 80.0, 0.001),
    Quantity("door", "", "door open", 0.0, 1.0, 1.0),
    Quantity("soc_frac", "", "state of charge", 0.0, 1.0, 0.0001),
    Quantity("soc_sigma", "", "error of the state of charge", 0.0, 1.0, 0.0001),
)

QUANTITIES: Mapping[str, Quantity] = MappingProxyType({row.name: row for row in _ROWS})

# Worked out by the service, never read from an instrument.
ESTIMATED = ("soc_frac", "soc_sigma")

# The five places a current can flow between, and where each current flows unless the site says otherwise.
PLACES = ("panel", "controller", "bank", "loads", "computer")
