"""What is published about the four battery chemistries, as data with sources and bands.

Every value is a prior with a spread, never a constant of nature: makers differ, banks age. The
voltages are for one cell at 25 C; a bank's are `cells` times as high. Tags as on the project's
reference sheet: "verified" was read in the named source, "from memory" was not read again,
"judgement" is ours.
"""

from collections.abc import Mapping
from math import exp, log
from types import MappingProxyType

from attrs import frozen


@frozen
class Band:
    """A value and its standard error, in the unit of the field that holds it."""

    value: float
    sigma: float


@frozen
class Chemistry:
    """What is known of a bank before it was ever measured.

    Attributes:
        name: as in the site file.
        full_v_cell: rest voltage of a full cell, V (lead-acid).
        fall_v_cell: fall of the rest voltage from full until the nameplate capacity is removed,
            V a cell (lead-acid; straight line in Ah removed).
        rest_points: rest voltage of a cell against state of charge, (fraction, V), rising; empty
            where the straight line above is used.
        curve_error_v_cell: how far all of rest_points may be shifted, standard error, V.
        rest_v_per_k_cell: temperature coefficient of the rest voltage, V/K a cell.
        settle_s: time constant with which a disturbed cell returns to its rest voltage, s.
        charge_shift_v_cell: how far charging leaves the cell above rest when it ends, V a cell.
        load_shift_v_cell: how far a lasting load of a hundredth of the nameplate leaves the cell below rest, V a
            cell, twice that at most; its error is as large.
        rest_error_v_cell: what a rest voltage may still be off by in one night, V a cell, though
            line and unit are known; for a curve its shape and hysteresis.
        health: present capacity over nameplate of a bank of unknown age.
        acceptance_per_h: accepted current at the absorption voltage over the Ah still missing, 1/h;
            None where the ending current is sharp instead.
        acceptance_spread: its relative standard error from bank to bank.
        hold_back_frac: Ah still missing when the accepted current is nothing, over nameplate.
        ending_a_per_ah: current at the absorption voltage below which only that is missing, A per Ah; 0
            where acceptance_per_h is used.
        efficiency: Ah stored per Ah charged, gassing left out.
        gas_a_per_ah: gassing and self-discharge current at 25 C and `gas_ref_v_cell`, A per Ah.
        gas_ref_v_cell: voltage at which gas_a_per_ah holds, V a cell.
        gas_spread: its standard error from bank to bank, of the natural logarithm.
        gas_v_per_decade: Tafel slope of gassing, V a cell for ten times the current; 0: no gassing,
            a constant self-discharge.
        peukert: exponent of Peukert's law, 1 where the rate takes nothing.
        ohm_ah: resistance seen over some seconds at 25 C and full, ohm of six cells in series
            times Ah; the sigma is relative.
    """

    name: str
    full_v_cell: Band
    fall_v_cell: Band
    rest_points: tuple[tuple[float, float], ...]
    curve_error_v_cell: float
    rest_v_per_k_cell: float
    settle_s: float
    charge_shift_v_cell: float
    load_shift_v_cell: float
    rest_error_v_cell: float
    health: Band
    acceptance_per_h: float | None
    acceptance_spread: float
    hold_back_frac: Band
    ending_a_per_ah: float
    efficiency: Band
    gas_a_per_ah: float
    gas_ref_v_cell: float
    gas_spread: float
    gas_v_per_decade: float
    peukert: Band
    ohm_ah: Band


def _lead(
    name: str,
    full_v_cell: Band,
    fall_v_cell: Band,
    acceptance_per_h: float,
    gas_a_per_ah: float,
    efficiency: Band,
    peukert: Band,
) -> Chemistry:
    """A lead-acid chemistry: what the three kinds share stands here.

    Sources: temperature coefficient +0.2 mV/K a cell (Bode; Berndt: from memory; the 4.3 mV/K printed with
    hydrometer tables is a density correction and is not used). Rest of 4 h at least, 24 h better
    (battery-education pages, verified as "6 h surface charge"). Gassing: about 0.2 V a decade and twice as
    much for 10 K (Berndt, Maintenance-Free Batteries: from memory). Acceptance: the current at constant voltage
    falls in proportion to the charge still missing (J. A. Mas, 1967: from memory). At C/50 a small
    bank still lacks 4 to 8 per cent (trials of this project), which is 0.25 to 0.5 an hour. Where no current
    is accepted any more some charge is still missing, for "a true 100 % needs further absorption hours"
    (reference sheet): 0 to 4 %. Resistance: 12 V banks of 20 to 30 Ah show 9 to 12 milliohm at 1 kHz (common data
    sheets, from memory), that is 0.22 to 0.29 ohm Ah; over some seconds 1.5 to 2 times that (0.45 in the
    middle), and 4 to 12 milliohm of leads and fuse on top, which larger banks have thicker (0.17): 0.62. Each of
    the three taken as even over its range makes 12 %, and the way of measuring 10 % more. Health: a new bank
    gives 0.95 to 1.05 of its nameplate, one is replaced at 0.80 (IEEE 1188, from memory), and on a hill later.
    """
    return Chemistry(
        name=name,
        full_v_cell=full_v_cell,
        fall_v_cell=fall_v_cell,
        rest_points=(),
        curve_error_v_cell=0.0,
        rest_v_per_k_cell=0.2e-3,
        settle_s=7200.0,
        charge_shift_v_cell=0.012,
        load_shift_v_cell=0.003,
        rest_error_v_cell=0.0025,
        health=Band(0.92, 0.13),
        acceptance_per_h=acceptance_per_h,
        acceptance_spread=0.30,
        hold_back_frac=Band(0.016, 0.014),
        ending_a_per_ah=0.0,
        efficiency=efficiency,
        gas_a_per_ah=gas_a_per_ah,
        gas_ref_v_cell=2.25,
        gas_spread=0.6,
        gas_v_per_decade=0.2,
        peukert=peukert,
        ohm_ah=Band(0.62, 0.16),
    )


# Rest voltage, flooded: 12.65/12.45/12.24/12.06/11.89 (table credited to BCI, verified), 12.66 and 12.30 at half
# (magazine table, verified), 12.6 and 12.2 (rule of thumb, verified), 12.73 and 12.10 (deep-cycle table, from
# memory), 6 cells. Fall to half 0.36 to 0.63 V, so 0.72 to 1.26 V to nothing left.
# Peukert: flooded 1.20 to 1.60, AGM 1.05 to 1.15, gel 1.10 to 1.25 (trade reference, verified).
_FLOODED = _lead(
    "flooded", Band(12.67 / 6, 0.07 / 6), Band(0.90 / 6, 0.18 / 6), 0.35, 0.20e-3, Band(0.988, 0.008), Band(1.30, 0.10)
)

# Rest voltage, AGM and gel: 12.80-12.90 full, 12.20-12.40 at half, 11.6-11.9 empty (typical band, from memory,
# makers differ). The fall to half is 0.40 to 0.70 V.
_AGM = _lead(
    "agm", Band(12.85 / 6, 0.06 / 6), Band(1.10 / 6, 0.15 / 6), 0.37, 0.10e-3, Band(0.988, 0.008), Band(1.10, 0.03)
)
_GEL = _lead(
    "gel", Band(12.85 / 6, 0.06 / 6), Band(1.10 / 6, 0.15 / 6), 0.33, 0.10e-3, Band(0.988, 0.008), Band(1.17, 0.05)
)

# Rest voltage of four cells: middle of the consensus band (from memory), which a trade chart (verified)
# and a model curve (verified, run) leave by up to 35 mV a cell. Hysteresis 5 to 25 mV a cell (trade article,
# verified). Full at 0.02 to 0.05 C and 3.45 to 3.65 V a cell; efficiency over 99 %; self-discharge 1 to 3 %
# a month with the protection circuit's own draw (all from memory).
_LIFEPO4 = Chemistry(
    name="lifepo4",
    full_v_cell=Band(13.6 / 4, 0.06 / 4),
    fall_v_cell=Band(0.0, 0.0),
    rest_points=(
        (0.0, 10.5 / 4),
        (0.05, 11.7 / 4),
        (0.10, 12.4 / 4),
        (0.20, 12.90 / 4),
        (0.30, 13.03 / 4),
        (0.40, 13.13 / 4),
        (0.50, 13.16 / 4),
        (0.60, 13.20 / 4),
        (0.70, 13.25 / 4),
        (0.80, 13.31 / 4),
        (0.90, 13.35 / 4),
        (0.95, 13.40 / 4),
        (1.0, 13.60 / 4),
    ),
    curve_error_v_cell=0.025,
    rest_v_per_k_cell=0.0,
    settle_s=7200.0,
    charge_shift_v_cell=0.03,
    load_shift_v_cell=0.003,
    rest_error_v_cell=0.0125,
    health=Band(0.96, 0.05),
    acceptance_per_h=None,
    acceptance_spread=0.0,
    hold_back_frac=Band(0.008, 0.010),
    ending_a_per_ah=0.05,
    efficiency=Band(0.996, 0.003),
    gas_a_per_ah=0.028e-3,
    gas_ref_v_cell=3.3,
    gas_spread=0.5,
    gas_v_per_decade=0.0,
    peukert=Band(1.03, 0.03),
    ohm_ah=Band(0.60, 0.50),
)

CHEMISTRIES: Mapping[str, Chemistry] = MappingProxyType({row.name: row for row in (_FLOODED, _AGM, _GEL, _LIFEPO4)})


def gas_a(chemistry: Chemistry, cell_v: float, bank_c: float, capacity_ah: float) -> float:
    """Current that gassing and self-discharge take out of the bank, A, never negative.

    Args:
        chemistry: the bank's row.
        cell_v: voltage of one cell, V.
        bank_c: temperature, C.
        capacity_ah: nameplate, Ah.
    Source: Tafel law with the slope of the row, twice as much for each 10 K (Berndt: from memory).
    """
    warm = exp(log(2.0) * (min(bank_c, 60.0) - 25.0) / 10.0)
    if chemistry.gas_v_per_decade <= 0.0:
        return chemistry.gas_a_per_ah * capacity_ah * warm
    over = min(1.5, max(-1.5, (cell_v - chemistry.gas_ref_v_cell) / chemistry.gas_v_per_decade))
    return chemistry.gas_a_per_ah * capacity_ah * warm * exp(log(10.0) * over)
