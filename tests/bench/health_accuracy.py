"""How well airtime, resistance, lead and charge voltage are told, against the simulated site's truth. By hand:

python tests/bench/health_accuracy.py [days]
"""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from drivers.virtual.site import SitePlan  # noqa: E402
from drivers.virtual.weather import Spell  # noqa: E402
from servers.keyed_site import START_UTC_S, KeyedSite  # noqa: E402
from shared.airtime_hours import total  # noqa: E402
from shared.health_rules import HEALTH_RULES  # noqa: E402
from shared.keying_ohm import OHM_PER_DEPTH, OHM_PER_K  # noqa: E402

OURS = {rule.name for rule in HEALTH_RULES}
SEEDS = (3, 4, 5)
CLEAR = (Spell(START_UTC_S - 86_400.0, START_UTC_S + 40 * 86_400.0, 0.05, share=1.0),)
WIRINGS = (
    ("load current each 1 s", {"shunt_s": 10.0, "controller_s": 1.0}),
    ("load current each 2 s", {"shunt_s": 10.0, "controller_s": 2.0}),
    ("bank current 1 s, load 10 s", {"shunt_s": 1.0, "controller_s": 10.0}),
    ("bank current 2 s, load 10 s", {"shunt_s": 2.0, "controller_s": 10.0}),
    ("load 1 s, site file silent", {"shunt_s": 10.0, "controller_s": 1.0, "told": False}),
)
BANKS = (
    ("agm 24 Ah", SitePlan(spells=CLEAR)),
    ("agm 24 Ah, 70 % left", SitePlan(health=0.7, spells=CLEAR)),
    ("flooded 40 Ah, half", SitePlan(chemistry="flooded", capacity_ah=40.0, start_soc=0.5, spells=CLEAR)),
    ("gel 60 Ah", SitePlan(chemistry="gel", capacity_ah=60.0, spells=CLEAR)),
    ("lifepo4 26 Ah", SitePlan(chemistry="lifepo4", capacity_ah=26.0, cells=4, start_soc=0.6, spells=CLEAR)),
)


def airtime_table(days: float) -> None:
    print(f"airtime over {days:g} days, sun and night; errors against the truth\n")
    print(f"{'seen by':<30}{'seed':>5}{'keyings':>9}{'error':>8}{'seconds':>9}{'error':>8}{'longest':>9}{'error':>8}")
    for words, how in WIRINGS:
        for seed in SEEDS:
            site = KeyedSite(seed=seed, **how)  # type: ignore[arg-type]
            site.run(24.0 * days)
            airtime, truth = site.station.airtime, site.virtual.truth
            found = total(airtime.hours.rows) if airtime is not None else None
            if found is None:
                print(f"{words:<30}{seed:>5}  nothing seen")
                continue
            keyings, seconds = found.keyings / truth.keyings - 1.0, found.keyed_s / truth.keyed_s - 1.0
            print(
                f"{words:<30}{seed:>5}{truth.keyings:>9}{100 * keyings:>+7.1f}%{truth.keyed_s:>9.0f}"
                f"{100 * seconds:>+7.1f}%{truth.longest_s:>8.0f}s{found.longest_s - truth.longest_s:>+7.1f}s"
            )


def resistance_table(days: float) -> None:
    print(f"\nresistance over {days:g} clear days at 1 s; found and true at the newest set of keyings")
    print("(true: what a keying shows after 1 s, referred to 25 C and full by the same factors)\n")
    print(
        f"{'bank':<24}{'seed':>5}{'true mohm':>11}{'found':>8}{'+-':>6}{'error':>8}{'lead mohm':>11}{'+-':>6}", end=""
    )
    print(f"{'held V off':>12}")
    for words, plan in BANKS:
        for seed in SEEDS[:2]:
            print_bank(words, plan, seed, days)


def print_bank(words: str, plan: SitePlan, seed: int, days: float) -> None:
    site, true_ohm, folded_s = KeyedSite(plan, seed=seed), 0.0, -1.0
    health = site.station.health
    for _ in range(round(24 * days * 6)):
        site.run(1.0 / 6.0)
        if health.ohm.folded_s != folded_s:
            folded_s, truth = health.ohm.folded_s, site.virtual.truth
            cold = 1.0 - OHM_PER_K * (truth.bank_c - 25.0)
            new = truth.keying_ohm / cold / (1.0 + OHM_PER_DEPTH * (1.0 - truth.soc_frac))
            true_ohm = new if not true_ohm else true_ohm + (new - true_ohm) / 3.0
    found, lead, plateau = health.ohm.report(), health.lead.ohm(), health.plateau.found()
    held = "none"
    if plateau is not None:
        own = plan.controller
        held = f"{plateau.charger_v - own.absorb_v - own.charge_v_per_k * (plateau.charger_c - 25.0):+.3f}"
    ohm, sigma = found["ohm"], found["ohm_sigma"]
    told = " " * 11 + "none  " if ohm is None or sigma is None else f"{1e3 * ohm:>8.1f}{1e3 * sigma:>6.1f}"
    error = "" if ohm is None else f"{100 * (ohm / true_ohm - 1.0):>+7.1f}%"
    leads = "none" if lead is None else f"{1e3 * lead[0]:>11.1f}{1e3 * lead[1]:>6.1f}"
    print(f"{words:<24}{seed:>5}{1e3 * true_ohm:>11.1f}{told}{error:>8}{leads:>17}{held:>12}")


def faults_table() -> None:
    print("\nlug or bank: nine hours of a dark site in good order, then five with the fault\n")
    print(f"{'fault':<18}{'resistance against the week before':>36}{'lead mohm':>11}   alerts")
    for condition in ("none", "corroded-lug", "corroded-post", "tired-bank"):
        site = KeyedSite(SitePlan(panel_w=0.01, traffic_level=5.0))
        site.run(9.0)
        if condition != "none":
            site.virtual.impose(condition)
        site.run(5.0)
        jump, lead = site.station.health.ohm.jump(), site.station.health.lead.ohm()
        words = "not known" if jump is None else f"{100 * jump:+.0f} %"
        raised = ", ".join(sorted(site.raised() & OURS)) or "none"
        print(f"{condition:<18}{words:>36}{1e3 * lead[0] if lead else 0.0:>11.0f}   {raised}")


if __name__ == "__main__":
    length = float(sys.argv[1]) if len(sys.argv) > 1 else 3.0
    airtime_table(length)
    resistance_table(length)
    faults_table()
