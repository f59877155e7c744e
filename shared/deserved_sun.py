"""How much of what this sun deserves the panel gives, held against the site's own clear days.

Pieces of half an hour in which the bank took all there was are divided by a clear sky's light on the
panel; the best piece of each day counts, apart for morning and afternoon and for low, middle and high
sun. The best that ever was there, slowly forgotten, is the reference. A cloud makes one day poor; only
when no half hour of a whole week comes near the reference is the panel dirty or shaded, and only snow or a
cover keeps every piece of two days near nothing.
"""

from collections import deque
from collections.abc import Mapping
from typing import Any

from shared.clear_sky import on_panel_w_m2
from shared.look import Look
from shared.site import Site
from shared.sun import LowSun

PIECE_S = 1800.0
FILLED = 0.7  # of a piece that must have been seen
HEIGHTS_DEG = (10.0, 25.0, 40.0)  # of the sun; below the first nothing is judged
LIGHT_LEAST = 0.12  # of the nameplate: with less light on the panel nothing is judged
LEARNED_DAYS = 5  # before a place in the sky has a reference
FORGET_A_DAY = 0.998  # a reference falls to 0.7 in half a year
WEEK_DAYS = 7
WEEK_KNOWN = 4  # days of the week that must have told
COVERED_DAYS = 2
HELD_V_CELL = 0.03  # this near to a set-point the charger may be giving less than the panel could
STEP_MOST_S = 120.0

Pair = tuple[float | None, float | None]


class DeservedSun:
    """What was learned of the clear days, and what the last days gave. Needs a trusted clock.

    Attributes:
        week_share: the best share of the last week, of the poorer of morning and afternoon; None while too few told.
        covered_share: the best share of the last two days, of any part of them; None when one of them told nothing.
    """

    def __init__(self, site: Site) -> None:
        place, bank = site.place, site.bank
        self._place, self._bank = place, bank
        self.panel_w = place.panel_w if place.panel_w else 1.0  # only ratios count
        self._tilt_deg = min(75.0, abs(place.latitude)) if place.panel_tilt_deg is None else place.panel_tilt_deg
        facing = 180.0 if place.latitude >= 0.0 else 0.0
        self._facing_deg = facing if place.panel_azimuth_deg is None else place.panel_azimuth_deg
        self._low_sun = LowSun(place.latitude, place.longitude, HEIGHTS_DEG[0])
        self._held_v = HELD_V_CELL * bank.cells
        self.reference = [0.0] * (2 * len(HEIGHTS_DEG))
        self.learned_days = [0] * (2 * len(HEIGHTS_DEG))
        self.days: deque[Pair] = deque(maxlen=WEEK_DAYS)  # best share of the morning and of the afternoon
        self._best: dict[int, float] = {}  # of today
        self._day: int | None = None
        self._piece = -1
        self._got_ws = self._could_ws = self._seen_s = 0.0
        self._bin = 0
        self.week_share: float | None = None
        self.covered_share: float | None = None

    def step(self, look: Look, dt_s: float) -> tuple[float | None, float | None]:
        """Fold in one instant.

        Returns: the best share of the last week, of the poorer half of the day, and that of the last two days; None
            while it is not known.
        """
        if look.utc_s is not None and look.panel_w is not None and 0.0 < dt_s <= STEP_MOST_S:
            self._fold(look.utc_s, look.panel_w, dt_s, self._takes_all(look))
        return self.week_share, self.covered_share

    def _takes_all(self, look: Look) -> bool:
        """Whether the bank takes all the panel gives: it is not held at one of the charger's set-points."""
        if look.bank_v is None:
            return False
        warm_c = next((c for c in (look.controller_c, look.bank_c) if c is not None), 25.0)
        shift_v = self._bank.charge_v_per_k * (warm_c - 25.0)
        at_float = abs(look.bank_v - self._bank.float_v - shift_v) <= self._held_v
        return not at_float and look.bank_v < self._bank.absorb_v + shift_v - self._held_v

    def _fold(self, utc_s: float, panel_w: float, dt_s: float, takes_all: bool) -> None:
        day = int((utc_s + 240.0 * self._place.longitude) // 86_400.0)  # by the sun's own midnight
        piece = int(utc_s // PIECE_S)
        if piece != self._piece:
            self._end_piece()
            self._piece = piece
        if day != self._day:
            if self._day is not None:
                self._end_day(gap_days=day - self._day - 1)
            self._day = day
        if not takes_all:
            return
        place = self._low_sun.place(utc_s)
        if place is None:
            return
        zenith, azimuth = place
        row = sum(90.0 - zenith >= limit for limit in HEIGHTS_DEG) - 1
        if row < 0:
            return
        light = on_panel_w_m2(utc_s, zenith, azimuth, self._tilt_deg, self._facing_deg)
        if light < LIGHT_LEAST * 1000.0:
            return
        self._bin = row + (len(HEIGHTS_DEG) if azimuth >= 180.0 else 0)
        self._got_ws += panel_w * dt_s
        self._could_ws += self.panel_w * light / 1000.0 * dt_s
        self._seen_s += dt_s

    def _end_piece(self) -> None:
        if self._seen_s >= FILLED * PIECE_S and self._could_ws > 0.0:
            share = self._got_ws / self._could_ws
            self._best[self._bin] = max(self._best.get(self._bin, 0.0), share)
        self._got_ws = self._could_ws = self._seen_s = 0.0

    def _end_day(self, gap_days: int) -> None:
        """Judge the day, then learn from it."""
        halves: list[float | None] = []
        for half in (0, 1):
            bins = range(half * len(HEIGHTS_DEG), (half + 1) * len(HEIGHTS_DEG))
            shares = [
                self._best[at] / self.reference[at]
                for at in bins
                if at in self._best and self.learned_days[at] >= LEARNED_DAYS and self.reference[at] > 0.0
            ]
            halves.append(max(shares, default=None))
        self.days.append((halves[0], halves[1]))
        for _ in range(min(WEEK_DAYS, max(0, gap_days))):
            self.days.append((None, None))
        for at in range(len(self.reference)):
            self.reference[at] *= FORGET_A_DAY
            if at in self._best:
                self.reference[at] = max(self.reference[at], self._best[at])
                self.learned_days[at] += 1
        self._best.clear()
        self._sum_up()

    def _sum_up(self) -> None:
        """Work out what the last days told; it stands until the next one is over."""
        self.week_share, self.covered_share = self._week_share(), self._covered_share()

    def _week_share(self) -> float | None:
        found: list[float] = []
        for half in (0, 1):
            known = [share for day in self.days if (share := day[half]) is not None]
            if len(known) >= WEEK_KNOWN:
                found.append(max(known))
        return min(found, default=None)

    def _covered_share(self) -> float | None:
        last = list(self.days)[-COVERED_DAYS:]
        best = [max((share for share in day if share is not None), default=None) for day in last]
        known = [share for share in best if share is not None]
        return max(known) if len(known) == COVERED_DAYS else None

    def clear(self) -> None:
        """Forget all that was learned: the panel is another one."""
        self.reference = [0.0] * len(self.reference)
        self.learned_days = [0] * len(self.learned_days)
        self.days.clear()
        self._best.clear()
        self._sum_up()

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart; the piece under way is not worth it."""
        return {
            "about": self._about(),
            "reference": [round(share, 4) for share in self.reference],
            "learned_days": list(self.learned_days),
            "days": [list(day) for day in self.days],
            "best": [[at, share] for at, share in self._best.items()],
            "day": self._day,
        }

    def _about(self) -> list[object]:
        return [self._place.latitude, self._place.longitude, self.panel_w, self._tilt_deg, self._facing_deg]

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back, unless it is about another panel or place; raises as a wrong one makes it."""
        if saved["about"] != self._about():
            return
        reference, learned = _listed(saved, "reference"), _listed(saved, "learned_days")
        if len(reference) != len(self.reference) or len(learned) != len(self.learned_days):
            raise ValueError("another table")
        self.reference = [float(share) for share in reference]
        self.learned_days = [int(count) for count in learned]
        self.days = deque(((pair[0], pair[1]) for pair in _listed(saved, "days")), maxlen=WEEK_DAYS)
        self._sum_up()
        self._best = {int(at): float(share) for at, share in _listed(saved, "best")}
        day = saved["day"]
        self._day = int(day) if isinstance(day, int) else None


def _listed(saved: Mapping[str, object], name: str) -> list[Any]:
    part = saved[name]
    if not isinstance(part, list):
        raise TypeError(name)
    return part
