"""Airtime: what the transmitter did, told from the current that its site draws.

Keyings can be seen only where a current is read each two seconds or more often; at slower periods
everything here is `None`, never a guess. The current is the loads' own where that is the quick one, else the
bank's. In the bank's current the sun may hide a keying altogether: a charger that holds its voltage
makes up for it at once. There a slow reading of the load current tells whether the transmitter is
keyed at that instant, which gives the time on the air rightly in the mean, and the keyings by their usual length.
"""

from collections.abc import Mapping
from typing import Any

from attrs import asdict, frozen

from shared.airtime_hours import AirtimeHours, duty, total
from shared.keyings import BEGAN, ENDED, LOAD, LOST, KeyingWatch
from shared.site import Instrument, Load, Site
from shared.transmit_habit import IdleHabit, PauseHabit, StepHabit
from shared.wiring import BANK_LOADS, CONTROLLER_LOADS, OWN_LEAD, ends_of

PERIOD_MOST_S = 2.0  # of the instrument that keyings are seen with
_USUAL_MOST_S = 2.5  # and of its readings as they really come
_SLOWER, _QUICKER = 0.05, 0.3  # how quickly that follows: a missed row is no other period, a row at once is
_GAP_S = 6.0  # more between two rows, and what was between is not known
_KEYED_GAP_S = 120.0  # so long a keying may go on unseen
_SLOW_MOST_S = 60.0  # a load current that comes less often tells nothing about keyings
_LATE_S = 3.0  # an instrument may show what was so long ago
_FRESH_S = 60.0  # facts are of now only while rows come
_ONE_S = 300.0  # slow readings may take a talk with short pauses for one keying, but hardly for longer than this
_MEAN_SHARE = 0.01  # of one keying in the mean length
SNAPSHOT_VERSION = 1


@frozen
class AirtimeTap:
    """Where keyings are seen.

    Attributes:
        instrument, quantity, sign: the quick current; times `sign` it is a drawn current above zero.
        is_load: it is the loads' own, with no sun in it.
        step_a: what keying should add by the site file, A; None where that says nothing.
        slow_load, slow_every_s: an instrument that gives the load current less often, and its period, s, if the
            quick one is the bank's.
    """

    instrument: str
    quantity: str
    sign: float
    is_load: bool
    step_a: float | None = None
    slow_load: str = ""
    slow_every_s: float = 0.0


def airtime_tap(site: Site) -> AirtimeTap | None:
    """Choose where the keyings of a site are seen; None when nothing is read often enough."""
    step_a = max((load.transmit_a - load.idle_a for load in _transmitters(site) if load.transmit_a), default=None)
    quick = [row for row in site.instruments.values() if row.every_s <= PERIOD_MOST_S]
    for row in quick:
        quantity = _load_quantity(row, site)
        if quantity is not None:
            return AirtimeTap(row.name, quantity, 1.0 if quantity == "load_a" else -1.0, True, step_a)
    loads = (row for row in site.instruments.values() if _load_quantity(row, site) == "load_a")
    slow = next((row for row in loads if row.every_s <= _SLOW_MOST_S), None)
    for row in quick:
        if "bank_a" in row.gives and ends_of(row, "bank_a") == OWN_LEAD:
            told = ("", 0.0) if slow is None else (slow.name, slow.every_s)
            return AirtimeTap(row.name, "bank_a", -1.0, False, step_a, *told)
    return None


def _transmitters(site: Site) -> list[Load]:
    return [load for load in site.loads.values() if load.transmit_a is not None and load.transmit_a > load.idle_a]


def _load_quantity(row: Instrument, site: Site) -> str | None:
    """Which of its quantities is the current of loads with the transmitter among them."""
    places = {BANK_LOADS if load.wired_to == "bank" else CONTROLLER_LOADS for load in _transmitters(site)}
    wanted = places or {BANK_LOADS, CONTROLLER_LOADS}
    for quantity in ("load_a", "bank_a"):
        if quantity in row.gives and ends_of(row, quantity) in wanted:
            return quantity
    return None


class Airtime:
    """Follows the transmitter of one site.

    Attributes:
        hours: airtime by the hour.
        at_s: the last row, seconds since boot.
        usual_s: usual time between rows, s.
    """

    __slots__ = (
        "_coarse", "_counted", "_doubt", "_edge_s", "_mean_s", "_slow_idle_a", "_slow_s", "_watch", "at_s", "hours",
        "idle", "pauses", "steps", "tap", "usual_s",
    )  # fmt: skip

    def __init__(self, tap: AirtimeTap) -> None:
        """Start with nothing learned but what the site file says."""
        self.tap = tap
        self.hours = AirtimeHours()
        self.steps = StepHabit()
        self.pauses = PauseHabit()
        self.idle = IdleHabit()
        self.at_s: float | None = None
        self.usual_s: float | None = None
        self._watch = KeyingWatch(tap.step_a)
        self._mean_s: float | None = None  # usual length of a keying that was seen whole
        self._coarse = False  # the present keying is known from the slow load current alone
        self._counted = 0.0  # seconds of the present keying that are in the hours
        self._doubt: bool | None = None  # the slow current says so, against what the quick one showed
        self._edge_s = 0.0  # when the quick current showed an edge last
        self._slow_s: float | None = None
        self._slow_idle_a: float | None = None

    # -- rows ----------------------------------------------------------------------------------

    def step(self, at_s: float, draw_a: float, dark: bool) -> None:
        """Fold one row of the quick current in.

        Args:
            at_s: seconds since boot.
            draw_a: the drawn current, A, charging taken off it.
            dark: the panel has given nothing for some minutes.
        """
        last_s = self.at_s
        self.at_s = at_s
        if last_s is None:
            self._watch.pause()
            return
        dt_s = at_s - last_s
        if dt_s <= 0.0:
            return
        usual_s = self.usual_s
        if usual_s is None:
            usual_s = dt_s
        else:
            usual_s += (_SLOWER if dt_s > usual_s else _QUICKER) * (min(dt_s, 2.0 * _GAP_S) - usual_s)
        self.usual_s = usual_s
        if dt_s > _GAP_S or usual_s > _USUAL_MOST_S:
            self._pause(dt_s)
            return
        watch = self._watch
        absolute = dark or self.tap.is_load
        was_keyed = watch.keyed
        told = watch.step(dt_s, draw_a, absolute and not self._coarse)
        if told:
            self._edge_s = at_s
        elif self._doubt is not None:
            self._settle_doubt(was_keyed, absolute)
        if watch.step_a is None and not self.steps.is_alike:
            if told == ENDED:
                self._learn()
            return
        self._count(at_s, dt_s, told, absolute)
        if absolute and not watch.keyed and told == 0:
            self.idle.fold(dt_s, draw_a)

    def _count(self, at_s: float, dt_s: float, told: int, absolute: bool) -> None:
        watch, hour = self._watch, self.hours.at(at_s)
        if absolute or (self._slow_s is not None and at_s - self._slow_s <= _SLOW_MOST_S):
            hour.seen_s += dt_s
        else:
            hour.part_s += dt_s
        if told == BEGAN:
            self._began(watch.edge_s)
        elif told == ENDED:
            self._add(dt_s - watch.edge_s)
            self._ended()
        elif told == LOAD:
            self.hours.take_back(self._counted)
        elif told == LOST:
            self._lost()
        elif watch.keyed:
            self._add(dt_s)
        else:
            self.pauses.pass_time(dt_s)

    def _add(self, keyed_s: float) -> None:
        self._counted += keyed_s
        self.hours.rows[-1].keyed_s += keyed_s

    def _began(self, back_s: float) -> None:
        self.pauses.keyed()
        self._counted = 0.0
        self._add(back_s)
        if not self._coarse:
            self.hours.rows[-1].keyings += 1.0

    def _ended(self) -> None:
        """A keying seen whole; one known from slow readings counts by the usual length of the others."""
        length_s = self._watch.for_s
        hour = self.hours.rows[-1]
        if not self._coarse or length_s > _ONE_S:
            hour.longest_s = max(hour.longest_s, length_s)
        if self._coarse:
            hour.keyings += length_s / self._mean_s if self._mean_s else 1.0
            self._coarse = False
            return
        self._mean_s = length_s if self._mean_s is None else self._mean_s + _MEAN_SHARE * (length_s - self._mean_s)
        self._learn()

    def _learn(self) -> None:
        step_a = self._watch.own_step_a()
        if step_a is None:
            return
        self.steps.fold(step_a)
        if self._watch.step_a is not None or self.steps.is_alike:
            self._watch.step_a = self.steps.now_a or self._watch.step_a

    def _lost(self) -> None:
        """Its end was hidden: it is taken to have been as long as usual."""
        self.hours.take_back(self._counted)
        hour = self.hours.rows[-1]
        hour.keyings += 1.0
        hour.keyed_s += self._mean_s or 0.0

    def _pause(self, dt_s: float) -> None:
        """Rows were missed, or come too slowly: a keying that may have gone on is looked at again at the next one."""
        watch = self._watch
        if watch.keyed and (dt_s > _KEYED_GAP_S or self._coarse):
            self._break_off()
        watch.pause()
        self._doubt = None

    def _break_off(self) -> None:
        self._watch.keyed = False
        if self.is_known:
            self._ended()

    # -- the slow load current -----------------------------------------------------------------

    def confirm(self, at_s: float, load_a: float) -> None:
        """Fold in a slow reading of the load current, A, that the quick current is held against."""
        watch = self._watch
        step_a = watch.step_a
        if self._slow_idle_a is None:
            self._slow_idle_a = load_a
        if step_a is None or self.at_s is None or at_s - self.at_s > _GAP_S:
            return
        high_a = load_a - self._slow_idle_a
        keyed = high_a > 0.5 * step_a
        if not keyed:
            self._slow_idle_a = load_a if high_a < -0.3 * step_a else self._slow_idle_a + 0.1 * high_a
        self._slow_s = at_s
        if keyed == watch.keyed:
            watch.sure = watch.sure or keyed
            self._doubt = None
        elif at_s - self._edge_s > _LATE_S:
            self._doubt = keyed

    def _settle_doubt(self, was_keyed: bool, absolute: bool) -> None:
        """The quick current showed no edge around the slow reading that speaks against it: the slow one is right.

        Not so where the sun hides nothing: there the slow one is late.
        """
        watch, keyed, self._doubt = self._watch, self._doubt, None
        if watch.keyed != was_keyed or keyed == watch.keyed or self.at_s is None or (absolute and not self._coarse):
            return
        hour, back_s = self.hours.at(self.at_s), 0.5 * self.tap.slow_every_s
        if keyed:
            watch.begin_unseen(back_s)
            self._coarse = True
            self._began(back_s)
        else:
            watch.end_unseen(back_s)
            back_s = watch.edge_s
            hour.keyed_s = max(0.0, hour.keyed_s - back_s)
            self._ended()

    # -- what is asked of it -------------------------------------------------------------------

    def is_seeing(self, now_s: float) -> bool:
        """Whether rows come, and often enough."""
        known = self.at_s is not None and self.usual_s is not None
        return known and now_s - (self.at_s or 0.0) <= _FRESH_S and (self.usual_s or 0.0) <= _USUAL_MOST_S

    @property
    def is_known(self) -> bool:
        """Whether it is known what a keying looks like here."""
        return self._watch.step_a is not None

    @property
    def keyed(self) -> bool:
        """Whether the transmitter is keyed now."""
        return self._watch.keyed

    def facts(self, now_s: float) -> dict[str, float | None]:
        """What rules look at; None where it can't be told.

        transmitting_s: length of the present keying, s, 0 without one or with one that is not proven.
        keying_pause_ratio: time since the last keying over the longest usual pause.
        transmit_a_shift: how far the newest twenty keyings' current is off the usual one, as a share.
        unexplained_a: how far the quiet draw is above the usual one, A.
        """
        watch, seeing = self._watch, self.is_seeing(now_s) and self.is_known
        return {
            "transmitting_s": (watch.for_s if watch.keyed and watch.sure else 0.0) if seeing else None,
            "keying_pause_ratio": self.pauses.ratio() if seeing else None,
            "transmit_a_shift": self.steps.shift(),
            "unexplained_a": self.idle.unexplained_a() if seeing else None,
        }

    def since(self, since_s: float) -> dict[str, object] | None:
        """Airtime from the first hour that begins at or after `since_s`; None when nothing was looked at."""
        rows = [row for row in self.hours.rows if row.begin_s >= since_s - 1.0]
        whole = total(rows)
        if whole is None or duty(whole) is None:
            return None
        now_s = self._watch.for_s if self._watch.keyed and not self._coarse else 0.0
        longest_s = max(whole.longest_s, now_s)
        return {
            "keyings": round(whole.keyings),
            "seconds": whole.keyed_s,
            "longest_s": longest_s,
            "duty": duty(whole),
            "seen_s": whole.seen_s,
            "part_s": whole.part_s,
        }

    def learned(self) -> dict[str, float | None]:
        """The currents as learned, A, and the usual length of a keying, s."""
        return {
            "idle_a": self.idle.now_a,
            "idle_usual_a": self.idle.usual_a,
            "transmit_step_a": self.steps.now_a,
            "transmit_step_usual_a": self.steps.usual_a,
            "transmit_step_spread_a": self.steps.spread_a if self.steps.usual_a is not None else None,
            "keying_s": self._mean_s,
            "hours_since_keying": self.pauses.quiet_s / 3600.0 if self.pauses.keyings else None,
            "longest_pause_h": self.pauses.usual_s / 3600.0 if self.pauses.keyings else None,
        }

    # -- over restarts -------------------------------------------------------------------------

    def bridge(self, at_s: float, gap_s: float | None) -> None:
        """Seconds since boot have started over; `gap_s` is the time without rows, None when nobody knows."""
        if self.at_s is not None:
            self.hours.shift(at_s - self.at_s - (gap_s or 0.0))
            if self._watch.keyed:
                self._break_off()
        self._watch.pause()
        self._slow_s = self._doubt = None
        self.at_s = self._edge_s = at_s

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {
            "v": SNAPSHOT_VERSION,
            "tap": asdict(self.tap),
            "at_s": self.at_s,
            "usual_s": self.usual_s,
            "watch": self._watch.snapshot(),
            "steps": self.steps.snapshot(),
            "pauses": self.pauses.snapshot(),
            "idle": self.idle.snapshot(),
            "hours": self.hours.snapshot(),
            "keying": [self._mean_s, self._coarse, self._counted],
            "slow": [self._doubt, self._edge_s, self._slow_s, self._slow_idle_a],
        }

    @classmethod
    def of(cls, saved: Mapping[str, Any]) -> "Airtime":
        """Take a snapshot up with the tap it is of; for those who have no site file.

        Raises: ValueError, KeyError or TypeError: it is none of ours.
        """
        made = cls(AirtimeTap(**saved["tap"]))
        made.restore(saved)
        return made

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back; raises ValueError, KeyError or TypeError when it is none of ours."""
        if saved.get("v") != SNAPSHOT_VERSION:
            raise ValueError(f"airtime of version {saved.get('v')!r}, this one reads {SNAPSHOT_VERSION}")
        self.at_s, self.usual_s = saved["at_s"], saved["usual_s"]
        self._watch.restore(saved["watch"])
        self.steps.restore(saved["steps"])
        self.pauses.restore(saved["pauses"])
        self.idle.restore(saved["idle"])
        self.hours.restore(**saved["hours"])
        self._mean_s, self._coarse, self._counted = saved["keying"]
        self._doubt, self._edge_s, self._slow_s, self._slow_idle_a = saved["slow"]
