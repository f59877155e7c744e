"""What is made of a few seconds of readings: series, means, noise."""

from statistics import fmean, median, pstdev

from daemon.live_look import LiveLook
from shared.quantities import QUANTITIES
from shared.site import Site
from shared.wiring import sources


def series(site: Site, look: LiveLook, quantity: str) -> list[float]:
    """Every value seen of a quantity, oldest first: of its preferred instrument; of sums, see `mean`."""
    names = sources(site).get(quantity, ())
    for name in names:
        values = [r.values[quantity] for r in look.seen.get(name, ()) if quantity in r.values]
        if values:
            return values
    return []


def mean(site: Site, look: LiveLook, quantity: str) -> float | None:
    """Mean of a quantity over the look, summed over its instruments where that is its meaning; None without values."""
    if QUANTITIES[quantity].join != "sum":
        values = series(site, look, quantity)
        return fmean(values) if values else None
    total = 0.0
    names = sources(site).get(quantity, ())
    for name in names:
        values = [r.values[quantity] for r in look.seen.get(name, ()) if quantity in r.values]
        if not values:
            return None
        total += fmean(values)
    return total if names else None


def middle(site: Site, look: LiveLook, quantity: str) -> float | None:
    """Median of a quantity that one instrument gives; None without values."""
    values = series(site, look, quantity)
    return median(values) if values else None


def noise(site: Site, look: LiveLook, quantity: str) -> float | None:
    """Standard deviation of a quantity that one instrument gives; None with fewer than five values."""
    values = series(site, look, quantity)
    return pstdev(values) if len(values) >= 5 else None
