"""The life of an alert: raised after its dwell, perhaps covered, acknowledged, graver, reminded of; cleared.

Pure: time and facts come in, events go out. Whoever keeps the book stores the snapshot and the events
that led to it in one transaction: then no alert is raised twice and none is lost, wherever the
power goes. An event says whether it is worth a notice (`told`): what another alert explains is kept
quiet, and told when the explanation is over and it still stands.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import isfinite

from shared.reminders import reminder_age_s
from shared.rule import Rule, Watch
from shared.site import SEVERITIES

SNAPSHOT_VERSION = 2
READABLE_VERSIONS = (1, 2)
NOT_WATCHED = "not-watched"  # why an alert was cleared: its rule or instrument is not watched any more
BY_VALUE = "value"  # why something happened: the value passed a limit
BY_CONDITION = "condition"  # why an alert was cleared: what its rule asks for does not hold any more
BY_PERSON = "person"  # why an alert is acknowledged
BY_TIME = "time"  # why an alert is told again or became graver: it has stood that long
BY_FLAPPING = "flapping"  # why an alert is raised and will be held: it came and went too often
BY_UNCOVERING = "uncovering"  # why an alert is told late: what explained it is over

FLAPS_MOST = 2  # raised this often within FLAP_WITHIN_S, the next one is told as coming and going, and held
FLAP_WITHIN_S = 7.0 * 86_400.0
BARE_S = 120.0  # after its explanation is over an alert has this long to clear by itself

_TIMES = ("since_s", "raised_s", "acked_s", "told_s", "bare_s")


def _no_words(fact: str) -> str | None:
    return None


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """Something happened to an alert.

    Attributes:
        id: counts up over the life of the record, never used twice.
        alert: the alert's name, with ":INSTRUMENT" or ":LINE" for a rule per instrument or line.
        rule: the rule's name.
        state: what happened: "raised", "grown" (graver now), "reminded", "uncovered" (what explained it is
            over), "acknowledged" or "cleared"; readers must bear with others.
        at_s: when, seconds since boot.
        since_s: since when the value was past its limit, seconds since boot; below 0 if before the boot.
        since_exact: False when a power cut of unknown length lies between: it is then at least that long.
        value: the value that decided; None when there was none.
        worst: the worst value while it stood.
        limit: the limit that decided, in the rule's unit.
        severity: advice, act or urgent.
        why: one of the BY_... words, or NOT_WATCHED.
        who, note: who acknowledged it, and what they said about it; None before anybody has.
        told: whether a notice goes out.
        covered_by: the alert that explains it; None when none does.
        words: what the facts tell besides the value, in a few words.
        count: which reminder it is.
    """

    id: int
    alert: str
    rule: str
    state: str
    at_s: float
    since_s: float
    since_exact: bool
    value: float | None
    worst: float | None
    limit: float
    severity: str
    why: str = BY_VALUE
    who: str | None = None
    note: str | None = None
    told: bool = True
    covered_by: str | None = None
    words: str | None = None
    count: int = 0


@dataclass(slots=True)
class StandingAlert:
    """An alert that stands now. Times in seconds since boot; `value` is the last one known.

    Attributes:
        acked_by, acked_note, acked_s: who took it on last; None until somebody has.
        told_s: when it was told last for a new reason; None while it has not been told.
        covered_by: the alert that explains it now.
        bare_s: since when nothing explains it any more, while it has not been told.
        reminders: told again that often since `told_s` or `acked_s`.
        held: it came and went too often, and stands until it has been calm for long.
        words: what the facts tell besides the value.
    """

    alert: str
    rule: str
    severity: str
    since_s: float
    raised_s: float
    value: float
    worst: float
    limit: float
    since_exact: bool = True
    acked_by: str | None = None
    acked_note: str | None = None
    acked_s: float | None = None
    told_s: float | None = None
    covered_by: str | None = None
    bare_s: float | None = None
    reminders: int = 0
    held: bool = False
    words: str | None = None


class AlertBook:
    """The alerts of one site: folds facts in, hands out what changed."""

    __slots__ = ("_calm", "_limits", "_next_id", "_now_s", "_pending", "_raises", "_standing", "_watches")

    def __init__(self, watches: Sequence[Watch], *, last_event_id: int = 0) -> None:
        """Open an empty book.

        Args:
            watches: what is watched, from `shared.rules.rules_for`.
            last_event_id: the highest event number the record has, so that none is used twice.
        """
        self._watches = {watch.alert: watch for watch in watches}
        self._limits = [(w.fact, w.alert, w.rule.kind == "high", w.rule.raise_at, w) for w in self._watches.values()]
        self._standing: dict[str, StandingAlert] = {}
        self._pending: dict[str, float] = {}  # alert -> since when its value is past the limit, not raised yet
        self._calm: dict[str, float] = {}  # alert -> since when its value is calm, not cleared yet
        self._raises: dict[str, list[float]] = {}  # alert -> when it was raised of late
        self._next_id = last_event_id + 1
        self._now_s: float | None = None

    @classmethod
    def resume(cls, watches: Sequence[Watch], snapshot: Mapping[str, object], *, last_event_id: int = 0) -> "AlertBook":
        """Go on from a snapshot, with today's rules.

        What stands goes on standing, also under changed limits; an alert that is not watched any more
        is cleared at the next step.

        Args:
            watches: what is watched now.
            snapshot: what `snapshot()` gave, of this version or an earlier one.
            last_event_id: the highest event number the record has.
        Raises: ValueError: the snapshot is none of ours, or from a newer version.
        """
        book = cls(watches, last_event_id=last_event_id)
        try:
            book._restore(snapshot)
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"not a snapshot of an alert book: {error!r}") from error
        return book

    def snapshot(self) -> dict[str, object]:
        """Give all that `resume` needs, as plain JSON-able data."""
        return {
            "version": SNAPSHOT_VERSION,
            "now_s": self._now_s,
            "next_id": self._next_id,
            "standing": [asdict(alert) for alert in self._standing.values()],
            "pending": dict(self._pending),
            "calm": dict(self._calm),
            "raises": {alert: list(times) for alert, times in self._raises.items()},
        }

    @property
    def standing(self) -> list[StandingAlert]:
        """The alerts that stand, the one that was raised first in front."""
        return list(self._standing.values())

    def bridge(self, now_s: float, gap_s: float | None = None) -> None:
        """Take over into a new count of seconds (a reboot): ages are kept, dwells begin again.

        Args:
            now_s: seconds since the new boot.
            gap_s: time between the last step and now, s; None when nobody knows. Ages then count only
                what was seen, and are marked as at least that long.
        """
        if self._now_s is not None:
            shift_s = now_s - self._now_s - (gap_s or 0.0)
            for alert in self._standing.values():
                for name in _TIMES:
                    if (time_s := getattr(alert, name)) is not None:
                        setattr(alert, name, time_s + shift_s)
                alert.since_exact = alert.since_exact and gap_s is not None
            self._raises = {alert: [at_s + shift_s for at_s in times] for alert, times in self._raises.items()}
        self._pending.clear()
        self._calm.clear()
        self._now_s = now_s

    def step(
        self, now_s: float, facts: Mapping[str, float | None], words_of: Callable[[str], str | None] = _no_words
    ) -> list[AlertEvent]:
        """Fold in what is known now, and tell what changed.

        A fact that is absent, None or not finite neither raises nor clears. Time that runs backwards is
        taken as a new boot after a gap nobody knows.

        Args:
            now_s: seconds since boot.
            facts: value by fact, each in its rule's unit.
            words_of: gives what is to be said beside a fact's value; asked only when an alert is raised.
        """
        if self._now_s is not None and now_s < self._now_s:
            self.bridge(now_s)
        self._now_s = now_s
        events = [self._drop(alert, now_s) for alert in list(self._standing) if alert not in self._watches]
        risen: dict[str, str] = {}
        under_way = self._pending.keys() | self._standing.keys()
        for fact, name, is_high, raise_at, watch in self._limits:
            # Most of the time a value is on the calm side and nothing is under way: then nothing can happen.
            value = facts.get(fact)
            is_calm = value is None or (value < raise_at if is_high else value > raise_at)
            if is_calm and name not in under_way:
                continue
            applies, value = _judged(watch.rule, watch.fact, facts)
            if applies is None:
                continue
            standing = self._standing.get(watch.alert)
            if standing is None:
                if self._seek(watch, value if applies else None, now_s, words_of):
                    risen[watch.alert] = BY_FLAPPING if self._standing[watch.alert].held else BY_VALUE
            elif (event := self._keep(watch, standing, value, applies, now_s)) is not None:
                events.append(event)
        for name in risen:
            self._standing[name].covered_by = self._explanation(name)
        for name, alert in self._standing.items():
            if name in risen:
                events.append(self._announce(alert, risen[name], now_s))
            else:
                events += self._attend(self._watches[name], alert, now_s)
        return events

    def acknowledge(self, alert: str, who: str, note: str | None, now_s: float) -> AlertEvent:
        """Note that a person has taken an alert on; it goes on standing. Who does it last is shown.

        Args:
            alert: the alert's name.
            who: the person.
            note: what they said about it.
            now_s: seconds since boot.
        Raises: LookupError: no such alert stands.
        """
        standing = self._standing.get(alert)
        if standing is None:
            raise LookupError(alert)
        standing.acked_by, standing.acked_note, standing.acked_s = who, note, now_s
        standing.reminders = 0
        return self._event(standing, "acknowledged", now_s, standing.value, standing.limit, BY_PERSON, told=False)

    # -- raised and cleared --------------------------------------------------------------------

    def _seek(self, watch: Watch, value: float | None, now_s: float, words_of: Callable[[str], str | None]) -> bool:
        """Look whether an alert must be raised; `value` is None where the rule's condition does not hold."""
        if value is None or not watch.rule.is_past(value):
            self._pending.pop(watch.alert, None)
            return False
        since_s = self._pending.setdefault(watch.alert, now_s)
        if now_s - since_s < watch.rule.dwell_s:
            return False
        del self._pending[watch.alert]
        self._standing[watch.alert] = StandingAlert(
            alert=watch.alert,
            rule=watch.rule.name,
            severity=watch.rule.severity,
            since_s=since_s,
            raised_s=now_s,
            value=value,
            worst=value,
            limit=watch.rule.raise_at,
            held=self._comes_and_goes(watch, now_s),
            words=words_of(watch.fact),
        )
        return True

    def _comes_and_goes(self, watch: Watch, now_s: float) -> bool:
        """Note that an alert is raised; True when it was too often of late."""
        if watch.rule.hold_s <= 0.0:
            return False
        earlier = [at_s for at_s in self._raises.get(watch.alert, ()) if now_s - at_s < FLAP_WITHIN_S]
        self._raises[watch.alert] = [*earlier, now_s][-FLAPS_MOST:]
        return len(earlier) >= FLAPS_MOST

    def _keep(
        self, watch: Watch, alert: StandingAlert, value: float | None, applies: bool, now_s: float
    ) -> AlertEvent | None:
        rule = watch.rule
        if value is not None:
            alert.value = value
            if applies:
                alert.worst = _worse(rule, alert.worst, value)
        if applies and value is not None and not rule.is_calm(value):
            self._calm.pop(watch.alert, None)
            return None
        calm_s = max(rule.calm_s, rule.hold_s) if alert.held else rule.calm_s
        if now_s - self._calm.setdefault(watch.alert, now_s) < calm_s:
            return None
        del self._calm[watch.alert]
        del self._standing[watch.alert]
        why = BY_VALUE if applies else BY_CONDITION
        told = rule.tells_end and alert.told_s is not None
        return self._event(alert, "cleared", now_s, value, rule.clear_at, why, told=told)

    def _drop(self, name: str, now_s: float) -> AlertEvent:
        alert = self._standing.pop(name)
        self._calm.pop(name, None)
        self._raises.pop(name, None)
        told = alert.told_s is not None
        return self._event(alert, "cleared", now_s, None, alert.limit, NOT_WATCHED, told=told)

    # -- while it stands -----------------------------------------------------------------------

    def _announce(self, alert: StandingAlert, why: str, now_s: float) -> AlertEvent:
        if alert.covered_by is None:
            alert.told_s = now_s
        return self._event(alert, "raised", now_s, alert.value, alert.limit, why, told=alert.covered_by is None)

    def _attend(self, watch: Watch, alert: StandingAlert, now_s: float) -> list[AlertEvent]:
        """See after an alert that stood before: what explains it, whether it is graver, whether to remind of it."""
        cover = self._explanation(watch.alert)
        if cover is not None:
            alert.covered_by, alert.bare_s = cover, None
        elif alert.covered_by is not None:
            alert.covered_by, alert.bare_s = None, now_s
            if alert.told_s is not None:  # told before it was covered: reminders begin anew, not all at once
                alert.told_s, alert.reminders = now_s, 0
        found = [*self._grown(watch, alert, now_s)]
        if alert.covered_by is not None or self._is_calm_now(alert):
            return found
        if alert.told_s is None:
            if alert.bare_s is not None and now_s - alert.bare_s < BARE_S:
                return found
            alert.told_s, alert.bare_s = now_s, None
            return [*found, self._event(alert, "uncovered", now_s, alert.value, alert.limit, BY_UNCOVERING)]
        return [*found, *self._reminded(alert, now_s)]

    def _grown(self, watch: Watch, alert: StandingAlert, now_s: float) -> list[AlertEvent]:
        if self._is_calm_now(alert):
            return []
        rule, found = watch.rule, []
        for growth in rule.grows:
            if SEVERITIES.index(growth.severity) <= SEVERITIES.index(alert.severity):
                continue
            by_value = growth.at is not None and rule.is_at(alert.value, growth.at)
            if not by_value and (growth.after_s is None or now_s - alert.raised_s < growth.after_s):
                continue
            alert.severity = growth.severity
            told = alert.told_s is not None and alert.covered_by is None
            if told:
                alert.told_s, alert.reminders = now_s, 0
            limit = growth.at if by_value and growth.at is not None else alert.limit
            why = BY_VALUE if by_value else BY_TIME
            found.append(self._event(alert, "grown", now_s, alert.value, limit, why, told=told))
        return found

    def _reminded(self, alert: StandingAlert, now_s: float) -> list[AlertEvent]:
        taken = alert.acked_s is not None
        begin_s = alert.acked_s if alert.acked_s is not None else alert.told_s
        age_s = reminder_age_s(alert.severity, alert.reminders, taken=taken)
        if begin_s is None or age_s is None or now_s - begin_s < age_s:
            return []
        while age_s is not None and now_s - begin_s >= age_s:  # what was due during a power cut is one reminder
            alert.reminders += 1
            age_s = reminder_age_s(alert.severity, alert.reminders, taken=taken)
        return [self._event(alert, "reminded", now_s, alert.value, alert.limit, BY_TIME)]

    def _is_calm_now(self, alert: StandingAlert) -> bool:
        return alert.alert in self._calm

    def _explanation(self, name: str) -> str | None:
        """The alert at the root of what explains this one; None when nothing that stands does."""
        for group in self._watches[name].covers if name in self._watches else ():
            if all(other in self._standing and other != name for other in group):
                return self._explanation(group[0]) or group[0]
        return None

    # -- helpers -------------------------------------------------------------------------------

    def _event(
        self,
        alert: StandingAlert,
        state: str,
        now_s: float,
        value: float | None,
        limit: float,
        why: str = BY_VALUE,
        *,
        told: bool = True,
    ) -> AlertEvent:
        event = AlertEvent(
            id=self._next_id,
            alert=alert.alert,
            rule=alert.rule,
            state=state,
            at_s=now_s,
            since_s=alert.since_s,
            since_exact=alert.since_exact,
            value=value,
            worst=alert.worst,
            limit=limit,
            severity=alert.severity,
            why=why,
            who=alert.acked_by,
            note=alert.acked_note,
            told=told,
            covered_by=alert.covered_by,
            words=alert.words,
            count=alert.reminders,
        )
        self._next_id += 1
        return event

    def _restore(self, snapshot: Mapping[str, object]) -> None:
        if snapshot["version"] not in READABLE_VERSIONS:
            raise ValueError(f"alert book of version {snapshot['version']!r}, this one reads {SNAPSHOT_VERSION}")
        standing, pending, calm = snapshot["standing"], snapshot["pending"], snapshot["calm"]
        now_s, next_id, raises = snapshot["now_s"], snapshot["next_id"], snapshot.get("raises", {})
        if not (isinstance(standing, list) and isinstance(pending, Mapping) and isinstance(calm, Mapping)):
            raise TypeError("standing, pending and calm")
        if not isinstance(next_id, int) or not (now_s is None or isinstance(now_s, int | float)):
            raise TypeError("next_id and now_s")
        if not isinstance(raises, Mapping):
            raise TypeError("raises")
        self._standing = {row["alert"]: _standing_of(row, snapshot["version"]) for row in standing}
        self._pending = {str(alert): float(since_s) for alert, since_s in pending.items() if alert in self._watches}
        self._calm = {str(alert): float(since_s) for alert, since_s in calm.items() if alert in self._standing}
        self._raises = {
            str(alert): [float(at_s) for at_s in times] for alert, times in raises.items() if alert in self._watches
        }
        self._next_id = max(self._next_id, next_id)
        self._now_s = now_s


def _judged(rule: Rule, fact: str, facts: Mapping[str, float | None]) -> tuple[bool | None, float | None]:
    """Whether the rule applies now, and the value.

    Returns: (None, ...) when nothing can be said; (False, value or None) when its condition does not hold.
    """
    value = facts.get(fact)
    if value is not None and not isfinite(value):
        value = None
    if rule.only_if:
        holds = facts.get(rule.only_if)
        if holds is None or not isfinite(holds):
            return None, value
        if holds == 0.0:
            return False, value
    return (None if value is None else True), value


def _standing_of(row: Mapping[str, object], version: object) -> StandingAlert:
    alert = StandingAlert(**row)  # type: ignore[arg-type]
    return replace(alert, told_s=alert.raised_s) if version == 1 else alert


def _worse(rule: Rule, one: float, other: float) -> float:
    return max(one, other) if rule.kind == "high" else min(one, other)
