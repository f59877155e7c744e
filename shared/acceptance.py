"""What the bank still takes near full: learned from the hours in which the charger held its voltage.

Then the charge that goes in within an hour falls about in proportion to what is missing to a highest charge
(J. A. Mas, 1967: from memory). Absorption that ends after its time, and float after it, bend that line;
the site's own hours draw the one that fits them on the mean.
"""

from collections.abc import Mapping
from math import exp

from shared.chemistry import CHEMISTRIES
from shared.load_habits import numbers
from shared.site import Bank

_PRIOR_HOURS = 3.0  # held hours that weigh as much as the published acceptance
_PRIOR_AT = (0.75, 0.95)  # charges at which the published line is held
_FADE = 0.985  # what a held hour's weight is one held hour later
_SHARES = (0.06, 0.95)  # within an hour at least and at most goes in of what is missing
_TOPS = (0.80, 1.0)
_LIFEPO4_PER_H = 3.0  # no line but a sharp end; judgement
_HOUR_S = 3600.0


class Acceptance:
    """A line through (charge at the start of a held hour, what went in within it).

    Attributes:
        top_frac: charge at which nothing more goes in, 0 to 1.
        hour_share: share of what is missing to it that goes in within an hour.
    """

    def __init__(self, bank: Bank) -> None:
        """Begin with what is published of the chemistry."""
        row = CHEMISTRIES[bank.chemistry]
        per_h = _LIFEPO4_PER_H if row.acceptance_per_h is None else row.acceptance_per_h
        self.top_frac = 1.0 - row.hold_back_frac.value
        self.hour_share = 1.0 - exp(-per_h)
        self._sums = [0.0] * 5  # weight, charge, gain, charge squared, charge times gain
        for soc in _PRIOR_AT:
            self._add(soc, (self.top_frac - soc) * self.hour_share, _PRIOR_HOURS / len(_PRIOR_AT))
        self._held_s = self._went_frac = 0.0
        self._start: float | None = None

    def learn(self, span_s: float, went_frac: float, soc_frac: float, *, held: bool) -> None:
        """Fold a piece in.

        Args:
            span_s: its length, s. went_frac: what went in, share of the capacity. soc_frac: charge after it.
            held: whether the charger held the voltage all the time.
        """
        if not held:
            self._held_s = self._went_frac = 0.0
            self._start = None
            return
        if self._start is None:
            self._start = soc_frac - went_frac
        self._held_s += span_s
        self._went_frac += went_frac
        if self._held_s < _HOUR_S:
            return
        hours = self._held_s / _HOUR_S
        self._sums = [v * _FADE for v in self._sums]
        self._add(self._start, max(0.0, self._went_frac) / hours, 1.0)
        self._fit()
        self._held_s = self._went_frac = 0.0
        self._start = None

    def _add(self, soc: float, gain: float, weight: float) -> None:
        for place, value in enumerate((1.0, soc, gain, soc * soc, soc * gain)):
            self._sums[place] += weight * value

    def _fit(self) -> None:
        weight, soc, gain, soc2, both = self._sums
        spread = soc2 - soc * soc / weight
        slope = (both - soc * gain / weight) / max(spread, 1e-6 * weight)
        self.hour_share = min(_SHARES[1], max(_SHARES[0], -slope))
        self.top_frac = min(_TOPS[1], max(_TOPS[0], (soc + gain / self.hour_share) / weight))

    def snapshot(self) -> dict[str, object]:
        """All that was learned, as JSON can hold it."""
        return {"sums": [round(v, 6) for v in self._sums]}

    def resume(self, snapshot: Mapping[str, object]) -> None:
        """Take a snapshot back. Raises: KeyError, TypeError, ValueError: it is none of ours."""
        self._sums = numbers(snapshot["sums"], 5)
        self._fit()
