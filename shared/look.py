"""What is known of a site at one instant, as those need it who watch over hours and days."""

from typing import NamedTuple


class Look(NamedTuple):
    """One instant. Everything but the time may be None: not known.

    Attributes:
        now_s: seconds since boot.
        utc_s: seconds since 1970 UTC by a trusted clock.
        soc_frac, soc_sigma: the estimate.
        bank_v, bank_a, bank_c: of the bank; its hottest place.
        charge_a, panel_a, panel_w: summed over all controllers.
        panel_v: the highest of all panels.
        load_a, controller_c, enclosure_c: as measured; the hottest.
        counters_ah: of each instrument that counts charge, Ah.
    """

    now_s: float
    utc_s: float | None = None
    soc_frac: float | None = None
    soc_sigma: float | None = None
    bank_v: float | None = None
    bank_a: float | None = None
    bank_c: float | None = None
    charge_a: float | None = None
    panel_a: float | None = None
    panel_w: float | None = None
    panel_v: float | None = None
    load_a: float | None = None
    controller_c: float | None = None
    enclosure_c: float | None = None
    counters_ah: tuple[tuple[str, float], ...] = ()
