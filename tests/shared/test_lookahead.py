"""The lookahead on the simulated site, whose battery, weather and traffic are not its own."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from drivers.virtual.site import SitePlan, VirtualSite
from drivers.virtual.weather import Spell
from shared.ahead_watch import FACT, left_words
from shared.lookahead import HOURS, Forecast, Supposed
from shared.readings import Reading
from shared.site import Bank, Instrument, Load, Place, Site
from shared.station import Station

START_UTC_S = 1_790_035_200.0  # 2026-09-22 00:00 UTC, evening before at the site
DAY_S = 86_400.0
STEP_S = 60.0


def site(**place: float) -> Site:
    gives = ("bank_v", "bank_a", "bank_ah_counter", "bank_c")
    shown = ("bank_v", "charge_a", "load_a", "panel_v", "panel_a", "panel_w", "controller_c", "enclosure_c")
    rows = {
        "shunt": Instrument("shunt", "l", "register-map", 60.0, 2, "m", {"bank_a": ("bank", "bank")}, gives),
        "controller": Instrument("controller", "l", "register-map", 60.0, 1, "m", {}, shown),
    }
    where = Place("Test Ridge", place.get("latitude", 37.284), -81.139, panel_w=30.0, panel_tilt_deg=55.0)
    bank = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
    loads = {"repeater": Load("repeater", 0.13, 1.6)}
    return Site(where, bank, instruments=rows, loads=loads, prefer={"bank_v": "shunt"})


class Months:
    """A station fed by the simulated site, minute by minute."""

    def __init__(
        self, *, dated: bool = True, panel: bool = True, spells: tuple[Spell, ...] = (), **plan: float
    ) -> None:
        self.virtual = VirtualSite(
            seed=5,
            start_utc_s=START_UTC_S,
            plan=replace(SitePlan(), spells=spells, **plan),  # type: ignore[arg-type]
        )
        self.station = Station(site(), start_soc=0.9)
        self.dated, self.panel = dated, panel
        self.now_s = 0.0
        self.told: list[tuple[float, str, str]] = []

    def run(self, days: float) -> Iterator[Forecast]:
        """Go on, and give each forecast that was made."""
        end_s = self.now_s + days * DAY_S
        made_s = -1.0
        while self.now_s < end_s:
            self.virtual.advance(STEP_S)
            self.now_s += STEP_S
            for name, shown in self.virtual.observe().items():
                values = {
                    q: v for q, v in shown.items() if v is not None and (self.panel or q[:5] not in ("panel", "charg"))
                }
                self.station.take(Reading(name, self.now_s, values))
            utc_s = START_UTC_S + self.now_s if self.dated else None
            for event in self.station.step_rules(self.now_s, utc_s=utc_s):
                self.told.append((self.now_s, event.alert, event.state))
            forecast = self.station.ahead.forecast(self.now_s)
            if forecast is not None and forecast.made_s != made_s:
                made_s = forecast.made_s
                yield forecast

    def pass_days(self, days: float) -> Forecast:
        return list(self.run(days))[-1]


@pytest.fixture(scope="module")
def fortnight() -> Months:
    months = Months()
    months.pass_days(14.0)
    return months


def test_a_forecast_is_three_days_of_ordered_bands(fortnight: Months) -> None:
    forecast = fortnight.station.ahead.forecast(fortnight.now_s)
    assert forecast is not None and forecast.by == "clock"
    assert len(forecast.low) == len(forecast.likely) == len(forecast.high) == HOURS == 72
    for low, likely, high in zip(forecast.low, forecast.likely, forecast.high, strict=True):
        assert 0.0 <= low <= likely <= high <= 1.0
    shares = [forecast.share_crossing[h] for h in (12, 24, 48, 72)]
    assert shares == sorted(shares) and 0.0 <= shares[0] <= shares[-1] <= 1.0
    width = [high - low for low, high in zip(forecast.low, forecast.high, strict=True)]
    assert width[47] > width[5], "what is further ahead is less sure"


def test_a_day_ahead_the_truth_lies_inside_the_band_as_often_as_told() -> None:
    """Eight in ten by definition; nine days of one site with its own weather are allowed 60 to 98."""
    months = Months()
    months.pass_days(5.0)
    made: list[tuple[float, float, float]] = []
    truth: dict[int, float] = {}
    for forecast in months.run(9.0):
        made.append((forecast.made_s, forecast.low[23], forecast.high[23]))
        truth[round(forecast.made_s / 3600.0)] = months.virtual.truth.soc_frac
    judged = [
        (low, truth[round(at_s / 3600.0) + 24], high) for at_s, low, high in made if round(at_s / 3600.0) + 24 in truth
    ]
    assert len(judged) > 200
    inside = sum(low <= soc <= high for low, soc, high in judged) / len(judged)
    assert 0.6 <= inside <= 0.98


def test_more_traffic_leaves_less(fortnight: Months) -> None:
    ahead, charge, now_s = fortnight.station.ahead, fortnight.station.charge, fortnight.now_s
    usual = ahead.suppose(now_s, charge, Supposed())
    busy = ahead.suppose(now_s, charge, Supposed(traffic=4.0, for_h=12.0))
    assert busy.likely[11] < usual.likely[11] - 0.05
    assert busy.share_crossing[24] >= usual.share_crossing[24]


def test_no_habit_fits_an_emergency() -> None:
    """Traffic that leaps at dusk from its habit to a third of the time is warned of within the hour."""
    months = Months(traffic_level=0.5, start_soc=0.72)
    months.pass_days(6.98)  # dusk at the site
    forecast = months.station.ahead.forecast(months.now_s)
    assert forecast is not None
    before = forecast.share_crossing[24]
    months.virtual.impose("busy", traffic_factor=40.0)
    begun_s = months.now_s
    while months.now_s - begun_s < 3600.0:
        list(months.run(STEP_S / DAY_S))
    forecast = months.station.ahead.forecast(months.now_s)
    assert forecast is not None
    assert forecast.share_crossing[24] > before + 0.3
    assert [
        t for t, alert, state in months.told if alert == "half-mark-ahead" and state == "raised" and t > begun_s - 60.0
    ]


def test_without_a_clock_the_panel_tells_the_time_of_day() -> None:
    months = Months(dated=False)
    forecast = months.pass_days(6.0)
    assert forecast.by == "panel"
    dated = Months()
    known = dated.pass_days(6.0)
    assert abs(forecast.likely[11] - known.likely[11]) < 0.08


def test_with_neither_clock_nor_panel_the_trend_alone_still_warns() -> None:
    """A bank that falls day by day in the dark, with nothing that tells the time."""
    dark = (Spell(START_UTC_S, START_UTC_S + 20.0 * DAY_S, 0.98, 0.02),)
    months = Months(dated=False, panel=False, spells=dark)
    known = list(months.run(5.0))
    assert {forecast.by for forecast in known} == {"trend"}
    raised_s = [t for t, alert, state in months.told if alert == "half-mark-ahead" and state == "raised"]
    assert raised_s, "it was warned of"
    dated = Months(spells=dark)
    dated.pass_days(2.0)
    other = dated.station.ahead.forecast(dated.now_s)
    blind = next(f for f in known if f.made_s > 1.9 * DAY_S)
    assert other is not None
    assert blind.high[23] - blind.low[23] > 0.15, "and says that it is not sure"


def test_what_was_learned_survives_a_restart_and_goes_with_its_place(fortnight: Months) -> None:
    saved = fortnight.station.ahead.snapshot()
    again = Station(site())
    assert again.ahead.restore(saved) == ()
    assert again.ahead.ahead.snapshot() == fortnight.station.ahead.ahead.snapshot()
    moved = Station(site(latitude=47.0))
    assert moved.ahead.restore(saved) == ("place",)
    assert list(moved.ahead.ahead.harvest.days) == []


def test_nothing_is_warned_of_while_the_charge_is_unknown() -> None:
    months = Months()
    months.station = Station(site())
    list(months.run(0.004))
    assert months.station.ahead.forecast(months.now_s) is not None
    assert months.station.facts(months.now_s)[FACT] is None


def test_the_hours_left_are_told_in_words(fortnight: Months) -> None:
    forecast = fortnight.station.ahead.forecast(fortnight.now_s)
    assert forecast is not None
    told = left_words(replace(forecast, half_likely_h=30.4, half_cautious_h=None), forecast.made_s)
    assert told == "to the half mark: likely 30 h, cautious not within 3 days"
