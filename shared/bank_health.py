"""The bank's health: how much of it is left, what wears it, when it was last truly full.

Fed with each reading that has voltage and current of one instant, and once a minute with the
estimate; everything learned carries its error and the time it is from.
"""

from collections.abc import Mapping
from math import sqrt
from typing import Any

from attrs import asdict

from shared.bank_days import BankDays, change
from shared.charge import ChargeFilter
from shared.charge_plateau import ChargePlateau, needed_v, off_v
from shared.cycle_count import CycleCount
from shared.keying_ohm import KeyingOhm
from shared.lead_drop import LeadDrop
from shared.site import Bank

MINUTE_S = 60.0
SNAPSHOT_VERSION = 1
FULL = 0.97  # charge from which on a bank is truly full, by an estimate
FULL_SIGMA = 0.05  # that is as sure as this: judgement, the estimator itself counts 1 to 3 % as held back
_KNOWN_SIGMA = 0.15  # a charge less sure than this is no cycle, no low, no high
_GAP_S = 600.0  # longer without a minute, and it is not known what was between
_CAPACITY_AFTER_S = 3 * 86_400.0  # of watching, before the capacity is judged
_CELLS_12_V: Mapping[str, int] = {"lifepo4": 4}
_MISSING_C = 25.0
_MONTH = 30
_MARKS = (
    "_capacity_ah", "_capacity_sigma_ah", "_watched_s", "begun_s", "due_s", "exact", "folded_s", "full_s", "full_sigma",
    "full_soc",
)  # fmt: skip


class BankHealth:
    """Follows one bank.

    Attributes:
        days: what became of it day by day.
        ohm: its resistance; lead: what the lead to the controller loses.
        cycles: what was counted of them; plateau: at which voltage it is really held.
        begun_s: since when this bank is watched, seconds since boot.
        full_s: when it was truly full last; None when it never was while watched.
        full_soc, full_sigma: the estimate then.
        exact: no gap of unknown length lies in between; else ages are at least.
        due_s: when `fold` is due.
    """

    __slots__ = (
        "_capacity_ah", "_capacity_sigma_ah", "_watched_s", "bank", "begun_s", "cycles", "days", "due_s", "exact",
        "folded_s", "full_s", "full_sigma", "full_soc", "lead", "ohm", "plateau",
    )  # fmt: skip

    def __init__(self, bank: Bank) -> None:
        """Start watching a bank as the site file has it."""
        self.bank = bank
        self.days = BankDays()
        self.ohm = KeyingOhm(bank.capacity_ah)
        self.lead = LeadDrop(bank.capacity_ah)
        self.cycles = CycleCount(bank.chemistry)
        self.plateau = ChargePlateau(bank)
        self.due_s = 0.0
        self.clear()

    def clear(self) -> None:
        """Another bank: nothing of the old one counts. What the leads lose is theirs, not the bank's."""
        phase_s = self.days.phase_s
        self.days.clear()
        self.days.phase_s = phase_s
        self.ohm.clear()
        self.cycles.clear()
        self.begun_s: float | None = None
        self.full_s: float | None = None
        self.full_soc = self.full_sigma = 0.0
        self.folded_s: float | None = None
        self.exact = True
        self._watched_s = 0.0
        self._capacity_ah: float | None = None
        self._capacity_sigma_ah = 0.0

    # -- what comes in -------------------------------------------------------------------------

    def fold_ohm(self, at_s: float, charge: ChargeFilter) -> None:
        """Make a resistance of the steps that `ohm.step` found enough of."""
        ohm = self.ohm.fold(at_s, _MISSING_C if charge.bank_c is None else charge.bank_c, charge.soc_frac)
        today = self.days.today
        if today is not None and ohm is not None:
            today.ohm = ohm if today.ohm is None else today.ohm + (ohm - today.ohm) / 3.0

    def fold(
        self, at_s: float, charge: ChargeFilter, *, bank_v: float | None, bank_a: float | None, charger_v: float | None
    ) -> None:
        """Fold in one minute.

        Args:
            at_s: seconds since boot.
            charge: the estimate, as it is now.
            bank_v, bank_a: at the bank, V and A charging above zero; None when not known.
            charger_v: at the charger's own terminals, V; None when no other meter is there.
        """
        self.due_s = at_s + MINUTE_S
        today, ended = self.days.at(at_s)
        if ended:
            self.plateau.end_day()
        last_s, self.folded_s = self.folded_s, at_s
        if self.begun_s is None:
            self.begun_s = at_s
        self._capacity_ah, self._capacity_sigma_ah = charge.capacity_ah, charge.capacity_sigma_ah
        today.capacity_ah, today.capacity_sigma_ah = self._capacity_ah, self._capacity_sigma_ah
        dt_s = 0.0 if last_s is None else at_s - last_s
        if not 0.0 < dt_s <= _GAP_S:
            self.plateau.pause()
            dt_s = 0.0
        self._watched_s += dt_s
        today.seen_s += dt_s
        self._fold_charge(at_s, dt_s, charge)
        self._fold_plateau(at_s, charge, bank_v, bank_a, charger_v)

    def _fold_charge(self, at_s: float, dt_s: float, charge: ChargeFilter) -> None:
        soc_frac, today = charge.soc_frac, self.days.today
        if charge.soc_sigma > _KNOWN_SIGMA or today is None:
            return
        today.see(soc_frac)
        today.below_h += charge.share_below(self.bank.half_mark) * dt_s / 3600.0
        before = self._wear()
        self.cycles.fold(soc_frac)
        today.wear += self._wear() - before
        if soc_frac >= FULL and charge.soc_sigma <= FULL_SIGMA:
            self.full_s, self.full_soc, self.full_sigma = at_s, soc_frac, charge.soc_sigma

    def _wear(self) -> float:
        """Likely share of the life used: between least and most in the middle of the logarithms."""
        return sqrt(self.cycles.wear_least * self.cycles.wear_most)

    def _fold_plateau(
        self, at_s: float, charge: ChargeFilter, bank_v: float | None, bank_a: float | None, charger_v: float | None
    ) -> None:
        if charge.dark_s > 0.0 or bank_v is None or bank_a is None:
            self.plateau.pause()
            return
        bank_c = _MISSING_C if charge.bank_c is None else charge.bank_c
        charger_c = bank_c if charge.charger_c is None else charge.charger_c
        self.plateau.fold(at_s, bank_v if charger_v is None else charger_v, bank_v, bank_a, charger_c, bank_c)

    # -- what is asked of it -------------------------------------------------------------------

    def facts(self, now_s: float) -> dict[str, float | None]:
        """What rules look at; None where it is not known.

        capacity_share: capacity over nameplate, at the best of its error.
        days_since_full: days since the bank was truly full, or since it is watched.
        charge_v_off: how far the absorption voltage is off, V for a bank of 12 V, in size.
        ohm_jump, ohm_rise: resistance above the week before, and above the first, as shares.
        lead_mohm: resistance of the lead between controller and bank, milliohm, at the least of its error.
        """
        lead = self.lead.ohm()
        off = self.plateau.off_v()
        twelve = self.bank.cells / _CELLS_12_V.get(self.bank.chemistry, 6)
        since_s = self.full_s if self.full_s is not None else self.begun_s
        return {
            "capacity_share": self._share_at_best(),
            "days_since_full": None if since_s is None else (now_s - since_s) / 86_400.0,
            "charge_v_off": None if off is None else abs(off) / twelve,
            "ohm_jump": self.ohm.jump(),
            "ohm_rise": self.ohm.rise(),
            "lead_mohm": None if lead is None else 1000.0 * max(0.0, lead[0] - 2.0 * lead[1]),
        }

    def _share_at_best(self) -> float | None:
        if self._capacity_ah is None or self._watched_s < _CAPACITY_AFTER_S:
            return None
        return (self._capacity_ah + self._capacity_sigma_ah) / self.bank.capacity_ah

    def report(self, now_s: float) -> dict[str, object]:
        """The three answers as plain data; times as seconds before `now_s`, None where nothing is known."""
        return {
            "watched_s": None if self.begun_s is None else now_s - self.begun_s,
            "exact": self.exact,
            "left": self._left(),
            "wear": self._wears(now_s),
            "full": self._full(now_s),
        }

    def _left(self) -> dict[str, object]:
        changed = change(self.days.all)
        nameplate_ah = self.bank.capacity_ah
        return {
            "nameplate_ah": nameplate_ah,
            "capacity_ah": self._capacity_ah,
            "capacity_sigma_ah": self._capacity_sigma_ah,
            "share": None if self._capacity_ah is None else self._capacity_ah / nameplate_ah,
            "change_ah": None if changed is None else changed[0],
            "change_sigma_ah": None if changed is None else changed[1],
            "change_over_d": None if changed is None else changed[2],
        }

    def _wears(self, now_s: float) -> dict[str, object]:
        rows = self.days.all
        lows = [row for row in rows if row.least_soc is not None]
        deepest = min(lows, key=lambda row: row.least_soc or 0.0, default=None)
        lead, apart_v, ohm = self.lead.ohm(), self.lead.apart_v(), dict(self.ohm.report())
        at_s = ohm.pop("ohm_at_s")
        return {
            **self.cycles.with_open(),
            "below_half_h": sum(row.below_h for row in rows),
            "below_half_h_month": sum(row.below_h for row in rows[-_MONTH:] if row.days == 1),
            "wear_month": sum(row.wear for row in rows[-_MONTH:] if row.days == 1),
            "month_d": sum(row.days for row in rows[-_MONTH:] if row.days == 1),
            "deepest_soc": None if deepest is None else deepest.least_soc,
            "deepest_ago_s": None if deepest is None else now_s - deepest.begin_s,
            **ohm,
            "ohm_ago_s": None if at_s is None else now_s - at_s,
            "lead_ohm": None if lead is None else lead[0],
            "lead_ohm_sigma": None if lead is None else lead[1],
            "meters_apart_v": apart_v,
            **self._set_point(now_s),
        }

    def _set_point(self, now_s: float) -> dict[str, object]:
        found = self.plateau.found()
        if found is None:
            return {"absorb_v": None}
        low_v, high_v = needed_v(self.bank, found.bank_c)
        from_file_v, outside_v = off_v(self.bank, found)
        return {
            "absorb_v": found.charger_v,
            "absorb_c": found.charger_c,
            "absorb_ago_s": now_s - found.at_s,
            "absorb_off_file_v": from_file_v,
            "absorb_off_need_v": outside_v,
            "absorb_need_v": [low_v, high_v],
            "absorb_bank_v": found.bank_v,
        }

    def _full(self, now_s: float) -> dict[str, object]:
        known = self.full_s is not None
        rows = [row for row in self.days.all if row.most_soc is not None]
        best = [max((row.most_soc or 0.0 for row in part), default=None) for part in (rows[-7:], rows[-14:-7])]
        return {
            "ago_s": None if self.full_s is None else now_s - self.full_s,
            "soc": self.full_soc if known else None,
            "sigma": self.full_sigma if known else None,
            "best_week_soc": best[0],
            "best_week_before_soc": best[1],
        }

    # -- over restarts -------------------------------------------------------------------------

    def bridge(self, at_s: float, gap_s: float | None) -> None:
        """Seconds since boot have started over; `gap_s` is the time in between, None when nobody knows."""
        if self.folded_s is not None:
            by_s = at_s - self.folded_s - (gap_s or 0.0)
            self.days.shift(by_s)
            self.ohm.shift(by_s)
            self.plateau.shift(by_s)
            self.begun_s = None if self.begun_s is None else self.begun_s + by_s
            self.full_s = None if self.full_s is None else self.full_s + by_s
            self.exact = self.exact and gap_s is not None
            self.folded_s = at_s
        self.due_s = at_s

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {
            "v": SNAPSHOT_VERSION,
            "bank": asdict(self.bank),
            "days": self.days.snapshot(),
            "ohm": self.ohm.snapshot(),
            "lead": self.lead.snapshot(),
            "cycles": self.cycles.snapshot(),
            "plateau": self.plateau.snapshot(),
            "marks": {name: getattr(self, name) for name in _MARKS},
        }

    @classmethod
    def of(cls, saved: Mapping[str, Any]) -> "BankHealth":
        """Take a snapshot up with the bank it is of; for those who have no site file.

        Raises: ValueError, KeyError or TypeError: it is none of ours.
        """
        made = cls(Bank(**saved["bank"]))
        made.restore(saved)
        return made

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back; raises ValueError, KeyError or TypeError when it is none of ours."""
        if saved.get("v") != SNAPSHOT_VERSION:
            raise ValueError(f"health of version {saved.get('v')!r}, this one reads {SNAPSHOT_VERSION}")
        self.days.restore(saved["days"])
        self.ohm.restore(saved["ohm"])
        self.lead.restore(saved["lead"])
        self.cycles.restore(saved["cycles"])
        self.plateau.restore(saved["plateau"])
        for name in _MARKS:
            setattr(self, name, saved["marks"][name])
