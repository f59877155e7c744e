"""Judge lookahead and warning: on a folder of truth sets, and on an ensemble of virtual sites.

    python tests/bench/ahead_score.py [FOLDER] [--only NAME ...] [--plot FOLDER] [--ablation] [--half-marks X ...]
        [--ensemble COUNT] [--months FOLDER] [--limits]

FOLDER has truth sets (NAME.csv.gz with true_soc, NAME.json with the crossings), start unknown; --half-marks judges
each set at other half marks too, which gives many more episodes. --ensemble draws so many months of virtual sites, with
other places, seasons, banks, panels, traffic and events; --months keeps them. --ablation does without each part in
turn. --limits shows what other limits of the rule would have done.

An episode is a downward crossing of the half mark with no other in the day before it. It is warned in time when the
alert stands at it and was raised 6 h before or more, and 72 h at most. A raise with no crossing, nor the bank below
half, in the 72 h after it is false, and so is each further day that it stands so. The first day is not judged. Bands
and "likely" are judged 24 h ahead, made each hour, after the first 7 days; "as now" and "as today" are the truth now,
and the truth now plus today's change.
"""

import argparse
import statistics
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench.ahead_sets import TRUTH, Course, truth_course, virtual_course, with_half_mark  # noqa: E402

from shared.ahead_watch import AheadWatch  # noqa: E402
from shared.alerts import AlertBook  # noqa: E402
from shared.lookahead import ABLATIONS, Forecast, Lookahead  # noqa: E402
from shared.rules import rules_for  # noqa: E402
from shared.site import AlertChange  # noqa: E402

RULE = "half-mark-ahead"
DAY_S = 86_400.0
LEAD_H, HORIZON_H, SETTLE_H = 6.0, 72.0, 24.0
SETTLE_DAYS = 7.0
LIMITS = ((0.3, 0.2), (0.4, 0.28), (0.5, 0.35), (0.6, 0.42), (0.7, 0.5))


@dataclass
class Run:
    """What came out of one month: hourly forecasts, and when the alert stood (UTC)."""

    name: str
    forecasts: list[tuple[float, Forecast]] = field(default_factory=list)
    stood: list[tuple[float, float]] = field(default_factory=list)


def run(course: Course, without: Sequence[str] = (), limits: tuple[float, float] | None = None) -> Run:
    """Run lookahead and rule over a month, the rule each five minutes."""
    site = course.site
    if limits is not None:
        site = evolve(site, alerts={RULE: AlertChange(RULE, raise_at=limits[0], clear_at=limits[1])})
    watch = AheadWatch(site)
    watch.ahead = Lookahead(site, without=without)
    book = AlertBook([row for row in rules_for(site) if row.alert == RULE])
    made = Run(course.name)
    since_s: float | None = None
    begin_s, hour_s = course.begin_utc_s, 0.0
    for at_s, piece, known in course.steps:
        if piece is not None:
            watch.ahead.learn(piece, known)
        watch.step(at_s, begin_s + at_s, known)
        for event in book.step(at_s, watch.facts(at_s)):
            if event.state == "raised" and since_s is None:
                since_s = begin_s + at_s
            elif event.state == "cleared" and since_s is not None:
                made.stood.append((since_s, begin_s + at_s))
                since_s = None
        forecast = watch.forecast(at_s)
        if forecast is not None and at_s >= hour_s:
            hour_s = at_s - at_s % 3600.0 + 3600.0
            made.forecasts.append((begin_s + forecast.made_s, forecast))
    if since_s is not None:
        made.stood.append((since_s, float("inf")))
    return made


# -- warnings ----------------------------------------------------------------------------------


@dataclass
class Warned:
    """How a month was warned of. `lead_h` has None for an episode that was missed."""

    lead_h: list[float | None]
    false: int

    @property
    def in_time(self) -> int:
        return sum(lead is not None and lead >= LEAD_H for lead in self.lead_h)

    @property
    def late(self) -> int:
        return sum(lead is not None and lead < LEAD_H for lead in self.lead_h)

    @property
    def missed(self) -> int:
        return sum(lead is None for lead in self.lead_h)


def warned(course: Course, stood: Sequence[tuple[float, float]]) -> Warned:
    start_s = course.begin_utc_s + SETTLE_H * 3600.0
    end_s = course.begin_utc_s + course.days * DAY_S
    downs = [at_s for at_s, way in course.crossings if way == "down"]
    episodes = [t for n, t in enumerate(downs) if t >= start_s and (n == 0 or t - downs[n - 1] > DAY_S)]
    leads: list[float | None] = []
    for at_s in episodes:
        since = [a for a, b in stood if a <= at_s <= b]
        lead_h = (at_s - since[0]) / 3600.0 if since else None
        leads.append(lead_h if lead_h is not None and lead_h <= HORIZON_H else None)
    right = [(a - HORIZON_H * 3600.0, b) for a, b in _below(course, end_s)]
    false = 0
    for a, b in stood:
        day_s, until_s = max(a, start_s), min(b, end_s)
        while day_s < until_s:
            if not any(x < min(day_s + DAY_S, until_s) and day_s < y for x, y in right):
                false += 1
            day_s += DAY_S
    return Warned(leads, false)


def _below(course: Course, end_s: float) -> Iterator[tuple[float, float]]:
    since_s: float | None = None
    for at_s, way in course.crossings:
        if way == "down":
            since_s = at_s
        elif since_s is not None:
            yield since_s, at_s
            since_s = None
    if since_s is not None:
        yield since_s, end_s


# -- bands -------------------------------------------------------------------------------------


def ahead(course: Course, made: Run, hours: int = 24) -> dict[str, float]:
    """Figures of the forecasts so many hours ahead, in points of the state of charge."""
    at_s, soc = (np.array(column) for column in zip(*course.truth, strict=True))
    rows = [
        (m, f.low[hours - 1], f.likely[hours - 1], f.high[hours - 1])
        for m, f in made.forecasts
        if m >= at_s[0] + SETTLE_DAYS * DAY_S and m + hours * 3600.0 <= at_s[-1]
    ]
    if not rows:
        return {}
    m, low, likely, high = (np.array(column) for column in zip(*rows, strict=True))
    want, now, back = (np.interp(m + shift * 3600.0, at_s, soc) for shift in (hours, 0, -hours))

    def rmse(guess: Any) -> float:
        return 100.0 * float(np.sqrt(np.mean((guess - want) ** 2)))

    return {
        "rmse": rmse(likely),
        "bias": 100.0 * float(np.mean(likely - want)),
        "inside": 100.0 * float(np.mean((low <= want) & (want <= high))),
        "width": 100.0 * float(np.mean(high - low)),
        "as now": rmse(now),
        "as today": rmse(np.clip(2.0 * now - back, 0.0, 1.0)),
    }


# -- tables ------------------------------------------------------------------------------------


def judge(courses: Sequence[Course], runs: Sequence[Run], *, listed: bool = True) -> dict[str, float]:
    """Print both tables of some months; returns their last lines as figures."""
    judged = [
        (course, warned(course, made.stood), ahead(course, made)) for course, made in zip(courses, runs, strict=True)
    ]
    whole = totals(judged)
    if listed:
        print(f"{'':34s} episodes in time  late missed false  leads h")
        for course, told, _ in judged:
            leads = ", ".join("-" if h is None else f"{h:.1f}" for h in told.lead_h)
            counts = (len(told.lead_h), told.in_time, told.late, told.missed, told.false)
            print(f"{course.name[:34]:34s} " + "{:8d} {:7d} {:5d} {:6d} {:5d}  ".format(*counts) + leads)
    print(
        f"{'all':34s} {whole['episodes']:8.0f} {whole['in time']:7.0f} {whole['late']:5.0f} {whole['missed']:6.0f} "
        f"{whole['false']:5.2f}  a month; lead median {whole['lead']:.1f} h\n"
    )
    names = ("rmse", "bias", "inside", "width", "as now", "as today")
    print(f"{'24 h ahead, points':34s} " + "".join(f"{name:>9s}" for name in names))
    for course, _, found in judged if listed else ():
        print(f"{course.name[:34]:34s} " + "".join(f"{found[name]:9.2f}" for name in names if name in found))
    print(f"{'mean':34s} " + "".join(f"{whole[name]:9.2f}" for name in names) + f"   {whole['better']:+.0f} % better\n")
    return whole


def totals(judged: Sequence[tuple[Course, Warned, dict[str, float]]]) -> dict[str, float]:
    leads = [h for _, told, _ in judged for h in told.lead_h if h is not None]
    found = [row for _, _, row in judged if row]
    whole = {name: statistics.fmean(row[name] for row in found) for name in found[0]}
    simple = min(whole["as now"], whole["as today"])
    return {
        **whole,
        "episodes": sum(len(told.lead_h) for _, told, _ in judged),
        "in time": sum(told.in_time for _, told, _ in judged),
        "late": sum(told.late for _, told, _ in judged),
        "missed": sum(told.missed for _, told, _ in judged),
        "false": statistics.fmean(told.false for _, told, _ in judged),
        "lead": statistics.median(leads) if leads else float("nan"),
        "better": 100.0 * (1.0 - whole["rmse"] / simple),
    }


def variants(courses: Sequence[Course], options: argparse.Namespace, pool: ProcessPoolExecutor) -> None:
    """Print a line for each part that is left out, and for each pair of limits, when asked."""
    asked: list[tuple[str, tuple[str, ...], tuple[float, float] | None]] = [("as it is", (), None)]
    if options.ablation:
        asked += [(f"without {part}", (part,), None) for part in ABLATIONS]
        asked.append(("without all of these", ABLATIONS, None))
    if options.limits:
        asked += [(f"raise {up:g}, clear {down:g}", (), (up, down)) for up, down in LIMITS]
    if len(asked) == 1:
        return
    names = ("episodes", "in time", "late", "missed", "false", "lead", "rmse", "inside", "width", "better")
    print(f"{'variant':24s}" + "".join(f"{name:>9s}" for name in names))
    for words, without, limits in asked:
        runs = list(pool.map(run, courses, [without] * len(courses), [limits] * len(courses)))
        rows = [(c, warned(c, made.stood), ahead(c, made)) for c, made in zip(courses, runs, strict=True)]
        whole = totals(rows)
        print(f"{words:24s}" + "".join(f"{whole[name]:9.2f}" for name in names))
    print()


def plot(course: Course, made: Run, folder: Path) -> None:
    """Truth, bands made every 12 h, and when the warning stood."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    begin_s = course.begin_utc_s
    figure, axis = pyplot.subplots(figsize=(15, 6))
    days = [(at_s - begin_s) / DAY_S for at_s, _ in course.truth]
    next_s = 0.0
    for made_s, forecast in made.forecasts:
        if made_s < next_s:
            continue
        next_s = made_s + 12.0 * 3600.0
        shade = "tab:blue" if int((made_s - begin_s) // (DAY_S / 2)) % 2 else "tab:green"
        hours = range(24)
        x = [(made_s - begin_s) / DAY_S + (hour + 1) / 24.0 for hour in hours]
        axis.fill_between(
            x, [100 * forecast.low[h] for h in hours], [100 * forecast.high[h] for h in hours], color=shade, alpha=0.18
        )
        axis.plot(x, [100 * forecast.likely[h] for h in hours], color=shade, linewidth=0.8)
    axis.plot(days, [100 * soc for _, soc in course.truth], "k", linewidth=1.0, label="truth")
    axis.axhline(100 * course.site.bank.half_mark, color="r", linewidth=0.7)
    for n, (a, b) in enumerate(made.stood):
        label = "warning stands" if n == 0 else None
        axis.axvspan(
            (a - begin_s) / DAY_S, (min(b, course.truth[-1][0]) - begin_s) / DAY_S, ymax=0.04, color="r", label=label
        )
    for at_s, way in course.crossings:
        if way == "down":
            axis.axvline((at_s - begin_s) / DAY_S, color="r", linestyle=":", linewidth=0.8)
    axis.set(title=course.name, xlabel="days", ylabel="state of charge, %", ylim=(0, 105), xlim=(0, course.days))
    axis.legend(loc="lower right")
    folder.mkdir(parents=True, exist_ok=True)
    figure.savefig(folder / f"{course.name}.png", dpi=80, bbox_inches="tight")
    pyplot.close(figure)


def options_of(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=TRUTH, help="where the sets are (tests/truth)")
    parser.add_argument("--only", nargs="+", metavar="NAME")
    parser.add_argument("--plot", type=Path, metavar="FOLDER")
    parser.add_argument("--ablation", action="store_true")
    parser.add_argument("--limits", action="store_true")
    parser.add_argument("--half-marks", nargs="+", type=float, default=[], metavar="X")
    parser.add_argument("--ensemble", type=int, default=0, metavar="COUNT")
    parser.add_argument("--months", type=Path, default=Path("build/ahead-months"), metavar="FOLDER")
    parser.add_argument("--jobs", type=int, default=2)
    return parser.parse_args(words)


def judged_group(title: str, courses: Sequence[Course], options: argparse.Namespace, pool: ProcessPoolExecutor) -> None:
    print(f"{title}: {len(courses)} months\n")
    runs = list(pool.map(run, courses))
    judge(courses, runs)
    variants(courses, options, pool)
    if options.plot:
        for course, made in zip(courses, runs, strict=True):
            plot(course, made, options.plot)


def main(words: Sequence[str] | None = None) -> int:
    options = options_of(words)
    paths = [p for p in sorted(options.folder.glob("*.csv.gz")) if not options.only or p.name[:-7] in options.only]
    if not paths and not options.ensemble:
        print(f"no set in {options.folder}", file=sys.stderr)
        return 2
    with ProcessPoolExecutor(options.jobs) as pool:
        if paths:
            courses = list(pool.map(truth_course, paths))
            judged_group("truth sets", courses, options, pool)
            others = [with_half_mark(course, mark) for course in courses for mark in options.half_marks]
            if others:
                judged_group("the same at other half marks", others, options, pool)
        if options.ensemble:
            make: Callable[..., Any] = virtual_course
            months = list(pool.map(make, range(options.ensemble), [options.months] * options.ensemble))
            judged_group("virtual sites", months, options, pool)
    return 0


if __name__ == "__main__":
    sys.exit(main())
