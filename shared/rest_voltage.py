"""What the voltage of a bank at rest says about the charge removed from it.

In lead-acid the rest voltage follows the acid, so the Ah removed from full, not the fraction left: an
aged bank that lost plates falls along the same line and stops earlier. In LiFePO4 it follows the
fraction, and over most of the range says next to nothing.
"""

from shared.chemistry import Chemistry


def lead_rest_v(chemistry: Chemistry, cells: int, removed_frac: float, bank_c: float) -> float:
    """Prior rest voltage of a lead-acid bank, V.

    Args:
        chemistry: a lead-acid row.
        cells: in series.
        removed_frac: Ah removed from full over the nameplate capacity.
        bank_c: temperature, C.
    Source: bands and temperature coefficient of the row; that the line is straight to 10 mV follows
        from the electrode potentials against molarity (Bode 1977; the reference sheet's row).
    """
    cell_v = chemistry.full_v_cell.value - chemistry.fall_v_cell.value * removed_frac
    return cells * (cell_v + chemistry.rest_v_per_k_cell * (bank_c - 25.0))


def curve_v(points: tuple[tuple[float, float], ...], soc_frac: float) -> float:
    """Rest voltage of a cell by straight lines between points, V; held flat outside them."""
    below = points[0]
    if soc_frac <= below[0]:
        return below[1]
    for above in points[1:]:
        if soc_frac <= above[0]:
            share = (soc_frac - below[0]) / (above[0] - below[0])
            return below[1] + share * (above[1] - below[1])
        below = above
    return below[1]


def curve_soc(points: tuple[tuple[float, float], ...], cell_v: float) -> float:
    """State of charge at which the curve shows this cell voltage, 0..1."""
    below = points[0]
    if cell_v <= below[1]:
        return below[0]
    for above in points[1:]:
        if cell_v <= above[1]:
            return below[0] + (above[0] - below[0]) * (cell_v - below[1]) / (above[1] - below[1])
        below = above
    return below[0]


def read_curve(points: tuple[tuple[float, float], ...], cell_v: float, doubt_v: float) -> tuple[float, float, float]:
    """State of charge by a curve that may be shifted by `doubt_v` (standard error, V a cell).

    Returns: (middle of the charges within one error, charge for each V of shift, how bent it is there), the
        first and last 0..1.
    Source: statistical linearisation with three points (Julier and Uhlmann 1997, the unscented set).
    """
    low, mid, high = (curve_soc(points, cell_v + shift) for shift in (-doubt_v, 0.0, doubt_v))
    return (low + high) / 2.0, max(0.02, (high - low) / 2.0) / doubt_v, abs((low + high) / 2.0 - mid)


def table_soc(chemistry: Chemistry, cell_v: float, bank_c: float) -> float:
    """Charge left by the rest voltage alone, 0..1, with the nameplate: what a printed table gives.

    The filter does not use this; it is what the filter is compared with.
    """
    points = chemistry.rest_points
    if not points:
        fallen_v = chemistry.full_v_cell.value + chemistry.rest_v_per_k_cell * (bank_c - 25.0) - cell_v
        return min(1.0, max(0.0, 1.0 - fallen_v / chemistry.fall_v_cell.value))
    return curve_soc(points, cell_v)
