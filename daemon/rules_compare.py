"""Two sets of rules over the same readings, side by side: what each would have told people."""

from collections.abc import Sequence
from dataclasses import dataclass

from shared.alerts import AlertEvent

TOLD_STATES = {"raised": "raised", "uncovered": "raised", "cleared": "cleared"}
HEAD = ("alert", "raised", "standing h", "told", "raised", "standing h", "told")


@dataclass(slots=True)
class Count:
    """What became of one alert: how often it was raised, how long it stood (s), how many notices it made."""

    raised: int = 0
    stood_s: float = 0.0
    told: int = 0
    since_s: float | None = None


class AlertCounts:
    """Counts the events of one set of rules."""

    def __init__(self) -> None:
        self.by_alert: dict[str, Count] = {}

    def add(self, events: Sequence[AlertEvent]) -> None:
        """Count what happened in one step."""
        for event in events:
            count = self.by_alert.setdefault(event.alert, Count())
            count.told += event.told
            state = TOLD_STATES.get(event.state) if event.told else None
            if state == "raised" and count.since_s is None:
                count.raised += 1
                count.since_s = event.at_s
            elif event.state == "cleared" and count.since_s is not None:
                count.stood_s += event.at_s - count.since_s
                count.since_s = None

    def end(self, now_s: float) -> None:
        """Close what stands still."""
        for count in self.by_alert.values():
            if count.since_s is not None:
                count.stood_s += now_s - count.since_s
                count.since_s = None


def compared(before: AlertCounts, after: AlertCounts) -> str:
    """Draw the table: the site's own rules at the left, the changed ones at the right."""
    names = sorted({*before.by_alert, *after.by_alert})
    width = max([len("alert"), *(len(name) for name in names)])
    lines = [f"{'':{width}s}  {'as the site has them':^27s}  {'as changed':^27s}"]
    form = f"{{:{width}s}}" + "  {:>7s} {:>11s} {:>6s}" * 2
    lines.append(form.format(*HEAD))
    for name in names:
        cells = [cell for side in (before, after) for cell in _cells(side.by_alert.get(name, Count()))]
        lines.append(form.format(name, *cells))
    if not names:
        lines.append("no alert was raised by either")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _cells(count: Count) -> tuple[str, str, str]:
    return str(count.raised), f"{count.stood_s / 3600.0:.1f}", str(count.told)
