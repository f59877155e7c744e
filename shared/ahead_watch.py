"""Keeps the lookahead of a running site: fed by the readings, renewed when due, told to the rules as facts."""

from collections.abc import Mapping

from shared.flows import Flows
from shared.lookahead import Estimate, Forecast, Lookahead, Supposed
from shared.site import Site

FACT = "share_crossing_24h"
FACT_HOURS = 24
FACTS = (FACT,)
STALE_S = 2.0 * 3600.0  # a forecast older than this says nothing any more
PAST_S = 24.0 * 3600.0  # surely below for so long: the half mark is not ahead, it is behind
SIGMA_MOST = 0.15  # a charge that is hardly known, as at a first start, gives no chance worth a warning
_SURELY = 0.9


class AheadWatch:
    """Flows, lookahead and what the rules look at.

    Attributes:
        ahead: the lookahead itself.
    """

    def __init__(self, site: Site) -> None:
        """Begin with what the site file tells."""
        self.site = site
        self.ahead = Lookahead(site)
        self._flows = Flows(site.bank.capacity_ah)
        self._piece_s: float | None = None
        self._below_since_s: float | None = None
        self._is_known = False  # whether the newest forecast began from a charge worth the name

    def row(
        self,
        at_s: float,
        bank_v: float | None,
        bank_a: float | None,
        counter_ah: float | None,
        panel_w: float | None,
        charge_a: float | None,
        controller_c: float | None,
        charge: Estimate,
    ) -> None:
        """Fold in a reading of the bank and what else is known at its instant (V, A, Ah, W, C)."""
        piece = self._flows.row(at_s, bank_v, bank_a, counter_ah, panel_w, charge_a, controller_c)
        if piece is not None:
            self.ahead.learn(piece, charge)
            self._piece_s = at_s

    def step(self, now_s: float, utc_s: float | None, charge: Estimate | None) -> None:
        """Renew the forecast when it is due.

        Args:
            now_s: the present. utc_s: the same by a trusted clock; None without one.
            charge: the estimate; None before there is one.
        """
        if utc_s is not None:
            self.ahead.utc_at_0_s = utc_s - now_s
        if charge is not None and self.ahead.is_due(now_s):
            self.ahead.newest = self.ahead.look(now_s, charge)
            self._is_known = charge.soc_sigma <= SIGMA_MOST
            self._note_below(now_s, self.ahead.newest)

    def _note_below(self, now_s: float, forecast: Forecast) -> None:
        if forecast.share_below_now < _SURELY:
            self._below_since_s = None
        elif self._below_since_s is None:
            self._below_since_s = now_s

    def suppose(self, now_s: float, charge: Estimate, supposed: Supposed) -> Forecast:
        """Look ahead under other traffic, without keeping what comes out."""
        return self.ahead.look(now_s, charge, supposed)

    def forecast(self, now_s: float) -> Forecast | None:
        """The newest forecast, if it is not too old."""
        newest = self.ahead.newest
        return newest if newest is not None and 0.0 <= now_s - newest.made_s <= STALE_S else None

    def facts(self, now_s: float) -> dict[str, float | None]:
        """The chance that the half mark is passed within a day; 0 when it has been behind for a day.

        None without a forecast, and while the charge itself is hardly known: `below-half-mark` still speaks then.
        """
        forecast = self.forecast(now_s)
        if forecast is None or not self._is_known:
            return {FACT: None}
        if self._below_since_s is not None and now_s - self._below_since_s > PAST_S:
            return {FACT: 0.0}
        return {FACT: forecast.share_crossing[FACT_HOURS]}

    def words(self, now_s: float) -> dict[str, str]:
        """What is to be said beside the fact: how many hours are left."""
        forecast = self.forecast(now_s)
        return {} if forecast is None else {FACT: left_words(forecast, now_s)}

    # -- over restarts -------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart."""
        return {
            "ahead": self.ahead.snapshot(),
            "piece_s": self._piece_s,
            "below_since_s": self._below_since_s,
            "utc_at_0_s": self.ahead.utc_at_0_s,
        }

    def restore(self, snapshot: Mapping[str, object]) -> tuple[str, ...]:
        """Take a snapshot back, as far as it is about this place and panel.

        Returns: as `Lookahead.resume`. Raises: ValueError: it is none of ours.
        """
        ahead = snapshot.get("ahead")
        if not isinstance(ahead, Mapping):
            raise ValueError("not a snapshot of a lookahead")
        forgotten = self.ahead.resume(ahead)
        self._piece_s = _number(snapshot.get("piece_s"))
        self._below_since_s = _number(snapshot.get("below_since_s"))
        self.ahead.utc_at_0_s = _number(snapshot.get("utc_at_0_s"))
        return forgotten

    def bridge(self, now_s: float, gap_s: float | None) -> None:
        """Go on after a time without readings, of `gap_s` s if known; seconds may have started over at `now_s`."""
        self.ahead.bridge(now_s, self._piece_s, gap_s)
        self._flows.clear()
        self._piece_s = self._below_since_s = None

    def changed(self, part: str) -> None:
        """A part was replaced: "bank", "panel" or "shunt"."""
        self.ahead.changed(part)
        if part == "bank":
            self._below_since_s = None


def left_words(forecast: Forecast, now_s: float) -> str:
    """Say how many hours are left until the half mark, likely and cautiously."""
    age_h = (now_s - forecast.made_s) / 3600.0
    likely, cautious = (_hours(h, age_h) for h in (forecast.half_likely_h, forecast.half_cautious_h))
    return f"to the half mark: likely {likely}, cautious {cautious}"


def _hours(hours: float | None, age_h: float) -> str:
    if hours is None:
        return "not within 3 days"
    left_h = max(0.0, hours - age_h)
    return f"{left_h:.0f} h" if left_h >= 1.0 else "less than 1 h"


def _number(raw: object) -> float | None:
    return float(raw) if isinstance(raw, int | float) and not isinstance(raw, bool) else None
