"""Whether what should charge does: light without charge, current back into the dark panel, days without a full bank."""

from collections.abc import Mapping

from shared.look import Look
from shared.site import Site
from shared.sun import LowSun

HIGH_SUN_DEG = 15.0  # with the sun higher than this even thick cloud lets some charge through
LIGHT_V = 1.15  # a panel this far above the bank's voltage sees light; it idles
NONE_C = 0.001  # of the capacity, A per Ah: a charge below this is none
NONE_W = 0.003  # and so is this share of the panel's nameplate
DAY_H = 24.0
FULL_ENOUGH = 0.85  # from here on a bank has recovered; above it charging is slow (common practice, no source)
DARK_S = 1800.0  # without panel power before a current of the panel is one of the night
BACKFLOW_S = 900.0  # over which it is averaged
STEP_MOST_S = 900.0  # a longer time between two looks tells nothing of what was between


class IdleLight:
    """Hours of light in which nothing was charged, since there was a charge last."""

    def __init__(self, site: Site) -> None:
        self._low_sun = LowSun(site.place.latitude, site.place.longitude, HIGH_SUN_DEG)
        self._none_a = NONE_C * site.bank.capacity_ah
        self._none_w = None if site.place.panel_w is None else NONE_W * site.place.panel_w
        self.idle_s = 0.0
        self.uncharged_s = 0.0

    def step(self, look: Look, dt_s: float) -> float | None:
        """Fold in one instant; gives hours, or None where nothing measures the charge."""
        charges = self._charges(look)
        if charges is None:
            return None
        if charges:
            self.idle_s = self.uncharged_s = 0.0
            return 0.0
        self.uncharged_s += dt_s
        if self._is_light(look):
            self.idle_s += dt_s
        unseen_h = self.uncharged_s / 3600.0 - DAY_H if look.utc_s is None else 0.0
        return max(0.0, self.idle_s / 3600.0, unseen_h)

    def _charges(self, look: Look) -> bool | None:
        if look.charge_a is not None:
            return look.charge_a > self._none_a
        if look.panel_w is not None and look.bank_v is not None:
            return look.panel_w > (self._none_a * look.bank_v if self._none_w is None else self._none_w)
        return None

    def _is_light(self, look: Look) -> bool:
        if look.panel_v is not None and look.bank_v is not None and look.panel_v > LIGHT_V * look.bank_v:
            return True
        if look.utc_s is None:
            return False
        place = self._low_sun.place(look.utc_s)
        return place is not None and 90.0 - place[0] > HIGH_SUN_DEG

    def snapshot(self) -> dict[str, float]:
        """What must survive a restart."""
        return {"idle_s": self.idle_s, "uncharged_s": self.uncharged_s}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back; raises KeyError or TypeError when it is none."""
        idle_s, uncharged_s = saved["idle_s"], saved["uncharged_s"]
        if not isinstance(idle_s, int | float) or not isinstance(uncharged_s, int | float):
            raise TypeError("no times")
        self.idle_s, self.uncharged_s = float(idle_s), float(uncharged_s)


class Backflow:
    """The mean current that runs from the bank back into the dark panel, A; known at night only."""

    def __init__(self) -> None:
        self.mean_a = 0.0
        self.dark_s = 0.0

    def step(self, look: Look, dt_s: float) -> float | None:
        """Fold in one instant; None by day and where no instrument of the panel's side tells a current."""
        flows = [flow_a for flow_a in (look.panel_a, look.charge_a) if flow_a is not None]
        if not flows or look.panel_w is None:
            return None
        if look.panel_w > 0.05 or max(flows) > 0.05:
            self.dark_s = 0.0
            return None
        self.dark_s += dt_s
        self.mean_a += (max(0.0, -min(flows)) - self.mean_a) * min(1.0, dt_s / BACKFLOW_S)
        return self.mean_a if self.dark_s >= DARK_S else None


class Recovery:
    """Days since the bank was charged well last."""

    def __init__(self) -> None:
        self.below_s = 0.0

    def step(self, look: Look, dt_s: float) -> float | None:
        """Fold in one instant; gives days, None before the first estimate."""
        if look.soc_frac is None:
            return None
        self.below_s = 0.0 if look.soc_frac >= FULL_ENOUGH else self.below_s + dt_s
        return self.below_s / 86_400.0


class CounterResets:
    """How often a charge counter jumped in the last day."""

    MEMORY_S = 86_400.0
    _HARDEST_C = 0.7  # no bank of such a site is charged or drained faster, in nameplates an hour
    _SLACK = 0.01  # of the nameplate
    _NEAR = 0.002

    def __init__(self, capacity_ah: float) -> None:
        self._capacity_ah = capacity_ah
        self._last_ah: dict[str, float] = {}
        self.ages_s: dict[str, list[float]] = {}

    def step(self, look: Look, dt_s: float) -> dict[str, float]:
        """Fold in one instant; gives the count by instrument."""
        found: dict[str, float] = {}
        for name, count_ah in look.counters_ah:
            ages_s = [age_s + dt_s for age_s in self.ages_s.get(name, ()) if age_s + dt_s < self.MEMORY_S]
            last_ah = self._last_ah.get(name)
            if last_ah is not None and 0.0 < dt_s <= STEP_MOST_S and self._jumped(last_ah, count_ah, look, dt_s):
                ages_s.append(0.0)
            self._last_ah[name], self.ages_s[name] = count_ah, ages_s
            found[name] = float(len(ages_s))
        return found

    def _jumped(self, last_ah: float, count_ah: float, look: Look, dt_s: float) -> bool:
        moved_ah, hour = count_ah - last_ah, dt_s / 3600.0
        if abs(moved_ah) > self._capacity_ah * (self._SLACK + self._HARDEST_C * hour):
            return True
        if abs(count_ah) > self._NEAR * self._capacity_ah or look.bank_a is None:
            return False
        return abs(moved_ah - look.bank_a * hour) > self._capacity_ah * (self._SLACK + 0.1 * hour)

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart: also the last count, for a shunt that was off meanwhile."""
        return {"last_ah": dict(self._last_ah), "ages_s": {name: list(ages) for name, ages in self.ages_s.items()}}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back; raises TypeError, ValueError or KeyError when it is none."""
        last, ages = saved["last_ah"], saved["ages_s"]
        if not isinstance(last, Mapping) or not isinstance(ages, Mapping):
            raise TypeError("counts")
        self._last_ah = {str(name): float(value) for name, value in last.items()}
        self.ages_s = {str(name): [float(age) for age in rows] for name, rows in ages.items()}
