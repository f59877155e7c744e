"""A year of a noisy simulated site: which notices a person would have had, by rule and month; by hand.

Conditions come and go by chance, each a few times a year: dirt, snow, shade, a cover, corroded lugs, stuck and busy
transmitters, loads that should not be there, instruments that go silent, lines that go down, counters that start
over, the clock and the mail lost for days. Everything goes the service's way: readings, estimate, facts, rules, book.

python tests/bench/notice_year.py [--seed 1] [--days 365] [--step 60] [--troubles 1] [--list]
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from drivers.virtual.site import SitePlan  # noqa: E402
from servers.watched_site import DAY_S, HOUR_S, WatchedSite  # noqa: E402
from shared.alerts import AlertEvent  # noqa: E402

START_UTC_S = datetime(2026, 1, 1, 5, 0, tzinfo=UTC).timestamp()

# How often a year, and for how many hours at least and at most; each as the simulated site has it.
SITE_TROUBLES: dict[str, tuple[float, float, float]] = {
    "busy": (6.0, 3.0, 30.0),
    "stuck-transmitter": (2.0, 0.3, 4.0),
    "silent-transmitter": (1.0, 20.0, 90.0),
    "weak-transmitter": (1.0, 100.0, 400.0),
    "dirty-panel": (1.0, 300.0, 900.0),
    "afternoon-shade": (1.0, 200.0, 600.0),
    "no-panel": (1.0, 10.0, 60.0),
    "no-charge": (2.0, 3.0, 40.0),
    "dark-week": (1.0, 60.0, 120.0),
    "night-backflow": (1.0, 100.0, 500.0),
    "extra-load": (2.0, 5.0, 40.0),
    "hot-enclosure": (2.0, 20.0, 150.0),
    "hot-controller": (1.0, 50.0, 200.0),
    "cold-snap": (2.0, 30.0, 120.0),
    "corroded-lug": (1.0, 200.0, 900.0),
    "set-point-low": (0.5, 200.0, 600.0),
    "thermometer-missing": (1.0, 50.0, 300.0),
}
WATCH_TROUBLES: dict[str, tuple[float, float, float]] = {
    "controller silent": (8.0, 0.05, 30.0),
    "shunt silent": (4.0, 0.05, 10.0),
    "controller comes and goes": (2.0, 10.0, 60.0),
    "line down": (4.0, 0.05, 20.0),
    "values spoiled": (3.0, 0.3, 10.0),
    "clock lost": (3.0, 20.0, 400.0),
    "mail lost": (6.0, 1.0, 60.0),
    "disk low": (1.0, 20.0, 300.0),
    "restart": (10.0, 0.0, 0.0),
    "counter reset": (5.0, 0.0, 0.0),
}
WINTER_ONLY = {"snow": (6.0, 20.0, 120.0)}
WINTER_MONTHS = (12, 1, 2)


class Year:
    """One site with its troubles; `spells` is (begin, end, name), hours from the start."""

    def __init__(self, seed: int, days: float, step_s: float, share: float = 1.0) -> None:
        self.site = WatchedSite(
            seed=seed, plan=SitePlan(start_soc=0.85), step_s=step_s, start_utc_s=START_UTC_S, trusts_clock=True
        )
        self.end_s = days * DAY_S
        self.spells: list[tuple[float, float, str]] = []
        chance = Random(f"{seed}:year")
        for troubles in (SITE_TROUBLES, WATCH_TROUBLES, WINTER_ONLY):
            for name, (a_year, least_h, most_h) in troubles.items():
                self._draw(chance, name, share * a_year * days / 365.0, least_h, most_h)
        self._changes = sorted(
            [(begin, 1, name, end) for begin, end, name in self.spells]
            + [(end, 0, name, end) for _, end, name in self.spells if end > 0.0]
        )
        self._restarts: list[float] = []
        self._mail_lost_s: float | None = None
        self._flicker = False

    def _draw(self, chance: Random, name: str, count: float, least_h: float, most_h: float) -> None:
        whole = int(count) + (chance.random() < count % 1.0)
        for _ in range(whole):
            begin_s = chance.uniform(0.0, self.end_s)
            while name in WINTER_ONLY and datetime.fromtimestamp(START_UTC_S + begin_s, UTC).month not in WINTER_MONTHS:
                begin_s = chance.uniform(0.0, self.end_s)
            # Short ones are more frequent than long ones.
            length_h = least_h * (most_h / least_h) ** chance.random() if least_h > 0.0 else 0.0
            self.spells.append((begin_s, begin_s + length_h * HOUR_S, name))

    def run(self, tell: Callable[[float], None]) -> list[AlertEvent]:
        """Live through it; gives everything that happened to alerts."""
        site = self.site
        while site.now_s < self.end_s:
            for _ in range(int(max(1.0, HOUR_S // site.step_s))):
                self._change()
                self._tell_service()
                site.run(site.step_s)
            tell(site.now_s)
        return site.events

    def _change(self) -> None:
        site = self.site
        while self._changes and self._changes[0][0] <= site.now_s:
            _, begins, name, _ = self._changes.pop(0)
            if name in SITE_TROUBLES or name in WINTER_ONLY:
                if begins:
                    site.virtual.impose(name, for_s=1e9)
                else:
                    site.virtual.lift(name)
            elif begins or name not in ("restart", "counter reset"):
                self._change_watch(name, bool(begins))
        if self._flicker and int(site.now_s) % 1800 == 0:
            site.quiet ^= {"controller"}

    def _change_watch(self, name: str, begins: bool) -> None:
        site = self.site
        match name:
            case "controller silent":
                (site.quiet.add if begins else site.quiet.discard)("controller")
            case "shunt silent":
                (site.quiet.add if begins else site.quiet.discard)("shunt")
            case "line down":
                site.quiet = {"shunt", "controller"} if begins else set()
            case "controller comes and goes":
                self._flicker = begins
                site.quiet -= {"controller"}
            case "values spoiled":
                site.spoil = {("controller", "panel_v")} if begins else set()
            case "clock lost":
                site.trusts_clock = not begins
            case "mail lost":
                self._mail_lost_s = site.now_s if begins else None
            case "disk low":
                site.told["disk_free_mb"] = 60.0 if begins else 5000.0
            case "restart":
                self._restarts.append(site.now_s)
                site.station.bridge(site.now_s, 60.0)
            case "counter reset":
                site.virtual.impose("counter-reset")

    def _tell_service(self) -> None:
        told, now_s = self.site.told, self.site.now_s
        told["restarts_day"] = float(sum(now_s - at_s < DAY_S for at_s in self._restarts))
        told["sending_waiting_h"] = 0.0 if self._mail_lost_s is None else (now_s - self._mail_lost_s) / HOUR_S
        told["record_failing_s"] = 0.0
        if self.site.trusts_clock:
            self._clock_s = now_s
        told["clock_untrusted_h"] = (now_s - getattr(self, "_clock_s", 0.0)) / HOUR_S


def table(events: list[AlertEvent], days: float) -> str:
    """Notices by rule and month, and what kinds they were."""
    told = [event for event in events if event.told]
    months = sorted({_month(event) for event in told}) or [1]
    by_rule = Counter((event.rule, _month(event)) for event in told)
    kinds = Counter((event.rule, event.state) for event in told)
    states = ("raised", "uncovered", "grown", "reminded", "cleared")
    lines = [
        f"{'rule':<24}" + "".join(f"{m:>4}" for m in months) + f"{'all':>6}   " + " ".join(f"{s:>9}" for s in states)
    ]
    for rule in sorted({event.rule for event in told}):
        counts = [by_rule[rule, month] for month in months]
        row = f"{rule:<24}" + "".join(f"{c or '.':>4}" for c in counts) + f"{sum(counts):>6}   "
        lines.append(row + " ".join(f"{kinds[rule, state] or '.':>9}" for state in states))
    totals = [sum(by_rule[rule, month] for rule, m in by_rule if m == month) for month in months]
    lines.append(f"{'all':<24}" + "".join(f"{c:>4}" for c in totals) + f"{len(told):>6}")
    by_severity = Counter(event.severity for event in told if event.state != "cleared")
    days_told = Counter(int(event.at_s // DAY_S) for event in told)
    lines.append("")
    lines.append(f"{len(events) - len(told)} changes were kept quiet; by severity: {dict(by_severity)}")
    lines.append(
        f"{len(told) / days * 7.0:.1f} notices a week; on {len(days_told)} of {days:g} days there was one, "
        f"{max(days_told.values(), default=0)} on the worst"
    )
    return "\n".join(lines)


def _month(event: AlertEvent) -> int:
    return datetime.fromtimestamp(START_UTC_S + event.at_s, UTC).month


def main() -> int:
    """Run, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--step", type=float, default=60.0, help="simulated seconds between two looks")
    parser.add_argument("--troubles", type=float, default=1.0, help="how many of the troubles, as a share")
    parser.add_argument("--list", action="store_true", help="each notice with its time")
    chosen = parser.parse_args()
    year = Year(chosen.seed, chosen.days, chosen.step, chosen.troubles)
    began_s = time.monotonic()

    def tell(now_s: float) -> None:
        if int(now_s // HOUR_S) % 240 == 0:
            print(f"\r{now_s / DAY_S:.0f} of {chosen.days:g} days", end="", file=sys.stderr, flush=True)

    events = year.run(tell)
    print(file=sys.stderr)
    if chosen.list:
        for begin_s, end_s, name in sorted(year.spells):
            print(f"{begin_s / DAY_S:8.2f} to {end_s / DAY_S:8.2f}  {name}")
        for event in events:
            quiet = "" if event.told else f" (quiet: {event.covered_by or 'its end'})"
            value = "" if event.value is None else f" {event.value:.3g}"
            print(
                f"{event.at_s / DAY_S:8.2f} {event.severity:<7} {event.alert} {event.state} {event.why}{value}{quiet}"
            )
    print(f"seed {chosen.seed}, {len(year.spells)} troubles, {time.monotonic() - began_s:.0f} s\n")
    print(table(events, chosen.days))
    return 0


if __name__ == "__main__":
    sys.exit(main())
