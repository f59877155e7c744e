"""What is believed of the bank, with its covariance, and how time and each kind of evidence change it.

The state is kept in Ah removed from full; the capacity is an unknown beside it, so that a voltage
can tell where the bank stands without telling how large it is. Eleven states:

    REMOVED       Ah removed from full
    SLOW          slow polarisation, V: how far the bank still is from its rest voltage
    OFFSET        offset of the current and of the counter, A (what is shown less what is true)
    CAPACITY      present capacity, Ah, 20 h rate, 25 C
    LEVEL         this unit's (bank and voltmeter) shift of the whole rest line, V
    FALL          this unit's relative change of the fall of the rest line
    ACCEPTANCE    natural logarithm of this bank's acceptance over the chemistry's: its doubt counts, but it is
                  not learned, since accepted current over charge still missing is no straight line, and a line
                  through one day's absorption would leave too little missing
    HOLD_BACK     change of the Ah still missing where acceptance reaches nothing, over nameplate
    RESISTANCE    natural logarithm of this bank's resistance over what chemistry and capacity let expect
    EFFICIENCY    change of the charge efficiency
    GASSING       natural logarithm of gassing and self-discharge over the chemistry's
"""

from math import exp, log, sqrt

from shared.chemistry import Chemistry, gas_a
from shared.covariance import Matrix, diagonal, drift, fold, forget, shrink
from shared.news import News
from shared.own_bands import chemistry_of
from shared.rest_voltage import lead_rest_v, read_curve
from shared.site import Bank

REMOVED, SLOW, OFFSET, CAPACITY, LEVEL, FALL, ACCEPTANCE, HOLD_BACK, RESISTANCE, EFFICIENCY, GASSING = range(11)

_DAY_S = 86400.0
_UNKNOWN_START = (0.30, 0.30)  # Ah removed over nameplate, and its error, when nobody says: judgement
_METER_V_CELL = 0.015 / 6  # voltage offset of a small site's voltmeter: judgement
_OFFSET_A_PER_AH = 0.0006  # current offset of a shunt fitted to a bank of this size: judgement
_NO_SHUNT_A_PER_AH = 0.0020  # and of a sum of a controller's own currents
_REST_CORRELATED_S = 6.0 * 3600.0  # what a rest voltage is off by stays alike for hours
_CURVE_REACH_FRAC = 0.15  # change of charge after which a curve's own error is another one: judgement
_STEEP_V_CELL = 0.75  # slope for all the charge from which on a curve tells of capacity too
_ACCEPT_CORRELATED_S = 3600.0
_ACCEPT_ERROR = 0.15  # of the Ah missing by the accepted current: from hour to hour, judgement
_ACCEPT_ERROR_FRAC = 0.006  # and over nameplate
_BALANCING_S = 1800.0
_ENDING_ERROR_FRAC = 0.005  # scatter of what is missing then from day to day, over nameplate: judgement
# End of discharge at low rates 1.80 to 1.90 V a cell; tables of rest voltage end at 1.93 to 1.98 (reference sheet).
_EMPTY_V_CELL, _LINE_ENDS_V_CELL, _NOT_EMPTY_V_CELL = 1.88, 1.93, 1.98
# What is left at the knee, over capacity, and its error; more in the cold, where 0 C takes 15 to 20 % at the 20 h
# rate (reference sheet, from memory) and about half of that at the small loads of a site: judgement.
_KNEE_LEFT, _KNEE_ERROR, _KNEE_PER_K = 0.02, 0.07, 0.0035
_OHM_BY_CAPACITY = 1.4  # a fifth of the capacity lost goes with 25 to 50 % more resistance: common practice, no source
_COLD_PER_K = 0.03  # acid evens out more slowly in the cold, about twice for 23 K: from memory
OHM_PER_K = 0.007  # a cold bank conducts worse, 0.5 to 1 % for each kelvin: common practice, no source; middle of that
_DEPTH_OHM = 1.2  # relative rise of resistance from full until the nameplate is removed: about +50 % at half, judgement
_DROP_ERROR = 0.5  # of the voltage a small load costs, relative: most of it is no plain resistance, judgement
_OHM_ERROR = 0.08  # of one set of keying edges, relative
_DOUBT = 3.0  # residuals beyond this many standard errors are believed less


class BankBelief:
    """State and covariance, changed in place. Nothing here knows rows, minutes or instruments."""

    __slots__ = (
        "accepted_s", "bank", "bank_c", "chemistry", "moved_ah", "news", "p", "scale_ah", "shunt", "was_low", "x",
        "_drift_per_s",
    )  # fmt: skip

    def __init__(self, bank: Bank, *, has_shunt: bool, chemistry: Chemistry | None = None) -> None:
        """Start with what the published bands, or the maker's own sheet in `chemistry`, and the nameplate say."""
        self.bank = bank
        self.chemistry = chemistry_of(bank) if chemistry is None else chemistry
        self.scale_ah = bank.capacity_ah
        self.shunt = has_shunt
        self.accepted_s = _DAY_S  # since an accepted current was folded in
        self.bank_c = 25.0  # of the time that passed last
        self.was_low = False  # at the knee, since it was last well above
        self.moved_ah = 0.0  # charge that moved since the last rest voltage was folded in
        sigmas = self._prior_sigmas()
        self.x: list[float] = [0.0] * len(sigmas)
        self.x[REMOVED] = _UNKNOWN_START[0] * self.scale_ah
        self.x[CAPACITY] = self.chemistry.health.value * self.scale_ah
        self.p: Matrix = diagonal(sigmas)
        self._drift_per_s = self._drifts()
        self.news = News(self.p)

    def _prior_sigmas(self) -> list[float]:
        row, scale_ah, cells = self.chemistry, self.scale_ah, self.bank.cells
        fall = row.fall_v_cell.sigma / row.fall_v_cell.value if row.fall_v_cell.value else 0.01
        return [
            _UNKNOWN_START[1] * scale_ah,
            row.charge_shift_v_cell * cells,
            (_OFFSET_A_PER_AH if self.shunt else _NO_SHUNT_A_PER_AH) * scale_ah,
            row.health.sigma * scale_ah,
            self._level_sigma_v(),
            fall,
            max(0.01, row.acceptance_spread),
            row.hold_back_frac.sigma,
            row.ohm_ah.sigma,
            row.efficiency.sigma if self.shunt else 3.0 * row.efficiency.sigma,
            row.gas_spread,
        ]

    def _level_sigma_v(self) -> float:
        row = self.chemistry
        own_v = row.curve_error_v_cell if row.rest_points else row.full_v_cell.sigma
        return sqrt(own_v**2 + _METER_V_CELL**2) * self.bank.cells

    def _drifts(self) -> list[float]:
        """Variance each state gains in a second: slow changes of bank and instruments, judgement."""
        scale_ah, cells = self.scale_ah, self.bank.cells
        daily = [
            0.0005 * scale_ah, 0.0005 * cells / 6, 0.00002 * scale_ah, 0.0005 * scale_ah, 0.001 * cells / 6,
            0.002, 0.0, 0.001, 0.01, 0.001, 0.02,
        ]  # fmt: skip
        return [sigma * sigma / _DAY_S for sigma in daily]

    # Figures to read.

    def soc(self) -> tuple[float, float]:
        """State of charge and its standard error, not yet held to 0..1."""
        x, p = self.x, self.p
        left = x[REMOVED] / x[CAPACITY]
        variance = p[REMOVED][REMOVED] - 2.0 * left * p[REMOVED][CAPACITY] + left * left * p[CAPACITY][CAPACITY]
        return 1.0 - left, variance**0.5 / x[CAPACITY]

    def ohm(self) -> float:
        """Expected resistance over some seconds at the present depth and temperature, ohm of the whole bank."""
        row, x = self.chemistry, self.x
        depth = 1.0 + _DEPTH_OHM * max(0.0, x[REMOVED] / self.scale_ah)
        aged = exp(_OHM_BY_CAPACITY * log(self.scale_ah / x[CAPACITY]))
        cold = 1.0 - OHM_PER_K * (min(50.0, max(-30.0, self.bank_c)) - 25.0)
        return row.ohm_ah.value * exp(x[RESISTANCE]) * aged / self.scale_ah * depth * cold * self.bank.cells / 6.0

    # Time.

    def pass_time(
        self, dt_s: float, went_ah: float, charged_ah: float, variance_ah2: float, mean_v: float, bank_c: float
    ) -> None:
        """Let time go by with what the counter saw.

        Args:
            dt_s: seconds.
            went_ah: net Ah into the bank as counted.
            charged_ah: of these the Ah of the times it charged, at least 0.
            variance_ah2: of the counting, Ah squared.
            mean_v: voltage of the bank in that time, V, for gassing.
            bank_c: temperature, C.
        """
        row, x, p, hours = self.chemistry, self.x, self.p, dt_s / 3600.0
        self.bank_c = bank_c
        gassed_ah = gas_a(row, mean_v / self.bank.cells, bank_c, self.scale_ah) * exp(x[GASSING]) * hours
        lost_ah = gassed_ah + (1.0 - row.efficiency.value - x[EFFICIENCY]) * charged_ah
        x[REMOVED] += lost_ah - went_ah + x[OFFSET] * hours
        causes = [(OFFSET, hours), (GASSING, gassed_ah)]
        if charged_ah:
            causes.append((EFFICIENCY, -charged_ah))
        drift(p, REMOVED, causes)
        self._relax(dt_s, went_ah / hours, bank_c)
        self.moved_ah += abs(went_ah)
        self.accepted_s += dt_s
        for i, rate in enumerate(self._drift_per_s):
            p[i][i] += rate * dt_s
        p[REMOVED][REMOVED] += variance_ah2
        self.news.step(dt_s, p)

    def _relax(self, dt_s: float, mean_a: float, bank_c: float) -> None:
        """Slow polarisation goes towards what the present current would leave behind, in the end."""
        row, cells = self.chemistry, self.bank.cells
        slower = exp(_COLD_PER_K * (25.0 - min(60.0, max(-30.0, bank_c))))
        keep = exp(-dt_s / (row.settle_s * slower))
        if mean_a > 0.0:
            aim_v = row.charge_shift_v_cell * cells * min(1.0, mean_a / (0.05 * self.scale_ah))
        else:
            aim_v = -row.load_shift_v_cell * cells * slower * min(2.0, -mean_a / (0.01 * self.scale_ah))
        self.x[SLOW] = keep * self.x[SLOW] + (1.0 - keep) * aim_v
        shrink(self.p, SLOW, keep)
        self.p[SLOW][SLOW] += (1.0 - keep * keep) * aim_v * aim_v

    # Evidence.

    def _fold(self, rows: list[tuple[int, float]], residual: float, variance: float, spared: int | None = None) -> None:
        """Fold one observation in; what is further off than it may be is believed less."""
        spread = variance
        p = self.p
        for i, a in rows:
            for j, b in rows:
                spread += a * b * p[i][j]
        excess = residual * residual / (_DOUBT * _DOUBT * spread)
        if excess > 1.0:
            variance += spread * (excess - 1.0)
        fold(self.x, p, rows, residual, variance, spared)

    def see_rest(self, dt_s: float, mean_v: float, mean_a: float, bank_c: float, error_c: float) -> None:
        """Voltage of a bank in the dark under a small load.

        Args:
            dt_s: time this observation stands for, s.
            mean_v: V. mean_a: A, not charging. bank_c: C. error_c: standard error of bank_c, K.
        """
        row, cells, x = self.chemistry, self.bank.cells, self.x
        drop_v = self.ohm() * (mean_a - x[OFFSET])
        slow_error_v = row.rest_error_v_cell * cells
        warm_v = row.rest_v_per_k_cell * cells * error_c
        own_v = sqrt((_DROP_ERROR * drop_v) ** 2 + warm_v**2 + slow_error_v**2)
        alike = max(1.0, _REST_CORRELATED_S / dt_s)
        if row.rest_points:
            self._see_curve(mean_v - drop_v - x[SLOW], own_v, drop_v, alike)
        else:
            self._see_line(mean_v - drop_v - x[SLOW], own_v * own_v * alike, bank_c)
        self.moved_ah = 0.0

    def _see_line(self, rest_v: float, variance: float, bank_c: float) -> None:
        """Lead-acid: the rest voltage falls with the Ah removed.

        How it falls with the load tells nothing of capacity: at a small load it is mostly the electrodes' own
        overpotential, not the resistance that goes with lost plates.
        """
        row, cells, x = self.chemistry, self.bank.cells, self.x
        removed_frac = x[REMOVED] / self.scale_ah
        fall_v = row.fall_v_cell.value * cells
        expected_v = lead_rest_v(row, cells, removed_frac, bank_c) - fall_v * removed_frac * x[FALL] + x[LEVEL]
        rows = [
            (REMOVED, -fall_v * (1.0 + x[FALL]) / self.scale_ah),
            (SLOW, 1.0),
            (LEVEL, 1.0),
            (FALL, -fall_v * removed_frac),
        ]
        self._fold(rows, rest_v - expected_v, variance)

    def _see_curve(self, rest_v: float, own_v: float, drop_v: float, alike: float) -> None:
        """LiFePO4: what charge the curve gives, read where the voltage is, not where the estimate is.

        On a plateau the estimate would choose the slope it is then judged by, and grow surer than it may.
        The capacity learns nothing here unless the curve is steep.
        """
        cells, x = self.bank.cells, self.x
        doubt_v = sqrt(own_v * own_v + self.p[LEVEL][LEVEL])
        soc_frac, per_v, bend = read_curve(self.chemistry.rest_points, (rest_v - x[LEVEL]) / cells, doubt_v / cells)
        per_v /= cells
        rows = [
            (REMOVED, -1.0 / x[CAPACITY]),
            (SLOW, per_v),
            (CAPACITY, x[REMOVED] / (x[CAPACITY] * x[CAPACITY])),
            (LEVEL, per_v),
            (RESISTANCE, per_v * drop_v),
        ]
        alike = max(alike, _CURVE_REACH_FRAC * self.scale_ah / max(1e-4 * self.scale_ah, self.moved_ah))
        spared = CAPACITY if per_v * _STEEP_V_CELL * cells > 1.0 else None
        variance = (per_v * own_v) ** 2 * alike + bend * bend
        self._fold(rows, soc_frac - 1.0 + x[REMOVED] / x[CAPACITY], variance, spared)

    def see_accepted(self, dt_s: float, mean_a: float, mean_v: float, bank_c: float) -> None:
        """Current the bank accepts while held at the absorption voltage.

        Args:
            dt_s: time this observation stands for, s.
            mean_a: A. mean_v: V. bank_c: C.
        """
        row, x, scale_ah = self.chemistry, self.x, self.scale_ah
        held_ah = (row.hold_back_frac.value + x[HOLD_BACK]) * scale_ah
        alike = max(1.0, _ACCEPT_CORRELATED_S / max(dt_s, self.accepted_s))
        self.accepted_s = 0.0
        if row.acceptance_per_h is None:
            # Held at the set-point with no current at all is as full as it gets; only a drain is no charging.
            if abs(mean_a - x[OFFSET]) < row.ending_a_per_ah * scale_ah:
                # What still flows then may be stored, or may be the protection circuit's balancing.
                self.p[REMOVED][REMOVED] += _BALANCING_S / dt_s * (mean_a * dt_s / 3600.0) ** 2
                variance = (_ENDING_ERROR_FRAC * scale_ah) ** 2 * alike
                self._fold([(REMOVED, 1.0), (HOLD_BACK, -scale_ah)], held_ah - x[REMOVED], variance)
            return
        per_h = row.acceptance_per_h * exp(x[ACCEPTANCE])
        gassed_a = gas_a(row, mean_v / self.bank.cells, bank_c, scale_ah) * exp(x[GASSING])
        stored_a = mean_a - x[OFFSET] - gassed_a
        apart_ah = max(0.0, stored_a) / per_h
        rows = [(REMOVED, 1.0), (HOLD_BACK, -scale_ah), (OFFSET, 1.0 / per_h), (GASSING, gassed_a / per_h)]
        rows.append((ACCEPTANCE, apart_ah))
        own_ah2 = (_ACCEPT_ERROR * apart_ah) ** 2 + (_ACCEPT_ERROR_FRAC * scale_ah) ** 2
        self._fold(rows, apart_ah + held_ah - x[REMOVED], own_ah2 * alike, ACCEPTANCE)

    def see_low(self, dt_s: float, mean_v: float, bank_c: float) -> bool:
        """Tell from a lead-acid bank's knee how much is left: next to nothing at it, something above it.

        The straight rest line ends there, and where it ends tells of the capacity. Beyond the knee nothing is told.

        Args:
            dt_s: time this observation stands for, s.
            mean_v: V, in the dark under a small load. bank_c: C.
        Returns: True when the bank is so low that neither its rest voltage nor its resistance goes by the line.
        """
        if self.chemistry.rest_points:
            return False
        x, cell_v = self.x, mean_v / self.bank.cells
        cold = max(0.0, 25.0 - bank_c)
        left, error = _KNEE_LEFT + _KNEE_PER_K * cold, _KNEE_ERROR + _KNEE_PER_K * cold
        if cell_v > _NOT_EMPTY_V_CELL:
            self.was_low = False
            if 1.0 - x[REMOVED] / x[CAPACITY] < _KNEE_LEFT:
                self.see_soc(_KNEE_LEFT, error * max(1.0, _REST_CORRELATED_S / dt_s) ** 0.5)
        elif cell_v < _EMPTY_V_CELL and not self.was_low:
            self.was_low = True
            self.see_soc(left, error)
        return cell_v < _LINE_ENDS_V_CELL

    def see_ohm(self, ohm: float) -> None:
        """Resistance from a set of keying edges, ohm of the whole bank; tells of capacity."""
        if ohm <= 0.0 or self.chemistry.rest_points:
            return
        x = self.x
        variance = _OHM_ERROR**2 * 4.0
        self._fold([(RESISTANCE, 1.0), (CAPACITY, -_OHM_BY_CAPACITY / x[CAPACITY])], log(ohm / self.ohm()), variance)

    def see_soc(self, soc_frac: float, sigma: float) -> None:
        """A person's measurement of the state of charge, 0..1, with its standard error."""
        x = self.x
        gone = 1.0 - soc_frac
        variance = (sigma * x[CAPACITY]) ** 2
        self._fold([(REMOVED, 1.0), (CAPACITY, -gone)], gone * x[CAPACITY] - x[REMOVED], variance)

    def see_capacity(self, capacity_ah: float, sigma_ah: float) -> None:
        """A discharge test's result: capacity at the 20 h rate and 25 C, Ah, with its standard error."""
        self._fold([(CAPACITY, 1.0)], capacity_ah - self.x[CAPACITY], sigma_ah * sigma_ah)

    def doubt_current(self, share: float, leak_a: float) -> None:
        """Two instruments tell of different currents: be no surer than half of what they are apart.

        Args:
            share: of the charge, that only one of them saw. leak_a: A that only one of them saw leave in the dark.
        """
        p = self.p
        p[EFFICIENCY][EFFICIENCY] = max(p[EFFICIENCY][EFFICIENCY], (share / 2.0) ** 2)
        p[OFFSET][OFFSET] = max(p[OFFSET][OFFSET], (leak_a / 2.0) ** 2)

    def doubt_voltage(self, apart_v: float) -> None:
        """Two voltmeters are this far apart, V: be no surer of the shift of the rest line than half of it."""
        meters_v = max(0.0, apart_v - 2.0 * _METER_V_CELL * self.bank.cells) / 2.0
        self.p[LEVEL][LEVEL] = max(self.p[LEVEL][LEVEL], meters_v * meters_v)

    # Forgetting.

    def start_at(self, soc_frac: float, sigma: float) -> None:
        """Take the state of charge as known at the start."""
        self.x[REMOVED] = (1.0 - soc_frac) * self.x[CAPACITY]
        forget(self.p, REMOVED, sigma * self.x[CAPACITY])

    def blur(self, variance_ah2: float) -> None:
        """Make the Ah removed less sure by this variance, Ah squared, though no time is told."""
        self.p[REMOVED][REMOVED] += variance_ah2

    def forget_bank(self) -> None:
        """A new bank: keep only what is known of the current's offset."""
        fresh = BankBelief(self.bank, has_shunt=self.shunt, chemistry=self.chemistry)
        for i in range(len(self.x)):
            if i != OFFSET:
                self.x[i] = fresh.x[i]
                forget(self.p, i, fresh.p[i][i] ** 0.5)
        self.news = News(self.p)

    def forget_shunt(self) -> None:
        """A new shunt: its offset is unknown again."""
        self.x[OFFSET] = 0.0
        forget(self.p, OFFSET, self._prior_sigmas()[OFFSET])
        self.news = News(self.p)
