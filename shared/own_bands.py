"""The published bands, narrowed by what an owner read on the maker's own sheet or measured.

Each figure of `shared.site.Bank` that is given replaces the band's middle, with the error such a figure has.
"""

from attrs import evolve

from shared.chemistry import CHEMISTRIES, Band, Chemistry
from shared.site import Bank

# Standard errors of a maker's figures for one's own bank: judgement.
_REST_V_CELL = 0.03 / 6
_FALL_V_CELL = 0.06 / 6
_HEALTH = 0.06
_EFFICIENCY = 0.005
_RESISTANCE = 0.12


def chemistry_of(bank: Bank) -> Chemistry:
    """The chemistry's row with the owner's own figures in it, where there are any."""
    row = CHEMISTRIES[bank.chemistry]
    if bank.health_frac is not None:
        row = evolve(row, health=Band(bank.health_frac, _HEALTH))
    if bank.efficiency_frac is not None:
        row = evolve(row, efficiency=Band(bank.efficiency_frac, _EFFICIENCY))
    if bank.resistance_ohm is not None:
        ohm_ah = bank.resistance_ohm * bank.capacity_ah * 6.0 / bank.cells
        row = evolve(row, ohm_ah=Band(ohm_ah, _RESISTANCE))
    return row if row.rest_points else _own_line(row, bank)


def _own_line(row: Chemistry, bank: Bank) -> Chemistry:
    """Lead-acid: the rest line through the owner's voltages, full and at half the nameplate."""
    full, fall = row.full_v_cell, row.fall_v_cell
    if bank.rest_full_v is not None:
        full = Band(bank.rest_full_v / bank.cells, _REST_V_CELL)
    if bank.rest_half_v is not None:
        fall = Band(2.0 * (full.value - bank.rest_half_v / bank.cells), _FALL_V_CELL)
    return evolve(row, full_v_cell=full, fall_v_cell=fall)
