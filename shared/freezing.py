"""At what temperature the acid of a lead-acid bank freezes: the less charge is left, the sooner."""

# Charge left and freezing point, C: the safe line through TM 5-1185 Table III and a vehicle owner's manual, which
# agree with each other and with the phase data of sulphuric acid. A table credited to BCI promises 8 to 21 K
# more at part charge and is not used: it is not safe.
_LINE = ((0.0, -10.0), (0.25, -16.0), (0.50, -25.0), (0.75, -37.0), (1.0, -59.0))
_PIECES = tuple(zip(_LINE, _LINE[1:], strict=False))


def freezing_c(soc_frac: float) -> float:
    """Give the temperature at which the acid begins to freeze, C.

    Args:
        soc_frac: state of charge, 0 to 1; values outside are taken as the nearer end.
    Source: TM 5-1185 Table III and a vehicle owner's manual, joined by straight lines.
    """
    soc = min(1.0, max(0.0, soc_frac))
    for (low, low_c), (high, high_c) in _PIECES:
        if soc <= high:
            return low_c + (high_c - low_c) * (soc - low) / (high - low)
    return _LINE[-1][1]
