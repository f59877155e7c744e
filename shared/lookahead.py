"""The reserve to come: low, likely and high for each hour of three days, and the chance of the half mark.

A fixed, even set of scenarios runs ahead from the estimate and its error: each has its own error of charge
and capacity, its own weather from day to day, its own traffic, its own end of what goes on now.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor, log2, sqrt
from operator import add
from typing import Protocol

from shared.acceptance import Acceptance
from shared.chances import Quantiles, even_normals, even_shares
from shared.flows import Piece, fullness_v
from shared.harvest import Harvest
from shared.load_habits import LoadHabits, prior_load_a
from shared.panel_clock import PanelClock
from shared.site import Site
from shared.sun import DAY_S

SNAPSHOT_VERSION = 1
HOURS = 72
CROSSING_H = (12, 24, 36, 48, 72)
SCENARIOS = 48  # with 64 the forecasts are no better, with 32 the band is narrower
CALM_EVERY_S = 3600.0  # how often a forecast is made when nothing is near,
NEAR_EVERY_S = 1800.0  # when the half mark is in sight,
BEYOND_EVERY_S = 600.0  # and when the load is beyond habit
NEAR_SHARE = 0.03
ABOVE_S = 1200.0
ABLATIONS = ("habit", "clearness", "recent", "sigma")
_DAYS = 4
_LOAD_MEMORY = 0.3  # correlation of one day's load, over habit, with the next one's
_HELD_V_CELL = 0.02  # so near to the set-point the charger holds the voltage
_SMOOTH = 0.012  # each scenario stands for a little around it, share of the capacity
_LOW, _LIKELY, _HIGH = 0.10, 0.50, 0.90
_FULL = 0.97
_DRIFT = 0.012  # what the plain model itself is off by after a day, share of the capacity; grows with the root of time
_TOP_ERROR = 0.02  # of the highest charge, from day to day and of the estimate there
_TREND_H = 24.0
_TREND_ERROR = 0.5  # of the trend, when neither clock nor panel tells the time of day
_FADE_UNKNOWN_DAYS = 2.0  # a longer gap: yesterday is not yesterday

_Z = even_normals(SCENARIOS, 4 + 2 * _DAYS)
_ERROR_SOC, _ERROR_CAPACITY, _ERROR_MODEL, _ERROR_TOP = _Z[:4]
_WEATHER, _TRAFFIC = _Z[4 : 4 + _DAYS], _Z[4 + _DAYS :]
_ENDS = even_shares(SCENARIOS, 5 + 2 * _DAYS)[-1]
_WIDTHS = [_DRIFT * sqrt((n + 1) / 24.0) for n in range(HOURS)]
_DRIFTS = [[width * e for e in _ERROR_MODEL] for width in _WIDTHS]  # of each hour, a scenario each


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected.

    Attributes:
        made_s: when it was made, s on the clock of the readings.
        low, likely, high: state of charge 1, 2, ... HOURS hours after that; 10, 50 and 90 of 100 are below.
        share_crossing: by hours ahead: chance that the bank is below its half mark at some time until then.
        half_likely_h, half_cautious_h: hours after which it has been there with a chance of 50 and of 10 of 100;
            None when not within HOURS.
        full_h: hours until it is likely full; None when not within HOURS.
        share_below_now: chance that it is below the half mark when the forecast is made.
        by: where the time of day comes from: "clock", "panel" or "trend" (from nowhere).
    """

    made_s: float
    low: tuple[float, ...]
    likely: tuple[float, ...]
    high: tuple[float, ...]
    share_crossing: Mapping[int, float]
    half_likely_h: float | None
    half_cautious_h: float | None
    full_h: float | None
    share_below_now: float
    by: str


@dataclass(frozen=True, slots=True)
class Supposed:
    """What if: so many times the usual traffic for so many hours from now."""

    traffic: float = 1.0
    for_h: float = 0.0


class Estimate(Protocol):
    """What a forecast starts from: the part of `shared.charge.ChargeFilter` that it needs."""

    @property
    def soc_frac(self) -> float:
        """Charge left over capacity, 0 to 1."""

    @property
    def soc_sigma(self) -> float:
        """Its standard error."""

    @property
    def capacity_ah(self) -> float:
        """Present capacity, Ah."""

    @property
    def capacity_sigma_ah(self) -> float:
        """Its standard error, Ah."""

    @property
    def soc_capacity_corr(self) -> float:
        """Correlation of the two errors, -1 to 1."""

    @property
    def shunt_offset_a(self) -> float:
        """What the shunt shows when nothing flows, A."""


class Lookahead:
    """Learns a site's habits piece by piece, and looks ahead when asked. `newest` is the last forecast kept."""

    def __init__(self, site: Site, *, without: Sequence[str] = ()) -> None:
        """Begin with what the site file tells.

        Args:
            site: the site.
            without: parts of ABLATIONS to do without, to see what each is worth.
        """
        self.site = site
        self.bank = site.bank
        self.without = frozenset(without)
        self.utc_at_0_s: float | None = None  # UTC at second 0 of the readings' clock, of a trusted clock
        self.clouds: Sequence[float | None] = ()  # of today and the next days, 0 clear to 1, from elsewhere
        self.load = LoadHabits(prior_load_a(site.loads, site.bank.capacity_ah))
        self.harvest = Harvest(site.place, site.bank)
        self.panel_clock = PanelClock(self.harvest.panel_w, site.place.latitude, site.place.longitude)
        self.acceptance = Acceptance(site.bank)
        self.newest: Forecast | None = None
        self._day: int | None = None
        self._held = False  # the charger has reached absorption today
        self._trend: list[tuple[float, float]] = []  # (span h, went Ah) of the last day's hours, for want of a clock
        self._chances: tuple[Quantiles, Quantiles] | None = None
        self._day_loads: list[list[float]] | None = None

    # -- the time of day -----------------------------------------------------------------------

    def utc_s(self, at_s: float) -> float | None:
        """UTC, or what stands in for it; None when neither a clock nor the panel tells."""
        if self.utc_at_0_s is not None:
            return at_s + self.utc_at_0_s
        return self.panel_clock.utc_s(at_s)

    def _solar(self, utc_s: float) -> tuple[int, float, int | None]:
        """Local solar day, hour of it, and weekday (0 is Monday; None without a date)."""
        days = (utc_s + self.site.place.longitude * 240.0) / DAY_S
        day = floor(days)
        weekday = (day + 3) % 7 if self.utc_at_0_s is not None else None
        return day, (days - day) * 24.0, weekday

    # -- learning ------------------------------------------------------------------------------

    def learn(self, piece: Piece, charge: Estimate) -> None:
        """Fold a piece in.

        Args:
            piece: five minutes of the site.
            charge: the estimate at its end.
        """
        bank_a = piece.bank_a - charge.shunt_offset_a
        held = self._is_held(piece)
        went_frac = bank_a * piece.span_s / 3600.0 / charge.capacity_ah
        self.acceptance.learn(piece.span_s, went_frac, charge.soc_frac, held=held)
        if piece.panel_w is not None or piece.charge_a is not None:
            lit_w = piece.panel_w if piece.panel_w is not None else (piece.charge_a or 0.0) * self.harvest.charge_v
            self.panel_clock.see(piece.at_s, lit_w)
        self._note_trend(piece.span_s / 3600.0, bank_a)
        utc_s = self.utc_s(piece.at_s - piece.span_s / 2.0)
        if utc_s is None:
            if piece.charge_a is not None:
                self.load.learn(piece, piece.charge_a - bank_a, 0.0, None)
            return
        day, hour, weekday = self._solar(utc_s)
        if day != self._day:
            self._end_day(day)
        charge_a = piece.charge_a
        if charge_a is None:
            lit = self.harvest.clear_w(utc_s) > 0.0
            charge_a = max(0.0, bank_a + self.load.expected_a(hour, weekday)) if lit else 0.0
            if not lit:
                self.load.learn(piece, -bank_a, hour, weekday)
        else:
            self.load.learn(piece, charge_a - bank_a, hour, weekday)
        self.harvest.learn(utc_s, charge_a / self.harvest.amps_per_w(), took_all=not held)

    def _is_held(self, piece: Piece) -> bool:
        """Tell whether the charger holds the bank at a voltage, so that it does not take all the panel has."""
        if piece.bank_v is None or piece.top_v is None:
            return False
        bank, margin_v = self.bank, _HELD_V_CELL * self.bank.cells
        if fullness_v(piece.top_v, bank.absorb_v, bank.charge_v_per_k, piece.controller_c) > -margin_v:
            self._held = True
        over_float_v = fullness_v(piece.bank_v, bank.float_v, bank.charge_v_per_k, piece.controller_c)
        return self._held and over_float_v > -margin_v

    def _end_day(self, day: int) -> None:
        if self._day is not None:
            weekday = (self._day + 3) % 7 if self.utc_at_0_s is not None else None
            self.load.end_day(weekday)
            self.harvest.end_day()
            if day != self._day + 1:
                self.harvest.yesterday = None
        self._day, self._held, self._chances = day, False, None

    def _note_trend(self, hours: float, bank_a: float) -> None:
        trend = self._trend
        if trend and trend[-1][0] < 1.0:
            trend[-1] = (trend[-1][0] + hours, trend[-1][1] + bank_a * hours)
        else:
            trend.append((hours, bank_a * hours))
            if len(trend) > _TREND_H:
                del trend[0]

    # -- looking ahead -------------------------------------------------------------------------

    def is_due(self, now_s: float) -> bool:
        """Tell whether a new forecast is due: more often when the half mark is in sight."""
        newest = self.newest
        if newest is None or now_s < newest.made_s:
            return True
        age_s = now_s - newest.made_s
        if age_s >= CALM_EVERY_S:
            return True
        if self.load.above_s > ABOVE_S:
            return age_s >= BEYOND_EVERY_S
        return newest.share_crossing[48] > NEAR_SHARE and age_s >= NEAR_EVERY_S

    def look(self, now_s: float, charge: Estimate, supposed: Supposed | None = None) -> Forecast:
        """Look ahead from the present estimate.

        Args:
            now_s: the present, on the readings' clock.
            charge: the estimate.
            supposed: what traffic to suppose; None: as usual.
        """
        utc_s = self.utc_s(now_s)
        capacity_ah = max(0.05 * self.bank.capacity_ah, charge.capacity_ah)
        sigma = 0.002 if "sigma" in self.without else charge.soc_sigma
        # A bank that holds less than believed is also emptier than believed, and falls faster.
        both = charge.soc_capacity_corr
        own = sqrt(1.0 - both * both)
        errors = zip(_ERROR_SOC, _ERROR_CAPACITY, strict=True)
        start = [min(1.0, max(0.0, charge.soc_frac + sigma * (own * e + both * c))) for e, c in errors]
        spread = min(0.25, charge.capacity_sigma_ah / capacity_ah)
        per_ah = [1.0 / (capacity_ah * max(0.4, 1.0 + spread * e)) for e in _ERROR_CAPACITY]
        if utc_s is None:
            return self._by_trend(now_s, start, per_ah)
        return self._by_habit(now_s, utc_s, start, per_ah, supposed)

    def _by_habit(
        self, now_s: float, utc_s: float, start: list[float], per_ah: list[float], supposed: Supposed | None
    ) -> Forecast:
        today, hour, _ = self._solar(utc_s)
        if today != self._day:
            self._end_day(today)
        clear_chances, load_chances = self._distributions()
        midnight_s = utc_s - hour * 3600.0
        clear = [_times(row, per_ah) for row in self._clearness(clear_chances, midnight_s, utc_s)]
        loads = [_times(row, per_ah) for row in self._loads(load_chances)]
        amps_per_w = self.harvest.amps_per_w()
        over_a, lasts_h = (0.0, 0.0) if "recent" in self.without else self.load.excess(hour)
        # Half of the things that go on now are over after lasts_h, three quarters after twice that.
        ends_h = [-lasts_h * log2(1.0 - share) for share in _ENDS] if over_a > 0.0 else []
        run = _Run(start, self.bank.half_mark, self.acceptance)
        for step in range(HOURS):
            middle_s = utc_s + (step + 0.5) * 3600.0
            day, hour, weekday = self._solar(middle_s)
            at = min(_DAYS - 1, day - today)
            load_a = self._load_a(hour, weekday, step, supposed)
            sun_a = self.harvest.clear_w(middle_s) * amps_per_w
            factors = loads[at]
            if ends_h:
                over = over_a / load_a
                goes_on = zip(factors, per_ah, ends_h, strict=True)
                factors = [load + over * per if end_h > step else load for load, per, end_h in goes_on]
            run.hour(sun_a, clear[at], load_a, factors)
        by = "clock" if self.utc_at_0_s is not None else "panel"
        return run.forecast(now_s, by)

    def _distributions(self) -> tuple[Quantiles, Quantiles]:
        if self._chances is None:
            self._chances = self.harvest.clearness(), self.load.day_ratios()
            self._day_loads = None
        return self._chances

    def _clearness(self, chances: Quantiles, midnight_s: float, utc_s: float) -> list[list[float]]:
        if "clearness" in self.without:
            return [[chances.of_normal(0.0)] * SCENARIOS] * _DAYS
        hours = [self.harvest.clear_w(midnight_s + (n + 0.5) * 3600.0) for n in range(24)]
        whole = sum(hours)
        passed = sum(hours[: int((utc_s - midnight_s) / 3600.0)]) / whole if whole > 0.0 else 0.0
        return self.harvest.outlook(chances, _WEATHER, passed, self.clouds)

    def _loads(self, chances: Quantiles) -> list[list[float]]:
        """Load of each day over its habit, a scenario each; the same from one midnight to the next."""
        if self._day_loads is not None:
            return self._day_loads
        found: list[list[float]] = []
        before: Sequence[float] = ()
        for drawn in _TRAFFIC:
            if before:
                rest = sqrt(1.0 - _LOAD_MEMORY**2)
                drawn = [_LOAD_MEMORY * b + rest * e for b, e in zip(before, drawn, strict=True)]
            before = drawn
            found.append(chances.of_normals(drawn))
        self._day_loads = found
        return found

    def _load_a(self, hour: float, weekday: int | None, step: int, supposed: Supposed | None) -> float:
        load_a = self.load.mean_a() if "habit" in self.without else self.load.expected_a(hour, weekday)
        if supposed is None or supposed.for_h <= step:
            return load_a
        share = min(1.0, supposed.for_h - step)
        traffic_a = max(0.0, load_a - self.load.idle_a())
        return load_a + share * (supposed.traffic - 1.0) * traffic_a

    def _by_trend(self, now_s: float, start: list[float], per_ah: list[float]) -> Forecast:
        """With no time of day: as the last day went, or for less of it the loads alone; and a wide band."""
        hours = sum(span for span, _ in self._trend)
        if hours >= _TREND_H - 2.0:
            rate_a = sum(went for _, went in self._trend) / hours
        else:
            took_a = [row.load_a for row in self.load.recent]
            rate_a = -(sum(took_a) / len(took_a) if took_a else self.load.prior_a)
        error_a = _TREND_ERROR * max(abs(rate_a), self.load.prior_a)
        run = _Run(start, self.bank.half_mark, self.acceptance)
        drawn = _times([-(rate_a + error_a * e) for e in _TRAFFIC[0]], per_ah)
        for _ in range(HOURS):
            run.hour(0.0, drawn, 1.0, drawn)
        return run.forecast(now_s, "trend")

    # -- over restarts -------------------------------------------------------------------------

    def bridge(self, now_s: float, last_s: float | None, gap_s: float | None) -> None:
        """Go on after a time without readings; the clock of the readings may have started over.

        Args:
            now_s: the present. last_s: when the last piece was, on the old clock. gap_s: real time since, if known.
        """
        self.load.forget_recent()
        self._trend.clear()
        self.newest = None
        if gap_s is None or last_s is None:
            self.utc_at_0_s = None
            self.panel_clock.noon_s = None
            self.harvest.forget_today()
            return
        by_s = now_s - last_s - gap_s
        self.panel_clock.shift(by_s)
        if self.utc_at_0_s is not None:
            self.utc_at_0_s -= by_s

    def snapshot(self) -> dict[str, object]:
        """All that was learned, and what it is about, as JSON can hold it."""
        return {
            "v": SNAPSHOT_VERSION,
            "place": self._place(),
            "panel": self._panel(),
            "day": self._day,
            "load": self.load.snapshot(),
            "harvest": self.harvest.snapshot(),
            "acceptance": self.acceptance.snapshot(),
            "panel_clock": self.panel_clock.snapshot(),
        }

    def _place(self) -> list[float]:
        return [self.site.place.latitude, self.site.place.longitude]

    def _panel(self) -> list[float]:
        harvest = self.harvest
        return [harvest.panel_w, harvest.tilt_deg, harvest.facing_deg]

    def resume(self, snapshot: Mapping[str, object]) -> tuple[str, ...]:
        """Take up what was learned, as far as it is about this place and this panel.

        Returns: "place" when the site stands elsewhere now and nothing was taken up, "panel" when another panel, so
            that only the habits of the load were.
        Raises: ValueError: it is no snapshot of a lookahead, or of a later version.
        """
        if snapshot.get("v") != SNAPSHOT_VERSION:
            raise ValueError(f"lookahead of version {snapshot.get('v')!r}, this one reads {SNAPSHOT_VERSION}")
        if snapshot.get("place") != self._place():
            return ("place",)
        parts = {key: snapshot.get(key) for key in ("load", "harvest", "panel_clock", "acceptance")}
        saved = {key: part for key, part in parts.items() if isinstance(part, Mapping)}
        if len(saved) < len(parts):
            raise ValueError(f"not a snapshot of a lookahead: {', '.join(parts.keys() - saved.keys())} missing")
        same_panel = snapshot.get("panel") == self._panel()
        fresh = Lookahead(self.site)
        try:
            fresh.load.resume(saved["load"])
            fresh.panel_clock.resume(saved["panel_clock"])
            fresh.acceptance.resume(saved["acceptance"])
            if same_panel:
                fresh.harvest.resume(saved["harvest"])
        except (KeyError, TypeError) as why:
            raise ValueError(f"not a snapshot of a lookahead: {why!r}") from why
        day = snapshot.get("day")
        self.load, self.harvest, self.panel_clock = fresh.load, fresh.harvest, fresh.panel_clock
        self.acceptance = fresh.acceptance
        self._day = day if isinstance(day, int) else None
        self._chances = None
        return () if same_panel else ("panel",)

    def changed(self, part: str) -> None:
        """A part was replaced: what was learned of the panel's harvest or the bank's acceptance is forgotten."""
        if part == "panel":
            self.harvest = Harvest(self.site.place, self.bank)
            self._chances = None
        elif part == "bank":
            self.acceptance = Acceptance(self.bank)


class _Run:
    """All scenarios side by side, hour after hour."""

    def __init__(self, start: list[float], half_mark: float, acceptance: Acceptance) -> None:
        self.half_mark = half_mark
        self.soc = start
        self.least = start
        self.top, self.takes = acceptance.top_frac, acceptance.hour_share
        self.tops = [self.top + _TOP_ERROR * e for e in _ERROR_TOP]
        self.low: list[float] = []
        self.likely: list[float] = []
        self.high: list[float] = []
        self.crossed = [_share_below(start, half_mark)]

    def hour(self, sun_a: float, clear: Sequence[float], load_a: float, loads: Sequence[float]) -> None:
        """Go on by an hour: sun_a under a clear sky and load_a by habit, A, times each scenario's own factors.

        Args:
            clear, loads: a factor a scenario, already over its capacity in Ah.
        """
        if sun_a > 0.0:
            # Near full the bank takes a share of what is missing, however bright it is.
            takes = self.takes
            self.soc = [
                soc
                + (
                    n
                    if (n := sun_a * k - load_a * load) < 0.0 or n < (most := (top - soc) * takes)
                    else (most if most > 0.0 else 0.0)
                )
                for soc, k, load, top in zip(self.soc, clear, loads, self.tops, strict=True)
            ]
        else:
            self.soc = [soc - load_a * load for soc, load in zip(self.soc, loads, strict=True)]
        seen = list(map(add, self.soc, _DRIFTS[len(self.low)]))
        ranked = sorted(seen)
        crossed = self.crossed[-1]
        if crossed < 1.0 and ranked[0] < self.half_mark + 1.5 * _SMOOTH:
            self.least = [new if new < old else old for old, new in zip(self.least, seen, strict=True)]
            crossed = max(crossed, _share_below(self.least, self.half_mark))
        self.crossed.append(crossed)
        for band, (at, over) in ((self.low, _LOW_AT), (self.likely, _LIKELY_AT), (self.high, _HIGH_AT)):
            band.append(ranked[at] + (ranked[at + 1] - ranked[at]) * over)

    def forecast(self, made_s: float, by: str) -> Forecast:
        """Put together what was seen."""
        full_from = min(_FULL, self.top - 0.01)
        full = next((n + 1.0 for n, soc in enumerate(self.likely) if soc >= full_from), None)
        return Forecast(
            made_s,
            _within(self.low),
            _within(self.likely),
            _within(self.high),
            {hours: self.crossed[hours] for hours in CROSSING_H},
            _passed(self.crossed, _LIKELY),
            _passed(self.crossed, _LOW),
            full,
            self.crossed[0],
            by,
        )


def _times(row: Sequence[float], other: Sequence[float]) -> list[float]:
    return [a * b for a, b in zip(row, other, strict=True)]


def _within(values: Sequence[float]) -> tuple[float, ...]:
    return tuple([1.0 if value > 1.0 else value if value > 0.0 else 0.0 for value in values])


def _share_below(values: Sequence[float], level: float) -> float:
    """Share of the scenarios below a level, each smeared a little, so that the share moves smoothly."""
    low, wide = level - 1.5 * _SMOOTH, 3.0 * _SMOOTH
    clear = low + 1.01 * wide  # nothing of a scenario so high is below
    whole = 0.0
    for value in values:
        if value > clear:
            continue
        at = (value - low) / wide
        if at <= 0.0:
            whole += 1.0
        elif at < 1.0:
            whole += 1.0 - at * at * (3.0 - 2.0 * at)
    return whole / len(values)


def _place(share: float) -> tuple[int, float]:
    """Where the value of a share stands among the ranked scenarios: behind which, and how far on to the next one."""
    place = share * SCENARIOS - 0.5
    return int(place), place - int(place)


_LOW_AT, _LIKELY_AT, _HIGH_AT = _place(_LOW), _place(_LIKELY), _place(_HIGH)


def _passed(shares: Sequence[float], level: float) -> float | None:
    """Hours after which a growing share has passed a level, straight between whole hours."""
    if shares[0] >= level:
        return 0.0
    for n in range(1, len(shares)):
        if shares[n] >= level:
            return n - 1 + (level - shares[n - 1]) / (shares[n] - shares[n - 1])
    return None
