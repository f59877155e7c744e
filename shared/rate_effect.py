"""How much less a bank gives under a heavy load or in the cold than at the 20 h rate and 25 C.

The state of charge is charge left over the capacity at the 20 h rate and 25 C; the rest of it can't be drawn
at once, or not until it warms up. Nothing here says how much is left.
"""

from math import exp, log

from shared.chemistry import Chemistry

RATED_H = 20.0
_LONGEST_FRAC = 1.12  # C100 over C20: 1.05 to 1.2, below that rate Peukert's law promises too much (from memory)
# IEEE 485 table 1, vented cells: capacity to size for over capacity needed, by temperature, C (from memory).
_IEEE_485 = (
    (-3.9, 1.52), (4.4, 1.30), (10.0, 1.19), (15.6, 1.11), (21.1, 1.04), (25.0, 1.0), (32.2, 0.94), (37.8, 0.91),
)  # fmt: skip
_COLDEST = (-20.0, 1.0 / 0.55)  # small discharge, -20 C: 50 to 60 % (typical band, from memory)


def hours_at(chemistry: Chemistry, capacity_ah: float, load_a: float) -> float:
    """Time a full bank holds out at a steady load, h, at 25 C.

    Args:
        chemistry: with Peukert's exponent.
        capacity_ah: at the 20 h rate, Ah. load_a: A, above 0.
    Raises: ValueError: load_a not above 0.
    Source: W. Peukert 1897, t = 20 h (C20 / 20 h / I)^k, not beyond what the 100 h rate gives.
    """
    if load_a <= 0.0:
        raise ValueError(f"need load_a above 0, got {load_a}")
    peukert_h = RATED_H * exp(chemistry.peukert.value * log(capacity_ah / RATED_H / load_a))
    return min(peukert_h, _LONGEST_FRAC * capacity_ah / load_a)


def share_when_cold(chemistry: Chemistry, bank_c: float) -> float:
    """Capacity at this temperature (C) over that at 25 C, at the 20 h rate, for a lead-acid bank.

    Source: the sizing multipliers of IEEE 485 table 1 turned round, straight lines between; below -3.9 C towards
        55 % at -20 C. LiFePO4: at -20 C the protection circuit or the load's limit ends it, about 80 % at -10 C
        (from memory), so a straight line of 0.6 % each kelvin.
    """
    if chemistry.rest_points:
        return min(1.0, max(0.5, 1.0 + 0.006 * (bank_c - 25.0)))
    points = (_COLDEST, *_IEEE_485)
    low_c, low = points[0]
    if bank_c <= low_c:
        return 1.0 / low
    for high_c, high in points[1:]:
        if bank_c <= high_c:
            return 1.0 / (low + (high - low) * (bank_c - low_c) / (high_c - low_c))
        low_c, low = high_c, high
    return 1.0 / low
