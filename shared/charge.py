"""State of charge of the bank, row by row: counted, corrected by what voltage and current can tell.

Each row is counted at once, so that `soc_frac` is always new. Once in five minutes, and each minute while the
charger holds the bank near its absorption voltage, the mean of the rows is folded into what is believed of
the bank (`shared.bank_belief`), which knows how much each kind of evidence is worth.
"""

from collections.abc import Mapping
from math import erfc, exp, sqrt
from typing import Any

from shared.ah_count import AhCount
from shared.bank_belief import CAPACITY, EFFICIENCY, OFFSET, REMOVED, RESISTANCE, BankBelief
from shared.chemistry import Chemistry
from shared.keying_edges import KeyingEdges
from shared.rate_effect import hours_at, share_when_cold
from shared.regulation import Regulation
from shared.row_screen import FreezeWatch, SpikeScreen
from shared.second_current import SecondCurrent
from shared.site import Bank

SNAPSHOT_VERSION = 4
PARTS = ("bank", "panel", "shunt")

_MINUTE_S = 60.0
_REST_EVERY_S = 300.0  # a rest voltage changes slowly; more often tells nothing more
_GAP_S = 120.0  # a mean over more than this without rows stands for nothing
_DARK_W_PER_AH = 0.02  # panel power below this over nameplate is dusk, dawn or a meter's noise
_DARK_FOR_S = 900.0
_CHARGING_C = 0.004  # current that counts as charging, nameplates an hour
_REST_NIGHT_S = 6.0 * 3600.0  # what a person's rest voltage is worth with a perfect meter
_REST_C = 0.08  # a heavier mean load is no rest
_UNKNOWN_C = (15.0, 12.0)  # temperature and its error, C and K, when no thermometer answers
_CHARGER_APART_K = 4.0  # how far a charger's temperature may be from its bank's: judgement
_START_SIGMA = 0.05
_UNKNOWN_GAP_FRAC = 0.10  # share of the nameplate that may have flowed in a gap of unknown length without a counter
_TALLIES = ("span_s", "went_ah", "charged_ah", "variance_ah2", "rows", "sum_v", "low_v", "high_v", "rows_a", "sum_a")
_MARKS = ("at_s", "dark_s", "rest_s", "bank_c", "error_c", "charger_c", "mean_v", "gap_unknown", "fold_s")


class ChargeFilter:
    """The estimate of one bank. Not thread-safe; changed in place by `step`.

    Attributes:
        soc_frac: charge left over present capacity, 0..1.
        soc_sigma: its standard error.
        revision: another number whenever more than soc_frac may have changed, which moves with each row.
    """

    __slots__ = (
        *_TALLIES, *_MARKS, "bank", "belief", "has_shunt", "revision", "soc_frac", "soc_sigma", "_a_screen",
        "_c_screen", "_charging_a", "_count", "_dark_w", "_edges", "_freeze", "_regulation", "_second", "_v_screen",
    )  # fmt: skip

    def __init__(
        self,
        bank: Bank,
        *,
        has_shunt: bool = True,
        start_soc: float | None = None,
        start_sigma: float | None = None,
        chemistry: Chemistry | None = None,
    ) -> None:
        """Begin with an unknown charge, or one that is told.

        Args:
            bank: as in the site file.
            has_shunt: False when bank_a will be the net of the controller's own currents.
            start_soc: charge at the first row, 0..1, if known.
            start_sigma: its standard error, 0.05 if not given.
            chemistry: bands to start from instead of the published ones.
        """
        self.bank = bank
        self.has_shunt = has_shunt
        self.belief = BankBelief(bank, has_shunt=has_shunt, chemistry=chemistry)
        if start_soc is not None:
            self.belief.start_at(start_soc, _START_SIGMA if start_sigma is None else start_sigma)
        scale_ah = bank.capacity_ah
        self._count = AhCount(scale_ah)
        self._edges = KeyingEdges(scale_ah)
        self._freeze = FreezeWatch(3e-4 * scale_ah)
        self._regulation = Regulation(bank)
        self._second = SecondCurrent(scale_ah)
        self._v_screen = SpikeScreen(0.15 * bank.cells)
        self._a_screen = SpikeScreen(0.35 * scale_ah)
        self._c_screen = SpikeScreen(4.0)
        self._charging_a = _CHARGING_C * scale_ah
        self._dark_w = _DARK_W_PER_AH * scale_ah
        self.at_s: float | None = None
        self.dark_s = 0.0
        self.rest_s = 0.0
        self.bank_c: float | None = None
        self.error_c = 0.0
        self.charger_c: float | None = None
        self.mean_v = bank.float_v
        self.gap_unknown = False
        self.fold_s = _MINUTE_S
        self.revision = 0
        self._clear_span()
        self._show()

    def _clear_span(self) -> None:
        self.span_s = self.went_ah = self.charged_ah = self.variance_ah2 = 0.0
        self.sum_v = self.sum_a = 0.0
        self.low_v = 1e9
        self.high_v = 0.0
        self.rows = self.rows_a = 0

    # Rows.

    def step(
        self,
        at_s: float,
        bank_v: float | None,
        bank_a: float | None,
        ah_counter: float | None = None,
        bank_c: float | None = None,
        controller_c: float | None = None,
        panel_w: float | None = None,
        charge_a: float | None = None,
        load_a: float | None = None,
    ) -> None:
        """Fold one row in.

        Args:
            at_s: elapsed seconds, growing; a row that is not later than the last one is left out.
            bank_v: V of the whole bank.
            bank_a: A, positive charges.
            ah_counter: the shunt's own counter, Ah, positive charges.
            bank_c: temperature of the bank, C.
            controller_c: temperature of the charge controller, C.
            panel_w: power of the panel, W.
            charge_a: the controller's charge current, A; tells that it charges, and with load_a is held against bank_a.
            load_a: what the controller's load output takes, A.
        """
        # The plain row goes straight through here; whatever is out of the common is looked at by a method.
        last_s = self.at_s
        if bank_v is not None:
            screen = self._v_screen
            if -screen.jump <= bank_v - screen.last <= screen.jump:
                screen.last = bank_v
                screen.doubt = None
            else:
                bank_v = screen.passed(bank_v)
        if bank_a is not None:
            screen = self._a_screen
            if -screen.jump <= bank_a - screen.last <= screen.jump:
                screen.last = bank_a
                screen.doubt = None
            else:
                bank_a = screen.passed(bank_a)
        if bank_c is not None and bank_c != self.bank_c:
            self._take_bank_c(bank_c)
        if controller_c is not None:
            self.charger_c = controller_c
        if last_s is None or self.gap_unknown:
            self._first_row(at_s, bank_a, ah_counter)
            return
        dt_s = at_s - last_s
        if dt_s <= 0.0:
            return
        self.at_s = at_s
        freeze = self._freeze
        if ah_counter != freeze.counter_ah or bank_v != freeze.bank_v or bank_a != freeze.bank_a:
            freeze.moved(bank_v, bank_a, ah_counter)
            frozen = False
        else:
            frozen = freeze.still(dt_s)
        count = self._count
        went_ah = count.advance(dt_s, bank_a, ah_counter, frozen)
        if count.variance_ah2:
            self.variance_ah2 += count.variance_ah2
        span_s = self.span_s = self.span_s + dt_s
        if went_ah:
            self.went_ah += went_ah
            if went_ah > 0.0:
                self.charged_ah += went_ah
        lit = panel_w > self._dark_w if panel_w is not None else charge_a is not None and charge_a > self._charging_a
        if lit or (bank_a is not None and bank_a > self._charging_a):
            self.dark_s = 0.0
        else:
            self.dark_s += dt_s
        if frozen:
            self._edges.last_v = None
        else:
            if bank_v is not None:
                self.rows += 1
                self.sum_v += bank_v
                if bank_v < self.low_v:
                    self.low_v = bank_v
                if bank_v > self.high_v:
                    self.high_v = bank_v
            if bank_a is not None:
                self.rows_a += 1
                self.sum_a += bank_a
            if self.dark_s > _DARK_FOR_S:
                self._edges.step(dt_s, bank_v, bank_a)
            if load_a is not None and charge_a is not None and bank_a is not None and self.has_shunt:
                self._second.step(dt_s if dt_s < _GAP_S else 0.0, bank_a, charge_a, load_a)
        if span_s >= self.fold_s:
            self._fold()
        elif went_ah:
            x = self.belief.x
            soc = 1.0 - (x[0] - self.went_ah) / x[3]
            self.soc_frac = 0.0 if soc < 0.0 else 1.0 if soc > 1.0 else soc

    def _take_bank_c(self, bank_c: float) -> None:
        good_c = self._c_screen.passed(bank_c)
        if good_c is not None:
            self.bank_c = good_c
            self.error_c = 1.0

    def _first_row(self, at_s: float, bank_a: float | None, ah_counter: float | None) -> None:
        """The first row ever, or the first after a gap of unknown length."""
        if self.gap_unknown:
            had_counter = ah_counter is not None and self._count.counter_ah is not None
            went_ah = self._count.advance(86400.0, bank_a, ah_counter, False)
            blind_ah2 = 0.0 if had_counter else (_UNKNOWN_GAP_FRAC * self.bank.capacity_ah) ** 2
            self.belief.x[REMOVED] -= went_ah
            self.belief.blur(min(self._count.variance_ah2, blind_ah2) if not had_counter else 0.0)
            self.gap_unknown = False
            self._show()
        else:
            self._count.advance(1e-3, None, ah_counter, False)
            self._count.last_a = bank_a
        self.at_s = at_s

    # Spans.

    def _fold(self) -> None:
        """Fold the mean of the last rows into the belief, then begin a new span."""
        span_s, rows = self.span_s, self.rows
        if rows:
            self.mean_v = self.sum_v / rows
        bank_c, error_c = self._temperature()
        self.belief.pass_time(span_s, self.went_ah, self.charged_ah, self.variance_ah2, self.mean_v, bank_c)
        self.rest_s += span_s
        if rows and self.rows_a and span_s < self.fold_s + _GAP_S:
            self._see(span_s, bank_c, error_c)
        if self.dark_s > _DARK_FOR_S or not self._regulation.near:
            self.fold_s = _REST_EVERY_S
        else:
            self.fold_s = _MINUTE_S
        self._clear_span()
        self._show()

    def _see(self, span_s: float, bank_c: float, error_c: float) -> None:
        """Let the span's voltage and current tell what they can."""
        mean_a = self.sum_a / self.rows_a
        if self.dark_s > _DARK_FOR_S:
            self._regulation.held_s = 0.0
            if self.rest_s >= _REST_EVERY_S:
                self._see_rest(min(self.rest_s, 600.0), mean_a, bank_c, error_c)
                self.rest_s = 0.0
            return
        self._edges.last_v = None
        charger_c, doubt_k = (bank_c, _CHARGER_APART_K + error_c) if self.charger_c is None else (self.charger_c, 0.0)
        if self._regulation.step(span_s, self.mean_v, self.high_v - self.low_v, charger_c, doubt_k):
            self.belief.see_accepted(span_s, mean_a, self.mean_v, bank_c)

    def _see_rest(self, dt_s: float, mean_a: float, bank_c: float, error_c: float) -> None:
        """Let a dark span's voltage tell, and the edges collected so far."""
        belief, is_low = self.belief, False
        if -_REST_C * self.bank.capacity_ah < mean_a < self._charging_a:
            is_low = belief.see_low(dt_s, self.mean_v, bank_c)
            if not is_low:
                belief.see_rest(dt_s, self.mean_v, mean_a, bank_c, error_c)
        apart = self._second.take()
        if apart is not None:
            belief.doubt_current(*apart)
        if self._edges.ready():
            ohm = self._edges.take_ohm()
            if not is_low:
                belief.see_ohm(ohm)

    def _temperature(self) -> tuple[float, float]:
        """Temperature of the bank, C, and its error, K: its own, else the charger's, else a guess."""
        if self.bank_c is not None:
            return self.bank_c, self.error_c
        if self.charger_c is not None:
            return self.charger_c, 5.0
        return _UNKNOWN_C

    def _show(self) -> None:
        soc, sigma = self.belief.soc()
        self.soc_frac = min(1.0, max(0.0, soc))
        self.soc_sigma = sigma
        self.revision += 1

    # What is asked of it.

    @property
    def capacity_ah(self) -> float:
        """Present capacity at the 20 h rate and 25 C, Ah."""
        return self.belief.x[CAPACITY]

    @property
    def capacity_sigma_ah(self) -> float:
        """Standard error of the capacity, Ah."""
        return sqrt(self.belief.p[CAPACITY][CAPACITY])

    @property
    def soc_capacity_corr(self) -> float:
        """How the errors of `soc_frac` and `capacity_ah` go together: their correlation, -1 to 1.

        With a smaller capacity than believed, what was removed is a larger share: well below full both go together.
        """
        x, p = self.belief.x, self.belief.p
        sigma = self.belief.soc()[1] * self.capacity_sigma_ah
        if sigma <= 0.0:
            return 0.0
        shared = (x[REMOVED] / x[CAPACITY] * p[CAPACITY][CAPACITY] - p[REMOVED][CAPACITY]) / x[CAPACITY]
        return min(1.0, max(-1.0, shared / sigma))

    @property
    def shunt_offset_a(self) -> float:
        """What the current shows when nothing flows, A."""
        return self.belief.x[OFFSET]

    @property
    def shunt_offset_sigma_a(self) -> float:
        """Standard error of the offset, A."""
        return sqrt(self.belief.p[OFFSET][OFFSET])

    def learned(self) -> dict[str, tuple[float, float, float]]:
        """What was learned of this bank and shunt: name -> (value, standard error, seconds since it last told more).

        Names: capacity_ah, shunt_offset_a, efficiency_frac, resistance_frac (over what its chemistry and
        capacity let expect). The time includes gaps whose length is known.
        """
        belief = self.belief
        x, p, age_s = belief.x, belief.p, belief.news.age_s
        rows = (
            ("capacity_ah", CAPACITY, x[CAPACITY], 1.0),
            ("shunt_offset_a", OFFSET, x[OFFSET], 1.0),
            ("efficiency_frac", EFFICIENCY, belief.chemistry.efficiency.value + x[EFFICIENCY], 1.0),
            ("resistance_frac", RESISTANCE, exp(x[RESISTANCE]), exp(x[RESISTANCE])),
        )
        return {name: (value, scale * sqrt(p[i][i]), age_s[i]) for name, i, value, scale in rows}

    def ah_left(self) -> float:
        """Charge left, Ah."""
        return self.soc_frac * self.capacity_ah

    def ah_at_hand(self, load_a: float) -> float:
        """Charge that can be drawn now at this steady load (A, above 0) and temperature, Ah.

        Less than what is left under a heavy load or in the cold; the rest comes back with warmth.
        """
        row, capacity_ah = self.belief.chemistry, self.capacity_ah
        rate = min(1.0, load_a * hours_at(row, capacity_ah, load_a) / capacity_ah)
        share = rate * min(1.0, share_when_cold(row, self._temperature()[0]))
        return max(0.0, self.ah_left() - (1.0 - share) * capacity_ah)

    def share_below(self, level: float) -> float:
        """Probability that the state of charge is below `level` (0..1), by a normal error."""
        sigma = max(self.soc_sigma, 1e-6)
        return 0.5 * erfc((self.soc_frac - level) / (sigma * sqrt(2.0)))

    # What people and restarts tell it.

    def bridge(self, at_s: float, gap_s: float | None) -> None:
        """A new boot or a restart: the clock of `step` starts over.

        Args:
            at_s: elapsed seconds now, on the new clock.
            gap_s: real seconds since the last row, None when nobody knows.
        """
        if self.at_s is None:
            return
        if self.span_s > 0.0:
            self._fold()
        self._edges.last_v = None
        self._regulation.held_s = 0.0
        self.dark_s = 0.0
        if gap_s is None:
            self.gap_unknown = True
            self.at_s = at_s
        else:
            self.at_s = at_s - max(0.0, gap_s)

    def voltages_apart(self, apart_v: float) -> None:
        """Tell how far a second voltmeter at the bank is from the one in `step`, V, at a small current.

        To be told again as long as it is so, each some minutes; a rest voltage is no surer than half of it.
        """
        self.belief.doubt_voltage(abs(apart_v))

    def measured(self, soc_frac: float, sigma: float) -> None:
        """A person measured the state of charge (0..1) with this standard error, above 0."""
        if not 0.0 <= soc_frac <= 1.0 or sigma <= 0.0:
            raise ValueError(f"need soc_frac in 0..1 and sigma above 0, got {soc_frac} and {sigma}")
        if self.span_s > 0.0:
            self._fold()
        self.belief.see_soc(soc_frac, sigma)
        self._show()

    def measured_rest(self, bank_v: float, sigma_v: float, bank_c: float | None = None) -> None:
        """A person measured the rest voltage at the terminals, after hours with nothing connected.

        It is judged like the rest voltages of a whole night, with what is known of this bank's own line.

        Args:
            bank_v: V of the whole bank, above 0.
            sigma_v: standard error of the meter, V, above 0.
            bank_c: temperature of the bank, C; None takes what the site's own thermometers say.
        """
        if bank_v <= 0.0 or sigma_v <= 0.0:
            raise ValueError(f"need bank_v and sigma_v above 0, got {bank_v} and {sigma_v}")
        if self.span_s > 0.0:
            self._fold()
        own_c, error_c = self._temperature()
        own_v = self.belief.chemistry.rest_error_v_cell * self.bank.cells
        # A worse meter is worth a shorter part of the night.
        worth = own_v * own_v / (own_v * own_v + sigma_v * sigma_v)
        nothing_a = self.belief.x[OFFSET]
        temperature = (own_c, error_c) if bank_c is None else (bank_c, 1.0)
        self.belief.see_rest(worth * _REST_NIGHT_S, bank_v, nothing_a, *temperature)
        self._show()

    def measured_capacity(self, capacity_ah: float, sigma_ah: float) -> None:
        """A person measured the capacity by a discharge test.

        Args:
            capacity_ah: Ah at the 20 h rate and 25 C, above 0.
            sigma_ah: its standard error, Ah, above 0.
        """
        if capacity_ah <= 0.0 or sigma_ah <= 0.0:
            raise ValueError(f"need capacity_ah and sigma_ah above 0, got {capacity_ah} and {sigma_ah}")
        if self.span_s > 0.0:
            self._fold()
        self.belief.see_capacity(capacity_ah, sigma_ah)
        self._show()

    def changed(self, part: str) -> None:
        """A part was replaced: forget what was learned about it, and only that.

        Args:
            part: "bank", "panel" or "shunt". Nothing is learned about the panel.
        """
        if part not in PARTS:
            raise ValueError(f"unknown part {part!r}; one of {', '.join(PARTS)}")
        if self.span_s > 0.0:
            self._fold()
        if part == "bank":
            self.belief.forget_bank()
            self._edges.clear()
        elif part == "shunt":
            self.belief.forget_shunt()
            self._second.clear()
            self._count = AhCount(self.bank.capacity_ah)
        self._show()

    # Persistence.

    def snapshot(self) -> dict[str, object]:
        """All of it, as JSON can hold it; `resume` goes on as if nothing had happened."""
        return {
            "version": SNAPSHOT_VERSION,
            "x": list(self.belief.x),
            "p": [list(row) for row in self.belief.p],
            "moved_ah": self.belief.moved_ah,
            "accepted_s": self.belief.accepted_s,
            "belief_c": self.belief.bank_c,
            "was_low": self.belief.was_low,
            "news": self.belief.news.snapshot(),
            "span": {name: getattr(self, name) for name in _TALLIES},
            "marks": {name: getattr(self, name) for name in _MARKS},
            "shown": [self.soc_frac, self.soc_sigma],
            "count": self._count.snapshot(),
            "edges": self._edges.snapshot(),
            "freeze": self._freeze.snapshot(),
            "regulation": self._regulation.snapshot(),
            "second": self._second.snapshot(),
            "screens": [self._v_screen.snapshot(), self._a_screen.snapshot(), self._c_screen.snapshot()],
        }

    @classmethod
    def resume(
        cls,
        bank: Bank,
        snapshot: Mapping[str, object],
        *,
        has_shunt: bool = True,
        chemistry: Chemistry | None = None,
    ) -> "ChargeFilter":
        """Go on from a snapshot.

        Raises: ValueError: it was written by another version, or is not a snapshot.
        """
        if snapshot.get("version") != SNAPSHOT_VERSION:
            raise ValueError(f"snapshot of version {snapshot.get('version')!r}, this is {SNAPSHOT_VERSION}; start anew")
        saved: Mapping[str, Any] = snapshot
        made = cls(bank, has_shunt=has_shunt, chemistry=chemistry)
        made.belief.x = [float(value) for value in saved["x"]]
        made.belief.p = [[float(value) for value in row] for row in saved["p"]]
        made.belief.moved_ah = saved["moved_ah"]
        made.belief.accepted_s = saved["accepted_s"]
        made.belief.bank_c = saved["belief_c"]
        made.belief.was_low = saved["was_low"]
        made.belief.news.restore(saved["news"])
        for name, value in (*saved["span"].items(), *saved["marks"].items()):
            setattr(made, name, value)
        made.soc_frac, made.soc_sigma = saved["shown"]
        made._count.restore(saved["count"])
        made._edges.restore(saved["edges"])
        made._freeze.restore(saved["freeze"])
        made._regulation.restore(saved["regulation"])
        made._second.restore(saved["second"])
        for screen, kept in zip((made._v_screen, made._a_screen, made._c_screen), saved["screens"], strict=True):
            screen.restore(kept)
        return made
