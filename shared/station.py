"""The site as the service knows it now: readings go in, the estimate, the facts and the alerts come out.

Pure: no port, no file, no clock. The service feeds it with live readings, `demo` and `replay` with
readings from elsewhere, so that all three take the same way.
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from datetime import datetime
from types import MappingProxyType

from shared.ahead_watch import AheadWatch
from shared.airtime import Airtime, airtime_tap
from shared.alerts import AlertBook, AlertEvent
from shared.bank_health import BankHealth
from shared.charge import ChargeFilter
from shared.look import Look
from shared.notices import NoticeContext
from shared.quantities import QUANTITIES
from shared.readings import Reading
from shared.rules import rules_for
from shared.service_rules import ANSWERING_TURNS, QUIET_LINE_S
from shared.site import Instrument, Site
from shared.site_facts import SiteFacts
from shared.wiring import CONTROLLER_LOADS, bank_current_plan, ends_of, is_controller, sources

FRESH_PERIODS = 3.0  # a value is used for this many periods of its instrument,
FRESH_LEAST_S = 30.0  # and at least this long
_NOTHING: Mapping[str, float | None] = MappingProxyType({})
_NO_WORDS: Mapping[str, str] = MappingProxyType({})
SUMMED = frozenset(name for name, row in QUANTITIES.items() if row.join == "sum")
HEATED = ("bank_c", "controller_c", "enclosure_c", "computer_c")
HOT = frozenset((*HEATED, "panel_v"))  # of several instruments the highest is looked at
LOOKED_AT = Look._fields[4:-1]  # all of a look but times, estimate and counters
SUSPECT_MEMORY = 20.0  # readings over which the share of suspect ones is averaged
ESTIMATE_EVERY_S = 10.0  # how often the estimate goes into the record
DARK_S = 300.0  # without panel power before the bank's current is taken to be all drawn
ONE_MOMENT_S = 1.0  # two meters are held against each other when they are read within this
LEAD_EVERY_S = 10.0  # and not more often than this
APART_EVERY_S = 300.0  # how often two voltmeters are held against each other in the dark,
APART_C = 0.02  # at so small a current through the lead, nameplates an hour
NO_AIRTIME = ("transmitting_s", "keying_pause_ratio", "transmit_a_shift", "unexplained_a")  # facts where none is seen
ESTIMATOR = "halfmark"  # the instrument name under which it goes there
ASIDE = (
    "bank_c",
    "controller_c",
    "panel_w",
    "charge_a",
    "load_a",
)  # what the filter is told beside the bank's own lead


class Station:
    """Everything known of one site, stepped by readings and by time.

    Times are seconds since boot; `bridge` carries the knowledge over a reboot.
    """

    def __init__(self, site: Site, *, start_s: float = 0.0, start_soc: float | None = None) -> None:
        self.site = site
        self.plan = bank_current_plan(site)
        self.sources = sources(site)
        self.has_shunt = self.plan.from_shunt is not None
        self.charge = ChargeFilter(site.bank, has_shunt=self.has_shunt, start_soc=start_soc)
        self.watches = rules_for(site)
        self.alerts = AlertBook(self.watches)
        self.site_facts = SiteFacts(site, self.watches)
        self.ahead = AheadWatch(site)
        self.fed_s: float | None = None  # when the filter was last stepped
        self._awaited_s = dict.fromkeys(site.instruments, start_s)  # since when an instrument is expected to answer
        self._seen: dict[str, dict[str, float]] = {}  # instrument -> quantity -> value
        self._seen_s: dict[str, float] = {}
        self._stale_after_s = {
            name: max(FRESH_LEAST_S, FRESH_PERIODS * row.every_s) for name, row in site.instruments.items()
        }
        self._lines: dict[str, list[Instrument]] = {}
        for row in site.instruments.values():
            self._lines.setdefault(row.line, []).append(row)
        self._fact_names = [(name, f"silent_s:{name}", f"suspect_share:{name}") for name in site.instruments]
        asked = [quantity for quantity in self.sources if quantity in HOT or quantity in LOOKED_AT]
        # Where a quantity comes from one instrument alone, nothing is to be joined.
        alone = [quantity for quantity in asked if len(self.sources[quantity]) == 1]
        self._alone = [(quantity, self.sources[quantity][0]) for quantity in alone]
        self._together = [quantity for quantity in asked if quantity not in alone]
        self._counting = tuple(name for name, row in site.instruments.items() if "bank_ah_counter" in row.gives)
        self._suspect_share = dict.fromkeys(site.instruments, 0.0)
        self._estimate_s = -ESTIMATE_EVERY_S
        self._pacer = self.plan.pacer
        # The plain case, in which a quantity comes from the pacer alone, needs no search and no look at its age.
        self._bank_v_from_pacer = self._only_from_pacer("bank_v")
        self._own_aside = tuple(quantity for quantity in ASIDE if self._only_from_pacer(quantity))
        self._aside_from_pacer = self._own_aside == ASIDE
        self._counts = self.plan.counter_from == self._pacer
        self.health = BankHealth(site.bank)
        tap = airtime_tap(site)
        self.airtime = None if tap is None else Airtime(tap)
        self._tap, self._slow_load = ("", "") if tap is None else (tap.instrument, tap.slow_load)
        self._charger = self._charger_meter()  # measures the voltage at the other end of the bank's lead
        self._lead_due_s = 0.0
        self._apart_due_s = 0.0

    def _only_from_pacer(self, quantity: str) -> bool:
        return self.sources.get(quantity, (self._pacer,)) == (self._pacer,)

    def _charger_meter(self) -> str:
        if not self.has_shunt:
            return ""
        meters = (i for i in self.site.instruments.values() if "bank_v" in i.gives and i.name != self._pacer)
        return next((i.name for i in meters if is_controller(i)), "")

    # -- readings in ---------------------------------------------------------------------------

    def take(self, reading: Reading) -> Reading | None:
        """Fold one reading in.

        Returns: the estimate as a reading of its own, when one is due for the record; else None.
        """
        name, at_s = reading.instrument, reading.at_s
        self.fold(name, at_s, reading.values, reading.suspect, reading.missing)
        return self._estimate_due(at_s) if name == self._pacer else None

    def fold(
        self,
        name: str,
        at_s: float,
        values: Mapping[str, float],
        suspect: Collection[str] = (),
        missing: Collection[str] = (),
    ) -> None:
        """Fold in what a reading would hold, for those who have many and no use for an estimate of each."""
        seen = self._seen.get(name)
        if seen is None:
            seen = self._seen[name] = {}
        seen.update(values)
        if suspect or missing:
            for quantity in (*suspect, *missing):
                seen.pop(quantity, None)
        self._seen_s[name] = at_s
        share = self._suspect_share.get(name, 0.0)
        if share > 1e-9 or suspect:
            self._suspect_share[name] = share + (float(bool(suspect)) - share) / SUSPECT_MEMORY
        if name == self._pacer:
            self._step_charge(at_s, values, seen)
        if name == self._tap:
            self._step_airtime(at_s, values)
        elif name == self._slow_load and self.airtime is not None and "load_a" in values:
            self.airtime.confirm(at_s, values["load_a"])
        if name == self._charger:
            self._compare_meters(at_s)

    def _step_charge(self, at_s: float, values: Mapping[str, float], seen: Mapping[str, float]) -> None:
        counter = None
        if self.has_shunt:
            bank_a = values.get("bank_a")
            if self._counts:
                counter = values.get("bank_ah_counter")
        else:
            bank_a = self.plan.form(self._fresh(at_s))
        own_v = bank_v = values.get("bank_v")
        if bank_v is None:
            bank_v = seen.get("bank_v") if self._bank_v_from_pacer else self.value("bank_v", at_s)
        bank_c, controller_c, panel_w, charge_a, load_a = (
            map(seen.get, ASIDE) if self._aside_from_pacer else self._aside(at_s, seen)
        )
        charge, health = self.charge, self.health
        charge.step(at_s, bank_v, bank_a, counter, bank_c, controller_c, panel_w, charge_a, load_a)
        self.fed_s = at_s
        self.ahead.row(at_s, bank_v, bank_a, counter, panel_w, charge_a, controller_c, charge)
        if own_v is not None and bank_a is not None and self.has_shunt and health.ohm.step(at_s, own_v, bank_a):
            health.fold_ohm(at_s, charge)
        if at_s >= health.due_s:
            charger_v = self._value_of(self._charger, "bank_v", at_s) if self._charger else None
            health.fold(at_s, charge, bank_v=bank_v, bank_a=bank_a, charger_v=charger_v)
        if self._charger and at_s >= self._lead_due_s:
            self._compare_meters(at_s)

    def _aside(self, now_s: float, seen: Mapping[str, float]) -> Iterator[float | None]:
        """What the filter is told beside the bank's own lead, where some of it is told by other instruments."""
        fresh = self._fresh_values(now_s)
        for quantity in ASIDE:
            yield seen.get(quantity) if quantity in self._own_aside else self._joined(quantity, fresh)

    def _step_airtime(self, at_s: float, values: Mapping[str, float]) -> None:
        airtime = self.airtime
        if airtime is None:
            return
        current_a = values.get(airtime.tap.quantity)
        if current_a is not None:
            airtime.step(at_s, airtime.tap.sign * current_a, self.charge.dark_s > DARK_S)

    def _compare_meters(self, now_s: float) -> None:
        """Hold the voltages at both ends of the lead against each other, when both were read just now."""
        bank_s, charger_s = self._seen_s.get(self._pacer or ""), self._seen_s.get(self._charger)
        if now_s < self._lead_due_s or bank_s is None or charger_s is None or abs(bank_s - charger_s) > ONE_MOMENT_S:
            return
        bank, charger = self._seen[self._pacer or ""], self._seen[self._charger]
        lead_a = self._lead_a(charger, bank)
        if lead_a is not None and "bank_v" in bank and "bank_v" in charger:
            self._lead_due_s = now_s + LEAD_EVERY_S
            apart_v = charger["bank_v"] - bank["bank_v"]
            self.health.lead.fold(lead_a, apart_v)
            small = abs(lead_a) < APART_C * self.site.bank.capacity_ah
            if small and self.charge.dark_s > DARK_S and now_s >= self._apart_due_s:
                self._apart_due_s = now_s + APART_EVERY_S
                self.charge.voltages_apart(apart_v)

    def _lead_a(self, charger: Mapping[str, float], bank: Mapping[str, float]) -> float | None:
        """Current from the controller to the bank, A: its own figures, of the moment of its voltage, go first."""
        charge_a, load_a = charger.get("charge_a"), charger.get("load_a")
        if charge_a is None or load_a is None:
            return bank.get("bank_a")
        at_controller = ends_of(self.site.instruments[self._charger], "load_a") == CONTROLLER_LOADS
        return charge_a - load_a if at_controller else charge_a

    def _fresh(self, now_s: float) -> Mapping[tuple[str, str], float]:
        """What the bank current is formed from, as far as it is known now."""
        parts = {}
        for term in self.plan.charge_from + self.plan.load_from:
            value = self._value_of(term.instrument, term.quantity, now_s)
            if value is not None:
                parts[term.instrument, term.quantity] = value
        return parts

    def _is_fresh(self, instrument: str, now_s: float) -> bool:
        seen_s = self._seen_s.get(instrument)
        return seen_s is not None and now_s - seen_s <= self._stale_after_s.get(instrument, FRESH_LEAST_S)

    def _estimate_due(self, at_s: float) -> Reading | None:
        if at_s - self._estimate_s < ESTIMATE_EVERY_S:
            return None
        self._estimate_s = at_s
        return Reading(ESTIMATOR, at_s, {"soc_frac": self.charge.soc_frac, "soc_sigma": self.charge.soc_sigma})

    # -- what is known now ---------------------------------------------------------------------

    def value(self, quantity: str, now_s: float) -> float | None:
        """The quantity now, in its own unit: summed or from its preferred source; None when not known."""
        return self._joined(quantity, self._fresh_values(now_s))

    def _fresh_values(self, now_s: float) -> dict[str, dict[str, float]]:
        """What every instrument showed last, of those whose values still count."""
        return {name: seen for name, seen in self._seen.items() if self._is_fresh(name, now_s)}

    def _joined(self, quantity: str, fresh: Mapping[str, Mapping[str, float]]) -> float | None:
        """One quantity of what `_fresh_values` gave."""
        names = self.sources.get(quantity, ())
        if quantity in SUMMED:
            parts = [fresh[name].get(quantity) for name in names if name in fresh]
            known = [part for part in parts if part is not None]
            return sum(known) if known and len(known) == len(names) else None
        for name in names:
            if name in fresh and (value := fresh[name].get(quantity)) is not None:
                return value
        return None

    def _value_of(self, name: str, quantity: str, now_s: float) -> float | None:
        seen = self._seen.get(name)
        value = None if seen is None else seen.get(quantity)
        return value if value is not None and self._is_fresh(name, now_s) else None

    def source_of(self, quantity: str, now_s: float) -> tuple[str, float] | None:
        """Which instrument the present value comes from, and its age in seconds; the oldest part of a sum."""
        names = [n for n in self.sources.get(quantity, ()) if self._value_of(n, quantity, now_s) is not None]
        if not names:
            return None
        if quantity in SUMMED:
            return " + ".join(names), max(now_s - self._seen_s[n] for n in names)
        return names[0], now_s - self._seen_s[names[0]]

    def _present(self, now_s: float) -> dict[str, float | None]:
        """All that look and facts ask for: of temperatures the hottest, else as `value` gives it."""
        fresh = self._fresh_values(now_s)
        present = {quantity: fresh[name].get(quantity) for quantity, name in self._alone if name in fresh}
        for quantity in self._together:
            present[quantity] = (self._hottest if quantity in HOT else self._joined)(quantity, fresh)
        return present

    def _hottest(self, quantity: str, fresh: Mapping[str, Mapping[str, float]]) -> float | None:
        """The highest of several instruments' temperatures: the one that does harm first."""
        names = self.sources.get(quantity, ())
        known = [v for name in names if name in fresh and (v := fresh[name].get(quantity)) is not None]
        return max(known, default=None)

    def share_below_half(self) -> float | None:
        """Probability that the charge is below the half mark, 0 to 1; None before the first estimate."""
        return None if self.fed_s is None else self.charge.share_below(self.site.bank.half_mark)

    def silent_s(self, instrument: str, now_s: float) -> float:
        """Seconds since the instrument's last answer, or since the start."""
        return now_s - self._seen_s.get(instrument, self._awaited_s[instrument])

    def line_quiet_s(self, line: str, now_s: float) -> float:
        """Seconds for which no instrument of a line has answered; 0 while one does, or where it has only one."""
        rows = self._lines[line]
        if len(rows) < 2:
            return 0.0
        silent_s = [self.silent_s(row.name, now_s) for row in rows]
        lasting = all(
            length_s >= max(QUIET_LINE_S, ANSWERING_TURNS * row.every_s)
            for length_s, row in zip(silent_s, rows, strict=True)
        )
        return min(silent_s) if lasting else 0.0

    def facts(self, now_s: float, told: Mapping[str, float | None] = _NOTHING) -> dict[str, float | None]:
        """Everything the rules may look at; None where it is not known.

        Args:
            now_s: seconds since boot.
            told: facts only the service can know, see `shared.service_rules.TOLD_FACTS`.
        """
        return self._facts(now_s, told, self._present(now_s).get)

    def _facts(
        self, now_s: float, told: Mapping[str, float | None], present: Callable[[str], float | None]
    ) -> dict[str, float | None]:
        facts: dict[str, float | None] = {"share_below_half": self.share_below_half()}
        for quantity in HEATED:
            facts[quantity] = present(quantity)
        for name, silent, suspect in self._fact_names:
            facts[silent] = self.silent_s(name, now_s)
            facts[suspect] = self._suspect_share[name] if name in self._seen_s else None
        for line in self._lines:
            facts[f"line_down_s:{line}"] = self.line_quiet_s(line, now_s)
        facts.update(dict.fromkeys(NO_AIRTIME) if self.airtime is None else self.airtime.facts(now_s))
        facts.update(self.health.facts(now_s))
        facts |= self.site_facts.facts
        facts |= self.ahead.facts(now_s)
        for name, value in told.items():
            facts[name] = max(value or 0.0, facts.get(name) or 0.0) if name.startswith("line_down_s:") else value
        return facts

    def step_rules(
        self,
        now_s: float,
        told: Mapping[str, float | None] = _NOTHING,
        *,
        utc_s: float | None = None,
        words: Mapping[str, str] = _NO_WORDS,
    ) -> list[AlertEvent]:
        """Step every rule on what is known now.

        Args:
            now_s: seconds since boot.
            told: facts only the service can know.
            utc_s: the same moment by a trusted clock, seconds since 1970; None without one.
            words: what is to be said beside a fact's value, by fact.
        Returns: what happened to alerts.
        """
        present = self._present(now_s).get
        self.site_facts.step(self._look(now_s, utc_s, present))
        self.ahead.step(now_s, utc_s, None if self.fed_s is None else self.charge)

        def words_of(fact: str) -> str | None:
            return words[fact] if fact in words else self.ahead.words(now_s).get(fact)

        return self.alerts.step(now_s, self._facts(now_s, told, present), words_of)

    def look(self, now_s: float, utc_s: float | None = None) -> Look:
        """What is known of the site at this instant, for those who watch over hours and days."""
        return self._look(now_s, utc_s, self._present(now_s).get)

    def _look(self, now_s: float, utc_s: float | None, present: Callable[[str], float | None]) -> Look:
        known = self.fed_s is not None
        counters = [(name, self._value_of(name, "bank_ah_counter", now_s)) for name in self._counting]
        soc_frac, soc_sigma = (self.charge.soc_frac, self.charge.soc_sigma) if known else (None, None)
        counted = tuple([(name, count_ah) for name, count_ah in counters if count_ah is not None])
        return Look._make((now_s, utc_s, soc_frac, soc_sigma, *map(present, LOOKED_AT), counted))

    # -- over restarts -------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """What must survive a restart, without the alerts (they have a snapshot of their own)."""
        return {
            "v": 1,
            "at_s": self.fed_s,
            "about": self._about(),
            "charge": self.charge.snapshot(),
            "health": self.health.snapshot(),
            "airtime": None if self.airtime is None else self.airtime.snapshot(),
            "lead_due_s": self._lead_due_s,
            "facts": self.site_facts.snapshot(),
            "ahead": self.ahead.snapshot(),
        }

    def changed(self, part: str) -> None:
        """A part was replaced: forget what was learned about it, and only that.

        Args:
            part: one of `shared.charge.PARTS`. Raises ValueError for any other.
        """
        self.charge.changed(part)
        self.site_facts.changed(part)
        self.ahead.changed(part)
        if part == "bank":
            self.health.clear()
        elif part == "shunt":
            self.health.lead.clear()
            self.health.ohm.clear()

    def align(self, midnight_s: float) -> None:
        """Let days and hours of airtime and health begin with the clock's.

        Args:
            midnight_s: any local midnight, seconds since boot, below zero before it.
        """
        self.health.days.align(midnight_s)
        if self.airtime is not None:
            self.airtime.hours.align(midnight_s)

    def _restore_watch(self, snapshot: Mapping[str, object]) -> None:
        """Take up health and airtime; what can't be read begins anew, and costs the estimate nothing."""
        health, airtime, due_s = snapshot.get("health"), snapshot.get("airtime"), snapshot.get("lead_due_s")
        self._lead_due_s = float(due_s) if isinstance(due_s, int | float) else 0.0
        try:
            if isinstance(health, Mapping):
                self.health.restore(health)
        except (ValueError, KeyError, TypeError):
            self.health = BankHealth(self.site.bank)
        try:
            if isinstance(airtime, Mapping) and self.airtime is not None:
                self.airtime.restore(airtime)
        except (ValueError, KeyError, TypeError):
            self.airtime = Airtime(self.airtime.tap) if self.airtime is not None else None

    def _restore_ahead(self, snapshot: Mapping[str, object]) -> None:
        """Take up what the lookahead learned, as far as it is about this place and panel; else it learns anew."""
        try:
            self.ahead.restore(snapshot)
        except ValueError:
            self.ahead = AheadWatch(self.site)

    def _about(self) -> dict[str, object]:
        """Which parts the estimate is about."""
        bank = self.site.bank
        return {"bank": [bank.chemistry, bank.capacity_ah, bank.cells], "shunt": self.has_shunt}

    def resume(self, snapshot: Mapping[str, object]) -> tuple[str, ...]:
        """Take up a snapshot of this site; readings after it may follow as if nothing had happened.

        Returns: the parts, "bank" or "shunt", that are others by now, so that what was learned about them is gone.
        """
        charge, about = snapshot.get("charge"), snapshot.get("about")
        forgotten: tuple[str, ...] = ()
        if isinstance(charge, Mapping):
            self.charge = ChargeFilter.resume(self.site.bank, charge, has_shunt=self.has_shunt)
            self._restore_watch(snapshot)
            if isinstance(about, Mapping):
                forgotten = tuple(part for part, now in self._about().items() if about.get(part, now) != now)
            for part in forgotten:
                self.changed(part)
        facts = snapshot.get("facts")
        if isinstance(facts, Mapping):
            self.site_facts.restore(facts)
        ahead = snapshot.get("ahead")
        if isinstance(ahead, Mapping):
            self._restore_ahead(ahead)
        at_s = snapshot.get("at_s")
        self.fed_s = float(at_s) if isinstance(at_s, int | float) else None
        return forgotten

    def resume_alerts(self, snapshot: Mapping[str, object], *, last_event_id: int = 0) -> None:
        """Take up the alerts of this site as they stood; raises ValueError when they can't be read."""
        self.alerts = AlertBook.resume(self.watches, snapshot, last_event_id=last_event_id)

    def restart_alerts(self, *, last_event_id: int) -> None:
        """Begin a book of alerts in which nothing stands; event numbers go on after the last one."""
        self.alerts = AlertBook(self.watches, last_event_id=last_event_id)

    def succeed(
        self, old: "Station", *, same_devices: Collection[str], same_currents: Collection[str]
    ) -> tuple[str, ...]:
        """Go on from the station of an earlier site file, with all of it that the new file leaves true.

        Args:
            old: as it was fed last; not to be used any more.
            same_devices: instruments that are still the same device.
            same_currents: of these, those whose currents are still read and meant in the same way.
        Returns: the parts, "bank" or "shunt", about which what was learned had to be forgotten.
        """
        for name in same_devices:
            if name in old._seen_s:
                self._seen[name], self._seen_s[name] = old._seen[name], old._seen_s[name]
            self._suspect_share[name] = old._suspect_share[name]
            self._awaited_s[name] = old._awaited_s[name]
        self._estimate_s, self.fed_s = old._estimate_s, old.fed_s
        self.alerts = AlertBook.resume(self.watches, old.alerts.snapshot())
        self.site_facts.restore(old.site_facts.snapshot())
        self.site_facts.facts = dict(old.site_facts.facts)
        self._restore_ahead(old.ahead.snapshot())
        self.charge = ChargeFilter.resume(self.site.bank, old.charge.snapshot(), has_shunt=self.has_shunt)
        forgotten = []
        if not self.site.bank.is_same_as(old.site.bank):
            forgotten.append("bank")
        if self.plan != old.plan or not self.plan.instruments <= set(same_currents):
            forgotten.append("shunt")
        self._succeed_watch(old)
        for part in forgotten:
            self.changed(part)
        return tuple(forgotten)

    def _succeed_watch(self, old: "Station") -> None:
        """Health goes on; airtime too, with the same transmitter seen in the same place, else only its past hours."""
        self.health.restore(old.health.snapshot())
        self._lead_due_s = old._lead_due_s
        if self.airtime is None or old.airtime is None:
            return
        if self.airtime.tap == old.airtime.tap:
            self.airtime.restore(old.airtime.snapshot())
        else:
            self.airtime.hours = old.airtime.hours

    def notice_context(self, now_s: float, *, utc: datetime | None, origin: str) -> NoticeContext:
        """What a notice about this site needs to know at `now_s`, `utc` by a trusted clock, in boot `origin`."""
        charge, known = self.charge, self.fed_s is not None
        return NoticeContext(
            site=self.site,
            now_s=now_s,
            utc=utc,
            soc_frac=charge.soc_frac if known else None,
            soc_sigma=charge.soc_sigma if known else None,
            capacity_ah=charge.capacity_ah,
            capacity_sigma_ah=charge.capacity_sigma_ah,
            origin=origin,
        )

    def bridge(self, now_s: float, gap_s: float | None) -> None:
        """Go on after a time without readings: seconds since boot may have started over.

        Args:
            now_s: the present, seconds since this boot.
            gap_s: real time since the last reading, s; None when no trusted clock can tell.
        """
        self.charge.bridge(now_s, gap_s)
        self.alerts.bridge(now_s, gap_s)
        self.site_facts.bridge(now_s, gap_s)
        self.ahead.bridge(now_s, gap_s)
        self.health.bridge(now_s, gap_s)
        if self.airtime is not None:
            self.airtime.bridge(now_s, gap_s)
        self._lead_due_s = self._apart_due_s = now_s
        self._seen.clear()
        self._seen_s.clear()
        self._awaited_s = dict.fromkeys(self.site.instruments, now_s)
        self._estimate_s = now_s - ESTIMATE_EVERY_S
