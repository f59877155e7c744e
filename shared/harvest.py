"""What the panel will bring: a clear sky's light, times what this site makes of it, times the weather's chances.

Learned only from times in which the bank took all there was: held at absorption or float, the panel's power says
how little was wanted, not how much there was. From each day one figure is kept, its clearness; a
table over the sun's place in the sky holds the horizon, and a panel that looks another way than was told.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from math import sqrt

from shared.chances import Quantiles, normal_of_share
from shared.clear_sky import on_panel_w_m2
from shared.flows import CONTROLLER_SHARE
from shared.load_habits import numbers
from shared.site import Bank, Place
from shared.sun import sun_place

UNTOLD_W_PER_AH_V = 0.10  # panel of a site that tells none, W per Ah and volt of the bank: about 30 W to 24 Ah
AZIMUTHS, HEIGHTS = 24, 4
_HEIGHTS_DEG = (8.0, 20.0, 35.0)  # where the rows of the table of sun places are parted
_PLACE_WEIGHT = 24.0  # pieces of sun by which a place in the sky is its own: two clear passes of an hour
_BRIGHT = 0.75  # a piece this near to the best of the day's before it tells of the horizon, not of clouds
_GAIN = 0.85  # of the nameplate power, before anything was seen: dirt, warmth, a plain controller
_GAIN_UP, _GAIN_DOWN = 0.04, 0.0004
_GAIN_W_M2 = 250.0
# Clearness of whole days over the best, before days were seen: dark and clear ones are both more frequent than
# those between. Made up for a temperate climate; it weighs as much as the days below.
_PRIOR = (0.08, 0.16, 0.27, 0.40, 0.52, 0.64, 0.75, 0.84, 0.91, 0.96, 1.0, 1.03)
_PRIOR_DAYS = 5.0
_FADE_A_DAY = 0.965
_DAYS_KEPT = 45
_TOLD_SHARE = 0.35  # a day's clearness is known when the bank took all during this share of the day's light
_HELD_EARLY = 0.92  # clearness, over the best, of a day on which the bank was held from the morning on
DAY_MEMORY = 0.30  # correlation of one day's clearness with the next one's
_HOURS_MEMORY = 0.95  # and of the rest of a day with what was seen of it
_CHARGE_V_CELL = {"lifepo4": 3.38}
_LEAD_CHARGE_V_CELL = 2.22


class Harvest:
    """What was learned of a site's sun. Times are seconds since 1970 UTC, or as good as the site can tell them."""

    def __init__(self, place: Place, bank: Bank) -> None:
        """Begin with what the site file tells of panel and place."""
        self.latitude, self.longitude = place.latitude, place.longitude
        self.charge_v = bank.cells * _CHARGE_V_CELL.get(bank.chemistry, _LEAD_CHARGE_V_CELL)
        told_w = place.panel_w
        self.panel_w = told_w if told_w else UNTOLD_W_PER_AH_V * bank.capacity_ah * 2.0 * bank.cells
        tilt = place.panel_tilt_deg
        self.tilt_deg = min(75.0, abs(place.latitude)) if tilt is None else tilt
        facing = place.panel_azimuth_deg
        self.facing_deg = (180.0 if place.latitude >= 0.0 else 0.0) if facing is None else facing
        self.gain = _GAIN
        self._sum = [0.0] * (AZIMUTHS * HEIGHTS)
        self._weight = [0.0] * (AZIMUTHS * HEIGHTS)
        self.days: deque[float] = deque(maxlen=_DAYS_KEPT)
        self.yesterday: float | None = None  # clearness; None when it is not known
        self._best = 0.0  # best piece of today, of the clear sky
        self._got_w = self._could_w = self._all_could_w = self._least_w = 0.0
        self._expected: dict[int, float] = {}  # W of a clear sky by hour, with horizon

    # -- the clear sky at this site ------------------------------------------------------------

    def _sky(self, utc_s: float) -> tuple[float, int]:
        """Power of the panel's nameplate under a clear sky without horizon, W, and the sun's place in the table."""
        zenith, azimuth = sun_place(utc_s, self.latitude, self.longitude)
        if zenith >= 89.5:
            return 0.0, 0
        light = on_panel_w_m2(utc_s, zenith, azimuth, self.tilt_deg, self.facing_deg)
        height = 90.0 - zenith
        row = sum(height >= limit for limit in _HEIGHTS_DEG)
        return self.panel_w * light / 1000.0, row * AZIMUTHS + int(azimuth * AZIMUTHS / 360.0) % AZIMUTHS

    def _passes(self, at: int) -> float:
        """What of the light comes past the horizon, or is caught by a panel that looks elsewhere than told."""
        return (self._sum[at] + _PLACE_WEIGHT) / (self._weight[at] + _PLACE_WEIGHT)

    def clear_w(self, utc_s: float) -> float:
        """What a clear sky would bring in the hour in which `utc_s` lies, W, of a panel as good as its nameplate."""
        hour = int(utc_s // 3600.0)
        known = self._expected.get(hour)
        if known is None:
            known = 0.0
            for minutes in (15, 45):
                could_w, at = self._sky(hour * 3600.0 + 60.0 * minutes)
                known += 0.5 * could_w * self._passes(at)
            if len(self._expected) > 200:
                self._expected.clear()
            self._expected[hour] = known
        return known

    # -- learning ------------------------------------------------------------------------------

    def learn(self, utc_s: float, charge_w: float, *, took_all: bool) -> None:
        """Fold a piece in.

        Args:
            utc_s: its middle. charge_w: what came out of the controller, over its usual share, W.
            took_all: False while the bank is held at a voltage, or is not charged for another reason.
        """
        could_w, at = self._sky(utc_s)
        if could_w <= 0.005 * self.panel_w:
            return
        ratio = min(1.5, max(0.0, charge_w) / could_w)
        passes = self._passes(at)
        self._all_could_w += could_w * passes
        self._least_w += min(1.3 * could_w, max(0.0, charge_w))
        if not took_all:
            return
        self._got_w += charge_w
        self._could_w += could_w * passes
        if could_w > _GAIN_W_M2 * self.panel_w / 1000.0:
            self.gain += (_GAIN_UP if ratio > self.gain else _GAIN_DOWN) * (min(1.1, ratio) - self.gain)
        self._best = max(self._best * 0.995, ratio / passes if could_w > 0.12 * self.panel_w else 0.0)
        if self._best > _BRIGHT * self.gain:
            self._sum[at] = self._sum[at] * 0.998 + min(1.3, ratio / self.gain)
            self._weight[at] = self._weight[at] * 0.998 + 1.0

    def seen_of_today(self) -> tuple[float | None, float]:
        """Clearness of what was seen of today and how much clear light that was, as shares of a whole day's.

        Returns: (clearness or None, share of the light that told it among what passed).
        """
        if self._could_w <= 0.0 or self._all_could_w <= 0.0:
            return None, 0.0
        return self._got_w / self._could_w, self._could_w / self._all_could_w

    def end_day(self) -> None:
        """Close a solar day: its clearness, if it could be told."""
        clearness, share = self.seen_of_today()
        if self._all_could_w > 0.0:
            # What passed while the bank was held was at least as much as it took; a day on which that began early
            # was a bright one, though the little that was seen before it tells less the shorter it was.
            told = min(1.0, share / _TOLD_SHARE)
            likely = told * (clearness or 0.0) + (1.0 - told) * _HELD_EARLY * self.gain
            self.yesterday = min(1.3, max(likely, self._least_w / self._all_could_w))
            self.days.append(self.yesterday)
        else:
            self.yesterday = None
        self._best = self._got_w = self._could_w = self._all_could_w = self._least_w = 0.0
        self._expected.clear()

    def forget_today(self) -> None:
        """After a time without readings of unknown length."""
        self._best = self._got_w = self._could_w = self._all_could_w = self._least_w = 0.0
        self.yesterday = None

    # -- the days to come ----------------------------------------------------------------------

    def clearness(self) -> Quantiles:
        """The chances of a day's clearness here, of the nameplate's clear sky."""
        rows = [(share * self.gain, _PRIOR_DAYS / len(_PRIOR)) for share in _PRIOR]
        rows += [(clear, _FADE_A_DAY**age) for age, clear in enumerate(reversed(self.days))]
        return Quantiles(rows)

    def outlook(
        self, chances: Quantiles, deviates: Sequence[Sequence[float]], passed: float, told: Sequence[float | None]
    ) -> list[list[float]]:
        """Draw the clearness of today's rest and of the days after it for a set of scenarios.

        Args:
            chances: of this site, from `clearness`.
            deviates: for each day a standard normal a scenario.
            passed: share of today's clear light that has passed, 0 to 1.
            told: cloudiness of each day from elsewhere, 0 clear to 1; None where nobody told.
        Returns: for each day a clearness a scenario.
        """
        mean, spread = 0.0, 1.0
        if self.yesterday is not None:
            mean = DAY_MEMORY * normal_of_share(chances.share(self.yesterday))
            spread = sqrt(1.0 - DAY_MEMORY**2)
        seen, share = self.seen_of_today()
        weight = passed * share
        if seen is not None and weight > 0.02:
            # The more of the day was seen, the better it tells of the rest.
            error2 = (1.0 - _HOURS_MEMORY**2) / _HOURS_MEMORY**2 + 0.06 / weight
            gain = spread**2 / (spread**2 + error2)
            mean += gain * (normal_of_share(chances.share(seen)) - mean)
            spread *= sqrt(1.0 - gain)
        found: list[list[float]] = []
        before: list[float] = []
        for day, drawn in enumerate(deviates):
            if day == 0:
                z = [mean + spread * e for e in drawn]
            else:
                rest = sqrt(1.0 - DAY_MEMORY**2)
                z = [DAY_MEMORY * b + rest * e for b, e in zip(before, drawn, strict=True)]
            cloud = told[day] if day < len(told) else None
            if cloud is not None:
                z = [0.45 * v + 0.9 * normal_of_share(min(0.97, max(0.03, 1.0 - cloud))) for v in z]
            before = z
            found.append(chances.of_normals(z))
        return found

    # -- persistence ---------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """All that was learned, as JSON can hold it."""
        return {
            "gain": round(self.gain, 5),
            "sum": [round(v, 3) for v in self._sum],
            "weight": [round(v, 3) for v in self._weight],
            "days": [round(v, 4) for v in self.days],
            "yesterday": self.yesterday,
            "today": [round(v, 4) for v in (self._best, self._got_w, self._could_w, self._all_could_w, self._least_w)],
        }

    def resume(self, snapshot: Mapping[str, object]) -> None:
        """Take a snapshot back. Raises: KeyError, TypeError, ValueError: it is none of ours."""
        (self.gain,) = numbers([snapshot["gain"]])
        self._sum, self._weight = (numbers(snapshot[k], AZIMUTHS * HEIGHTS) for k in ("sum", "weight"))
        self.days = deque(numbers(snapshot["days"]), maxlen=_DAYS_KEPT)
        yesterday = snapshot["yesterday"]
        self.yesterday = None if yesterday is None else numbers([yesterday])[0]
        self._best, self._got_w, self._could_w, self._all_could_w, self._least_w = numbers(snapshot["today"], 5)
        self._expected.clear()

    def amps_per_w(self) -> float:
        """Charge current for a watt of the panel, A."""
        return CONTROLLER_SHARE / self.charge_v
