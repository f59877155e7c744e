"""`halfmark alerts`: what stands and what stood, from the record: raised, taken on by whom, over, how long."""

import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TextIO

from attrs import define, field, frozen

from daemon.record import RecordReader, StoredEvent
from daemon.screens.lettering import clean, span, wrap
from daemon.screens.terminal import Terminal
from daemon.timeline import BootTime, Timeline, moment_of, zone_of
from shared.notices import written_value
from shared.rules import RULES

EVENTS_AT_ONCE = 500
PAST_MOST = 100  # shown on a screen, the newest ones; --json has them all
INDENT = "  "
TONES = {"urgent": "bad", "act": "warn", "advice": ""}


@frozen
class Ack:
    """Who took an alert on, when, and what they said."""

    x: float
    who: str
    note: str | None


@define
class Episode:
    """One alert from raised to cleared; times are places on the timeline, `end_x` None while it stands."""

    alert: str
    rule: str
    severity: str
    begin_x: float
    begin_known: bool = True
    end_x: float | None = None
    worst: float | None = None
    acks: list[Ack] = field(factory=list)


@frozen
class AskedAlerts:
    """What somebody wants to see of the alerts."""

    since: str | None = None
    until: str | None = None
    timezone: str | None = None
    form: str = "screen"
    plain: bool = False
    width: int | None = None


def run_alerts(store: Path, asked: AskedAlerts, *, out: TextIO | None = None) -> int:
    """Show standing and past alerts.

    Args:
        store: the record, a file or its folder.
        asked: which, and how.
        out: where to; None is the standard output.
    Returns: 0.
    Raises: ConfigError: no such time; StoreError: the record can't be read.
    """
    out = out or sys.stdout
    with RecordReader(store) as reader:
        zone = zone_of(reader, asked.timezone)
        timeline = Timeline(reader, zone)
        begin = timeline.boot_time(moment_of(asked.since, reader, zone))
        end = timeline.boot_time(moment_of(asked.until, reader, zone))
        episodes = list(_episodes(_events(reader), timeline, begin, end))
        newest = reader.newest_s()
        now_x = None if newest is None else timeline.place(*newest)
    if asked.form == "json":
        rows = [_as_row(one, timeline, now_x) for one in episodes]
        out.write(json.dumps(rows, indent=1) + "\n")
    else:
        terminal = Terminal.of(out, plain=asked.plain, width=asked.width)
        out.write("".join(f"{line}\n" for line in alerts_screen(episodes, timeline, now_x, terminal)))
    return 0


def _events(reader: RecordReader) -> Iterator[StoredEvent]:
    after = -1
    while rows := reader.alert_events(after, EVENTS_AT_ONCE):
        yield from rows
        after = rows[-1].id


def _episodes(
    events: Iterable[StoredEvent], timeline: Timeline, begin: BootTime | None, end: BootTime | None
) -> Iterator[Episode]:
    """Put the changes of each alert together; what stands comes last, what was over before `begin` not at all."""
    open_ones: dict[str, Episode] = {}
    for event in events:
        at = (event.boot, event.at_s)
        x = timeline.place(*at)
        if end is not None and at >= end:
            break
        if event.state == "raised":
            open_ones[event.alert] = _begun(event, x)
        elif event.state == "acknowledged" and event.alert in open_ones:
            note = event.body.get("note")
            who = str(event.body.get("who") or "?")
            open_ones[event.alert].acks.append(Ack(x, who, note if isinstance(note, str) else None))
        elif event.state == "grown" and event.alert in open_ones:
            open_ones[event.alert].severity = event.severity
        elif event.state == "cleared" and event.alert in open_ones:
            episode = open_ones.pop(event.alert)
            episode.end_x = x
            episode.worst = _number(event.body.get("worst"))
            if begin is None or at >= begin:
                yield episode
    yield from open_ones.values()


def _begun(event: StoredEvent, x: float) -> Episode:
    """It began when its value passed the limit, a dwell before it was raised."""
    since_s = _number(event.body.get("since_s"))
    before_s = 0.0 if since_s is None else max(0.0, event.at_s - since_s)
    known = event.body.get("since_exact") is not False
    return Episode(event.alert, event.rule, event.severity, x - before_s, known, worst=event.value)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


# -- for programs ------------------------------------------------------------------------------


def _as_row(one: Episode, timeline: Timeline, now_x: float | None) -> dict[str, object]:
    last_x = now_x if one.end_x is None else one.end_x
    return {
        "alert": one.alert,
        "rule": one.rule,
        "severity": one.severity,
        "stands": one.end_x is None,
        "begin": timeline.words(one.begin_x),
        "begin_utc": _iso(timeline, one.begin_x),
        "begin_exact": one.begin_known,
        "end": None if one.end_x is None else timeline.words(one.end_x),
        "end_utc": None if one.end_x is None else _iso(timeline, one.end_x),
        "lasted_s": None if last_x is None else round(last_x - one.begin_x, 3),
        "worst": one.worst,
        "acknowledged": [{"at": timeline.words(ack.x), "who": ack.who, "note": ack.note} for ack in one.acks],
    }


def _iso(timeline: Timeline, x: float) -> str | None:
    utc = timeline.utc_at(x)
    return None if utc is None else utc.isoformat(timespec="seconds")


# -- for people --------------------------------------------------------------------------------


def alerts_screen(episodes: list[Episode], timeline: Timeline, now_x: float | None, terminal: Terminal) -> list[str]:
    """Standing alerts first, then the past ones, the newest first."""
    standing = [one for one in episodes if one.end_x is None]
    past = [one for one in reversed(episodes) if one.end_x is not None]
    lines = [terminal.paint(_count(len(standing), "stands", "stand") + (":" if standing else ""), "strong")]
    for one in standing:
        lines += _alert_lines(one, timeline, now_x, terminal)
    if past:
        left_out = f", the newest {PAST_MOST} of them" if len(past) > PAST_MOST else ""
        lines += ["", terminal.paint(terminal.fit(f"{_count(len(past), 'is over', 'are over')}{left_out}:"), "strong")]
    for one in past[:PAST_MOST]:
        lines += _alert_lines(one, timeline, now_x, terminal)
    return lines


def _count(count: int, one: str, more: str) -> str:
    return f"no alert {one}" if count == 0 else f"1 alert {one}" if count == 1 else f"{count} alerts {more}"


def _alert_lines(one: Episode, timeline: Timeline, now_x: float | None, terminal: Terminal) -> Iterator[str]:
    rule = RULES.get(one.rule)
    title = f", {rule.title}" if rule is not None else ""
    head = f"{clean(one.severity):<7}{clean(one.alert + title)}"
    yield terminal.paint(terminal.fit(head), TONES.get(one.severity, ""))
    worst = f"; worst {written_value(rule, one.worst)}" if rule is not None else ""
    words = [_when(one, timeline, now_x) + worst]
    words += [_ack_words(ack, timeline) for ack in one.acks]
    for text in words:
        for line in wrap(clean(text), terminal.width - len(INDENT)):
            yield terminal.fit(INDENT + line)


def _when(one: Episode, timeline: Timeline, now_x: float | None) -> str:
    some = "" if one.begin_known else "at least "
    since = timeline.words(one.begin_x)
    if one.end_x is None:
        age = "" if now_x is None else f", for {some}{span(max(0.0, now_x - one.begin_x))}"
        return f"since {since}{age}"
    return f"{since} to {timeline.words(one.end_x)}, {some}{span(one.end_x - one.begin_x)}"


def _ack_words(ack: Ack, timeline: Timeline) -> str:
    return f"taken on by {ack.who} at {timeline.words(ack.x)}" + (f": {ack.note}" if ack.note else "")
