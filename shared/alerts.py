"""The life of an alert: raised after its dwell, standing, perhaps acknowledged, cleared; kept through restarts.

Pure: time and facts come in, events go out. Whoever keeps the book stores the snapshot and the events
that led to it in one transaction: then no alert is raised twice and none is lost, wherever the
power goes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import isfinite

from shared.rules import Rule, Watch

SNAPSHOT_VERSION = 1
NOT_WATCHED = "not-watched"  # why an alert was cleared: its rule or instrument is not watched any more
BY_VALUE = "value"  # why an alert was raised or cleared: the value passed a limit
BY_PERSON = "person"  # why an alert is acknowledged


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """Something happened to an alert.

    Attributes:
        id: counts up over the life of the record, never used twice.
        alert: the alert's name, with ":INSTRUMENT" for a rule per instrument.
        rule: the rule's name.
        state: what happened, now "raised", "acknowledged" or "cleared"; readers must bear with others.
        at_s: when, seconds since boot.
        since_s: since when the value was past its limit, seconds since boot; below 0 if before the boot.
        since_exact: False when a power cut of unknown length lies between: it is then at least that long.
        value: the value that decided; None when the alert was cleared without one.
        worst: the worst value while it stood.
        limit: the limit that decided, in the rule's unit.
        severity: advice, act or urgent.
        why: BY_VALUE, NOT_WATCHED or BY_PERSON.
        who, note: who acknowledged it, and what they said about it; None for all other events.
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


@dataclass(slots=True)
class StandingAlert:
    """An alert that stands now. Times in seconds since boot; `value` is the last one known.

    `acked_by`, `acked_note` and `acked_s` tell who took it on last; None until somebody has.
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


class AlertBook:
    """The alerts of one site: folds facts in, hands out what changed."""

    __slots__ = ("_calm", "_next_id", "_now_s", "_pending", "_standing", "_watches")

    def __init__(self, watches: Sequence[Watch], *, last_event_id: int = 0) -> None:
        """Open an empty book.

        Args:
            watches: what is watched, from `shared.rules.rules_for`.
            last_event_id: the highest event number the record has, so that none is used twice.
        """
        self._watches = {watch.alert: watch for watch in watches}
        self._standing: dict[str, StandingAlert] = {}
        self._pending: dict[str, float] = {}  # alert -> since when its value is past the limit, not raised yet
        self._calm: dict[str, float] = {}  # alert -> since when its value is calm, not cleared yet
        self._next_id = last_event_id + 1
        self._now_s: float | None = None

    @classmethod
    def resume(cls, watches: Sequence[Watch], snapshot: Mapping[str, object], *, last_event_id: int = 0) -> "AlertBook":
        """Go on from a snapshot, with today's rules.

        What stands goes on standing, also under changed limits; an alert that is not watched any more
        is cleared at the next step.

        Args:
            watches: what is watched now.
            snapshot: what `snapshot()` gave.
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
                alert.since_s += shift_s
                alert.raised_s += shift_s
                if alert.acked_s is not None:
                    alert.acked_s += shift_s
                alert.since_exact = alert.since_exact and gap_s is not None
        self._pending.clear()
        self._calm.clear()
        self._now_s = now_s

    def step(self, now_s: float, facts: Mapping[str, float | None]) -> list[AlertEvent]:
        """Fold in what is known now, and tell what changed.

        A fact that is absent, None or not finite neither raises nor clears. Time that runs backwards is
        taken as a new boot after a gap nobody knows.

        Args:
            now_s: seconds since boot.
            facts: value by fact, each in its rule's unit.
        """
        if self._now_s is not None and now_s < self._now_s:
            self.bridge(now_s)
        self._now_s = now_s
        events = [self._drop(alert, now_s) for alert in list(self._standing) if alert not in self._watches]
        for watch in self._watches.values():
            value = facts.get(watch.fact)
            if value is None or not isfinite(value):
                continue
            standing = self._standing.get(watch.alert)
            event = self._seek(watch, value, now_s) if standing is None else self._keep(watch, standing, value, now_s)
            if event is not None:
                events.append(event)
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
        event = self._event(standing, "acknowledged", now_s, standing.value, standing.limit, BY_PERSON)
        return replace(event, who=who, note=note)

    def _seek(self, watch: Watch, value: float, now_s: float) -> AlertEvent | None:
        if not watch.rule.is_past(value):
            self._pending.pop(watch.alert, None)
            return None
        since_s = self._pending.setdefault(watch.alert, now_s)
        if now_s - since_s < watch.rule.dwell_s:
            return None
        del self._pending[watch.alert]
        alert = StandingAlert(
            alert=watch.alert,
            rule=watch.rule.name,
            severity=watch.rule.severity,
            since_s=since_s,
            raised_s=now_s,
            value=value,
            worst=value,
            limit=watch.rule.raise_at,
        )
        self._standing[watch.alert] = alert
        return self._event(alert, "raised", now_s, value, watch.rule.raise_at)

    def _keep(self, watch: Watch, alert: StandingAlert, value: float, now_s: float) -> AlertEvent | None:
        alert.value = value
        alert.worst = _worse(watch.rule, alert.worst, value)
        if not watch.rule.is_calm(value):
            self._calm.pop(watch.alert, None)
            return None
        if now_s - self._calm.setdefault(watch.alert, now_s) < watch.rule.calm_s:
            return None
        del self._calm[watch.alert]
        del self._standing[watch.alert]
        return self._event(alert, "cleared", now_s, value, watch.rule.clear_at)

    def _drop(self, name: str, now_s: float) -> AlertEvent:
        alert = self._standing.pop(name)
        self._calm.pop(name, None)
        return self._event(alert, "cleared", now_s, None, alert.limit, NOT_WATCHED)

    def _event(
        self, alert: StandingAlert, state: str, now_s: float, value: float | None, limit: float, why: str = BY_VALUE
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
        )
        self._next_id += 1
        return event

    def _restore(self, snapshot: Mapping[str, object]) -> None:
        if snapshot["version"] != SNAPSHOT_VERSION:
            raise ValueError(f"alert book of version {snapshot['version']!r}, this one reads {SNAPSHOT_VERSION}")
        standing, pending, calm = snapshot["standing"], snapshot["pending"], snapshot["calm"]
        now_s, next_id = snapshot["now_s"], snapshot["next_id"]
        if not (isinstance(standing, list) and isinstance(pending, Mapping) and isinstance(calm, Mapping)):
            raise TypeError("standing, pending and calm")
        if not isinstance(next_id, int) or not (now_s is None or isinstance(now_s, int | float)):
            raise TypeError("next_id and now_s")
        self._standing = {row["alert"]: StandingAlert(**row) for row in standing}
        self._pending = {str(alert): float(since_s) for alert, since_s in pending.items() if alert in self._watches}
        self._calm = {str(alert): float(since_s) for alert, since_s in calm.items() if alert in self._standing}
        self._next_id = max(self._next_id, next_id)
        self._now_s = now_s


def _worse(rule: Rule, one: float, other: float) -> float:
    return max(one, other) if rule.kind == "high" else min(one, other)
