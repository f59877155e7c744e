"""The facts that need hours and days: what the rules look at beside the readings of this moment."""

from collections.abc import Callable, Iterable, Mapping

from shared.charge_watch import Backflow, CounterResets, IdleLight, Recovery
from shared.day_sums import DaySums
from shared.deserved_sun import DeservedSun
from shared.freezing import freezing_c
from shared.heat_trend import HeatTrend
from shared.look import Look
from shared.rule import Watch
from shared.site import Site

CHARGING_C = 0.005  # A per Ah of capacity: a smaller current into the bank is a shunt's own error
HOT = ("bank", "controller", "enclosure")

Facts = dict[str, float | None]


class SiteFacts:
    """Folds in one look after the other and keeps the facts that come of them.

    Attributes:
        facts: by name, of the last look.
        day: sums for the next daily summary.
    """

    def __init__(self, site: Site, watches: Iterable[Watch]) -> None:
        """Take the site, and its rules for the limits that heat may be on the way to."""
        limits = {watch.alert: watch.rule.raise_at for watch in watches}
        self.facts: Facts = {}
        self.day = DaySums()
        self.sun = DeservedSun(site)
        self._capacity_ah = site.bank.capacity_ah
        self._heat = [
            (f"{part}_hot_h", f"{part}_c", HeatTrend(limits[f"{part}-hot"])) for part in HOT if f"{part}-hot" in limits
        ]
        self._idle = IdleLight(site)
        self._backflow = Backflow()
        self._recovery = Recovery()
        self._resets = CounterResets(site.bank.capacity_ah)
        self._last_s: float | None = None
        self._seen_utc_s: float | None = None

    def step(self, look: Look) -> None:
        """Fold in one look; none may be older than the one before."""
        dt_s = 0.0 if self._last_s is None else max(0.0, look.now_s - self._last_s)
        self._last_s = look.now_s
        facts: Facts = {
            "soc_frac": look.soc_frac,
            "charging": None if look.bank_a is None else float(look.bank_a > CHARGING_C * self._capacity_ah),
            "freeze_margin_k": _freeze_margin_k(look),
            "light_idle_h": self._idle.step(look, dt_s),
            "backflow_a": self._backflow.step(look, dt_s),
            "recovery_d": self._recovery.step(look, dt_s),
        }
        facts["sun_share_week"], facts["sun_share_now"] = self.sun.step(look, dt_s)
        for fact, quantity, trend in self._heat:
            facts[fact] = trend.step(look.now_s, getattr(look, quantity))
        for name, count in self._resets.step(look, dt_s).items():
            facts[f"counter_resets:{name}"] = count
        self.day.fold(look, dt_s)
        self.facts = facts

    def bridge(self, now_s: float, gap_s: float | None) -> None:
        """Go on in another count of seconds, after a time without readings."""
        self._last_s = now_s
        for _, _, trend in self._heat:
            trend.clear()
        self._recovery.below_s += gap_s or 0.0
        self._idle.uncharged_s = 0.0  # what the panel did meanwhile nobody saw

    def changed(self, part: str) -> None:
        """Forget what was learned about a part that was replaced."""
        if part == "panel":
            self.sun.clear()

    def begin_day(self) -> DaySums:
        """Close the day's sums and give them."""
        sums, self.day = self.day, DaySums()
        return sums

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart."""
        return {
            "v": 1,
            "last_s": self._last_s,
            "day": self.day.snapshot(),
            "sun": self.sun.snapshot(),
            "idle": self._idle.snapshot(),
            "backflow": [self._backflow.mean_a, self._backflow.dark_s],
            "below_s": self._recovery.below_s,
            "resets": self._resets.snapshot(),
        }

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back, part by part: one that can't be read begins anew, and costs the others nothing."""
        last_s = saved.get("last_s")
        self._last_s = float(last_s) if isinstance(last_s, int | float) else None
        for name, take in self._parts():
            try:
                take(saved[name])
            except (KeyError, TypeError, ValueError, AttributeError, IndexError):
                continue

    def _parts(self) -> tuple[tuple[str, Callable[[object], None]], ...]:
        def backflow(pair: object) -> None:
            self._backflow.mean_a, self._backflow.dark_s = (_number(value) for value in _list(pair))

        def below(value: object) -> None:
            self._recovery.below_s = _number(value)

        def day(row: object) -> None:
            self.day = DaySums.resume(_mapping(row))

        return (
            ("day", day),
            ("sun", lambda row: self.sun.restore(_mapping(row))),
            ("idle", lambda row: self._idle.restore(_mapping(row))),
            ("backflow", backflow),
            ("below_s", below),
            ("resets", lambda row: self._resets.restore(_mapping(row))),
        )


def _freeze_margin_k(look: Look) -> float | None:
    """How far the bank is from freezing, K, with the charge as low as it may well be."""
    if look.bank_c is None or look.soc_frac is None or look.soc_sigma is None:
        return None
    return look.bank_c - freezing_c(look.soc_frac - look.soc_sigma)


def _number(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError("no number")
    return float(value)


def _mapping(row: object) -> Mapping[str, object]:
    if not isinstance(row, Mapping):
        raise TypeError("no mapping")
    return row


def _list(row: object) -> list[object]:
    if not isinstance(row, list):
        raise TypeError("no list")
    return row
