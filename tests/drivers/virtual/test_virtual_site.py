"""The virtual site as a whole: books, sameness, keyings, conditions, a plausible month."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from drivers.virtual.conditions import CONDITIONS
from drivers.virtual.instruments import SHUNT, Channel
from drivers.virtual.ridge import cold_fork_ridge
from drivers.virtual.site import INSTRUMENTS, SitePlan, VirtualSite
from drivers.virtual.traffic import Traffic
from drivers.virtual.weather import DAY_S, Spell

MARCH_S = datetime(2026, 3, 3, 5, 0, 0, tzinfo=UTC).timestamp()  # local midnight at the ridge
FAIR = (Spell(MARCH_S, MARCH_S + 60 * DAY_S, 0.1, share=1.0),)


def site_at(hour: float = 0.0, **changed: object) -> VirtualSite:
    plan = replace(SitePlan(spells=FAIR), **changed)  # type: ignore[arg-type]
    return VirtualSite(seed=5, start_utc_s=MARCH_S + hour * 3600.0, plan=plan)


def test_the_same_seed_gives_the_same_site() -> None:
    def run(seed: int) -> list[object]:
        site = VirtualSite(seed=seed, start_utc_s=MARCH_S)
        seen: list[object] = []
        for _ in range(300):
            site.advance(300.0)
            seen.append(site.observe())
        return [*seen, site.truth]

    assert run(11) == run(11)
    assert run(11) != run(12)


def test_long_steps_meet_the_same_keyings_and_count_the_same_charge() -> None:
    """Keyings inside a 10 s step must come out in the counter as at 1 s."""
    fine, coarse = site_at(12.0), site_at(12.0)
    for _ in range(36_000):
        fine.advance(1.0)
    for _ in range(3_600):
        coarse.advance(10.0)
    assert fine.truth.keyings == coarse.truth.keyings > 50
    assert fine.truth.keyed_s == pytest.approx(coarse.truth.keyed_s, abs=1e-6)
    assert fine.counter.ah == pytest.approx(coarse.counter.ah, abs=0.003)
    assert fine.truth.soc_frac == pytest.approx(coarse.truth.soc_frac, abs=0.0005)
    assert fine.bank.bank_v == pytest.approx(coarse.bank.bank_v, abs=0.01)


def test_counter_is_the_integral_of_the_true_current() -> None:
    """Sampled each second from outside, with an ideal shunt: keyings lie on whole seconds."""
    ideal = {**SHUNT, "bank_a": Channel(0.001)}
    site = site_at(9.0, shunt=ideal)
    summed_ah = 0.0
    for _ in range(7_200):
        site.advance(1.0)
        summed_ah += site.bank_a / 3600.0
    assert site.shown("shunt")["bank_ah_counter"] == pytest.approx(summed_ah, abs=0.0011)


def test_counter_carries_gain_and_offset_of_the_shunt() -> None:
    site = site_at(20.0)
    site.advance(8 * 3600.0)
    truth = site.truth
    true_ah = truth.charged_ah - truth.drained_ah
    assert site.counter.ah == pytest.approx(true_ah * 1.004 - 0.007 * 8.0, abs=1e-6)


def test_charge_and_energy_close_over_a_day() -> None:
    site = site_at()
    start_ah = site.bank.soc_frac * 24.0
    out_wh = bank_wh = lead_wh = 0.0
    for _ in range(43_200):
        site.advance(2.0)
        direct_a = 0.08 + 0.009
        lead_a = site.bank_a + direct_a
        out_wh += (site.load_a * site.controller.bank_v + direct_a * site.bank.bank_v) * 2.0 / 3600.0
        bank_wh += site.bank_a * site.bank.bank_v * 2.0 / 3600.0
        lead_wh += lead_a * lead_a * 0.006 * 2.0 / 3600.0
    truth = site.truth
    kept_ah = truth.soc_frac * 24.0 - start_ah
    assert kept_ah == pytest.approx(truth.charged_ah - truth.drained_ah - truth.gassed_ah - truth.idle_ah, abs=1e-6)
    assert truth.panel_wh * 0.95 == pytest.approx(out_wh + bank_wh + lead_wh, rel=0.003)
    assert 50.0 < truth.panel_wh <= truth.sun_wh


def test_idle_site_lasts_as_long_as_arithmetic_says() -> None:
    # 24 Ah, half of it, 0.13 A: 92.3 h (arithmetic); here no computer, no controller, no traffic, no sun, 25 C.
    plan = SitePlan(computer_a=0.0, start_soc=1.0, spells=(Spell(MARCH_S, MARCH_S + 9 * DAY_S, 1.0, 0.0, 1.0),))
    plan = replace(plan, controller=replace(plan.controller, own_a=0.0))
    site = VirtualSite(seed=1, start_utc_s=MARCH_S, plan=plan)
    site.impose("silent-transmitter")
    while site.truth.soc_frac > 0.5:
        site.advance(600.0)
    hours = (site.utc_s - MARCH_S) / 3600.0
    # The bank's own losses (under 3 % a month each of gas and self-discharge) shorten it a little.
    assert 89.0 < hours < 92.4


def test_duty_is_that_of_a_quiet_repeater_and_lies_on_whole_seconds() -> None:
    traffic = Traffic(3, start_utc_s=MARCH_S, utc_offset_h=-5.0)
    end_s = MARCH_S + 14 * DAY_S
    at_s, edges, keyed = MARCH_S, [], False
    while at_s < end_s:
        now = traffic.move_to(at_s)
        if now != keyed:
            edges.append(at_s)
            keyed = now
        at_s = traffic.until_s()
    assert all(edge == round(edge) for edge in edges)
    overs = list(zip(edges[::2], edges[1::2], strict=False))
    assert len(overs) == traffic.keyings
    assert sum(off - on for on, off in overs) == traffic.keyed_s
    assert max(off - on for on, off in overs) == traffic.longest_s <= 180
    assert 0.02 < traffic.keyed_s / (14 * DAY_S) < 0.08


def test_a_keying_edge_shows_the_known_resistance() -> None:
    """What a 1 s poll sees at night: volts lost over amperes drawn, within the true ohms after a second."""
    clean = {"bank_v": Channel(0.0001), "bank_a": Channel(0.0001), "bank_c": Channel(0.1)}
    site = site_at(19.0, shunt=clean)
    seen = []
    before = site.shown("shunt")
    for _ in range(4 * 3600):
        site.advance(1.0)
        after = site.shown("shunt")
        step_a = (before["bank_a"] or 0.0) - (after["bank_a"] or 0.0)
        if step_a > 1.0:
            seen.append(((before["bank_v"] or 0.0) - (after["bank_v"] or 0.0)) / step_a)
        before = after
    truth = site.truth
    assert len(seen) > 20
    middle = sorted(seen)[len(seen) // 2]
    assert truth.resistance_ohm < middle < 1.5 * truth.resistance_ohm
    assert middle == pytest.approx(truth.keying_ohm, rel=0.12)


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_instruments_show_in_their_steps(instrument: str) -> None:
    site = site_at(12.0)
    site.advance(600.0)
    shown = site.shown(instrument)
    assert tuple(shown) == INSTRUMENTS[instrument]
    for quantity, value in shown.items():
        step = 0.001 if instrument == "shunt" and quantity != "bank_c" else 0.1 if quantity.endswith("_c") else 0.01
        assert value is not None and value / step == pytest.approx(round(value / step), abs=1e-6)


def after(name: str, hours: float, from_hour: float, **changed: object) -> tuple[VirtualSite, VirtualSite]:
    """Run a site with a condition and one without, for some hours from an hour of the local day."""
    sick, sound = site_at(from_hour, **changed), site_at(from_hour, **changed)
    sick.impose(name)
    for site in (sick, sound):
        site.advance(hours * 3600.0)
    return sick, sound


def test_each_condition_can_be_imposed_and_lifted() -> None:
    for name in CONDITIONS:
        sick, sound = after(name, 5.0, 12.0)
        assert list(sick.conditions) == [name]
        if name not in ("night-backflow", "corroded-post", "thermometer-missing"):
            assert sick.observe() != sound.observe(), name
        sick.lift(name)
        sick.advance(60.0)
        assert not sick.conditions
    with pytest.raises(KeyError, match="stuck-transmitter"):
        site_at().impose("gremlins")


def test_stuck_and_silent_transmitter() -> None:
    stuck, _ = after("stuck-transmitter", 1.0, 2.0)
    assert stuck.truth.keyed and stuck.truth.keyed_s == pytest.approx(3600.0)
    assert stuck.load_a == pytest.approx(1.6)
    stuck.lift("stuck-transmitter")
    assert stuck.truth.longest_s == pytest.approx(3600.0)
    silent, sound = after("silent-transmitter", 6.0, 12.0)
    assert (silent.truth.keyings, silent.truth.keyed_s) == (0, 0.0)
    assert sound.truth.keyings > 20


def test_conditions_of_the_sun_side() -> None:
    for name, most in (("dirty-panel", 0.55), ("snow", 0.05), ("no-panel", 0.0), ("dark-week", 0.2)):
        sick, sound = after(name, 4.0, 10.0, start_soc=0.5)
        assert sick.truth.sun_wh <= most * sound.truth.sun_wh, name
    blocked, _ = after("no-charge", 4.0, 10.0)
    assert blocked.truth.panel_wh == 0.0 < blocked.truth.sun_wh
    backflow, _ = after("night-backflow", 2.0, 1.0)
    assert (backflow.shown("controller")["panel_a"] or 0.0) < -0.03


def test_a_bad_lug_shows_between_controller_and_shunt_and_a_bad_post_does_not() -> None:
    def gap_v(site: VirtualSite) -> float:
        return site.controller.bank_v - site.bank.bank_v

    lug, sound = after("corroded-lug", 1.0, 12.0, start_soc=0.5)
    assert gap_v(lug) > gap_v(sound) + 0.1
    post, sound = after("corroded-post", 1.0, 12.0, start_soc=0.5)
    assert abs(gap_v(post) - gap_v(sound)) < 0.01
    assert post.truth.resistance_ohm == pytest.approx(sound.truth.resistance_ohm + 0.06, abs=0.002)


def test_heat_thermometer_load_and_counter() -> None:
    hot, sound = after("hot-enclosure", 8.0, 8.0)
    assert hot.heat.enclosure_c > sound.heat.enclosure_c + 8.0
    hot, sound = after("hot-controller", 2.0, 8.0)
    assert hot.heat.controller_c > sound.heat.controller_c + 30.0
    bare, _ = after("thermometer-missing", 0.1, 8.0)
    assert bare.shown("shunt")["bank_c"] is None
    drained, sound = after("extra-load", 10.0, 18.0)
    lost_ah = (sound.truth.soc_frac - drained.truth.soc_frac) * 24.0
    assert lost_ah == pytest.approx(5.0, abs=0.15)  # 0.5 A for 10 h
    drained.impose("counter-reset")
    assert drained.shown("shunt")["bank_ah_counter"] == 0.0


def test_load_output_goes_off_before_the_bank_is_ruined_and_comes_back() -> None:
    site = site_at(18.0, start_soc=0.25)
    site.impose("stuck-transmitter", for_s=12 * 3600.0)
    site.advance(10 * 3600.0)
    assert not site.truth.load_on and site.truth.cuts == 1
    site.advance(14 * 3600.0)
    assert site.truth.load_on


@pytest.mark.parametrize("month", [1, 6, 11])
def test_a_month_at_the_ridge(month: int) -> None:
    """Whatever the season: dips below half once in the dark days, full on many, and usual again at the end."""
    now_s = datetime(2026, month, 11, 15, 20, tzinfo=UTC).timestamp()
    site = cold_fork_ridge(now_utc_s=now_s)
    lowest, highest, stages = [], [], set()
    for _ in range(30):
        low, high = 1.0, 0.0
        for _ in range(1440):
            site.advance(60.0)
            low, high = min(low, site.bank.soc_frac), max(high, site.bank.soc_frac)
            stages.add(site.truth.stage if site.utc_s % 600 < 60 else "night")
        lowest.append(low)
        highest.append(high)
    assert site.utc_s == pytest.approx(now_s, abs=10.0)
    below = [day for day, low in enumerate(lowest) if low < 0.5]
    assert below and below[-1] - below[0] < 3  # one stretch
    assert 0.40 < min(lowest) < 0.48
    assert sum(high > 0.94 for high in highest) >= 15
    assert site.bank.soc_frac > 0.7
    assert stages == {"night", "bulk", "absorption", "float"}
    assert site.truth.cuts == 0
    assert -25.0 < site.heat.bank_c < 50.0
