"""What `watch` knows when it draws, and the words its pages share."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from daemon.picture import AlertPicture, InstrumentPicture, Picture
from daemon.screens.curve import ASCII_SIGNS, UNICODE_SIGNS, CurveSigns
from daemon.screens.door_words import doors_told
from daemon.screens.lettering import clean, cut, span
from daemon.screens.looks import Look
from daemon.screens.outlook import Airtime, Lookahead
from daemon.screens.past import DayRange, LastDay
from daemon.screens.spans import Span
from daemon.screens.status_screen import ASCII_BLOCKS, UNICODE_BLOCKS, Blocks
from daemon.screens.verdict import Told, alert_state, alert_title, is_silent

NAME_MAX = 18
STEP_S = 10.0  # ages below a minute are told in steps of this, so that a quiet screen stays quiet


@dataclass(frozen=True, slots=True)
class View:
    """All there is to draw from.

    Attributes:
        look: the last picture; None before the first.
        trouble: why there is none, or why it is not renewed.
        day: the last 24 h of the record.
        past_why: why the record can't be read.
        days: ranges of the days past; None until asked for.
        days_of: whose days; empty when they are only counted back.
        ahead, airtime: what the service expects, and how much it was on the air.
    """

    look: Look | None = None
    trouble: str = ""
    day: LastDay = field(default_factory=LastDay)
    past_why: str = ""
    days: tuple[DayRange, ...] | None = None
    days_complete: bool = False
    days_of: str = ""
    ahead: Lookahead | None = None
    airtime: Airtime | None = None


@dataclass(frozen=True, slots=True)
class Signs:
    """The signs one terminal can show."""

    blocks: Blocks
    curve: CurveSigns

    @property
    def ascii_only(self) -> bool:
        """Whether everything must be set in ASCII."""
        return self.blocks is ASCII_BLOCKS


PLAIN = Signs(ASCII_BLOCKS, ASCII_SIGNS)
RICH = Signs(UNICODE_BLOCKS, UNICODE_SIGNS)
OWN_SIGNS = frozenset("█▒░▁▂▃▄▅▆▇▀━╌│┃·±°–…")  # all of one column in every terminal that has them


def aged(seconds: float) -> str:
    """Say an age in steps coarse enough that most looks do not change it."""
    if seconds < STEP_S:
        return f"<{STEP_S:.0f} s"
    if seconds < 60.0:
        return f"{seconds - seconds % STEP_S:.0f} s"
    return span(seconds - seconds % 60.0)


def quiet(told: Told) -> Told:
    """The same with an age in such steps."""
    if told.age_s is None:
        return told
    step_s = STEP_S if told.age_s < 60.0 else 60.0
    return replace(told, age_s=told.age_s - told.age_s % step_s)


def percent(share: float | None) -> str:
    """Say a share so that a small one is not nothing."""
    if share is None:
        return "?"
    value = 100.0 * share
    return (
        "0 %" if value == 0.0 else "<0.01 %" if value < 0.01 else f"{value:.2g} %" if value < 10.0 else f"{value:.0f} %"
    )


def error_share(row: InstrumentPicture) -> float | None:
    """Which share of what was asked gave no good answer; None when nothing was asked."""
    if row["asked"] <= 0:
        return None
    return min(1.0, max(0.0, (row["asked"] - row["answered"] + row["suspect"]) / row["asked"]))


def instrument_words(name: str, row: InstrumentPicture) -> Span:
    """One instrument: age of its last good answer and what share went wrong."""
    short = cut(clean(name), NAME_MAX)
    if row["age_s"] is None:
        why = clean(row["last_error"] or "")
        return Span(f"{short} NO ANSWER YET" + (f" ({why})" if why else ""), "bad")
    share = percent(error_share(row))
    if is_silent(row):
        return Span(f"{short} NO ANSWER for {aged(row['age_s'])}, {share} lost", "bad")
    return Span(f"{short} {aged(row['age_s'])}, {share} lost")


def alert_words(alert: AlertPicture) -> Span:
    """One alert with its severity in words, its age, and whether somebody took it on."""
    tone = "warn" if alert["severity"] == "advice" else "bad"
    state = alert_state(alert)
    words = f"{clean(alert['severity']).upper()} {alert_title(alert)}, for {aged(alert['for_s'])}"
    quiet = alert.get("covered_by") or (alert["acked"] is not None and alert["severity"] == "advice")
    return Span(words + (f", {state}" if state else ""), "dim" if quiet else tone)


def heat_words(picture: Picture) -> list[Span]:
    """Temperatures, C, each with the limit at which it is warned of; what is past it comes first."""
    found = []
    for name in ("bank_c", "controller_c", "enclosure_c", "computer_c"):
        row = picture["quantities"].get(name)
        if row is None:
            continue
        limit = picture.get("limits", {}).get(name)
        past = limit is not None and row["value"] >= limit["raise_at"]
        of = "" if limit is None else f"/{limit['raise_at']:.0f}{' PAST' if past else ''}"
        old = f" ({aged(row['age_s'])} old)" if row["age_s"] > 30.0 else ""
        found.append(Span(f"{name.removesuffix('_c')} {row['value']:.0f}{of}{old}", "bad" if past else ""))
    return sorted(found, key=lambda piece: piece.tone != "bad") or [Span("not measured", "dim")]


def sending_words(picture: Picture) -> list[Span]:
    """How `send` fares, way by way, what fails first."""
    state = picture["sending"]
    if state is None:
        return [Span("nothing known of it", "dim")]
    why, ways = state.get("record_why"), state.get("ways")
    found = [Span(f"CAN'T READ THE RECORD: {clean(why)}", "bad")] if isinstance(why, str) and why else []
    since_boot_s = picture["at_s"] if state.get("boot_id") == picture.get("boot_id") else None
    told = [_way(name, way, since_boot_s) for name, way in (ways.items() if isinstance(ways, Mapping) else ())]
    told += [_judged(words, door, since_boot_s) for words, door in doors_told(state)]
    found += sorted(told, key=lambda piece: piece.tone != "bad")
    return found or [Span("no way out is set up", "dim")]


def _way(name: object, way: object, now_s: float | None) -> Span:
    row = way if isinstance(way, Mapping) else {}
    counts = [f"{row[key]} {key}" for key in ("waiting", "taken", "refused", "dropped") if _worth(row, key)]
    text = f"{cut(clean(str(name)), NAME_MAX)} {', '.join(counts) or 'nothing known'}"
    return _judged(text, row, now_s)


def _judged(text: str, row: Mapping[str, object], now_s: float | None) -> Span:
    """The words of a way or a door, and since when and why it fails if it does."""
    failing_s = row.get("failing_since_s")
    if not isinstance(failing_s, int | float) or isinstance(failing_s, bool):
        return Span(text, "bad" if "FAILING" in text else "")
    since = f" for {aged(now_s - failing_s)}" if now_s is not None and now_s >= failing_s else ""
    error = row.get("last_error")
    return Span(f"{text}, FAILING{since}" + (f" ({clean(error)})" if isinstance(error, str) else ""), "bad")


def _worth(row: Mapping[str, object], key: str) -> bool:
    """Nothing refused and nothing dropped is not worth a word."""
    value = row.get(key)
    return isinstance(value, int) and (value != 0 or key in ("waiting", "taken"))


def record_words(picture: Picture) -> Span:
    """Whether what is measured is kept."""
    record = picture["record"]
    if record["failing_s"] is not None:
        why = clean(record["why"] or "reason not known")
        return Span(f"NOTHING STORED for {aged(record['failing_s'])}: {why}", "bad")
    age_s = record["last_commit_age_s"]
    if damaged := record.get("damaged"):
        return Span(f"record has {damaged} DAMAGED pieces: see halfmark verify", "bad")
    return Span("nothing stored yet" if age_s is None else f"record stored {aged(age_s)} ago")


def clock_words(picture: Picture) -> Span:
    """Whether the wall clock can be believed."""
    clock = picture["clock"]
    if not clock["trusted"]:
        return Span("NOT TRUSTED, days undated", "warn")
    return Span(f"trusted ({clean(clock['source'] or 'not told why')})")
