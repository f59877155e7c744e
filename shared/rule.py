"""What a rule is: limits on one fact, how its alert behaves, what it means and what to do about it.

The rules themselves are rows in `bank_rules`, `heat_rules`, `charge_rules` and `service_rules`;
`shared.rules` joins them and applies what a site changes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

_NOTHING: Mapping[str, tuple[float, float]] = MappingProxyType({})
HOUR_S = 3600.0
DAY_S = 86_400.0
# An alert that comes and goes is held until it has been calm for a day and a night and half of the next: what
# returns each afternoon, or all but one, is one alert.
HOLD_S = 42.0 * HOUR_S


@dataclass(frozen=True, slots=True)
class Growth:
    """When a standing alert becomes graver: past a further limit, or after standing for a time.

    Attributes:
        severity: what it becomes; a severity it has already, or a milder one, changes nothing.
        at: the further limit, in the rule's unit; None for none.
        after_s: how long it has stood, s; None for never by time alone.
    """

    severity: str
    at: float | None = None
    after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that is watched.

    Attributes:
        name: the rule's name in [alert.NAME].
        fact: the number it looks at; for a rule per instrument or line ":NAME" is added.
        kind: "high" raises at and above `raise_at` and clears below `clear_at`; "low" raises at and below
            `raise_at` and clears above `clear_at`.
        raise_at, clear_at: limits, in `unit`.
        dwell_s: how long the value must be past `raise_at` before the alert is raised, s.
        severity: advice, act or urgent.
        unit: "share" (0 to 1), "s", or a unit written behind the number; empty for a count.
        least, most: the range a site may set the limits in.
        title: the alert in a few words.
        value_name: what the number is, as it is written before a value.
        meaning, to_do: one sentence or two for the person who gets the notice.
        source: where the default limits come from.
        touches: what a person who acts on it comes near; chooses the cautions.
        per_instrument: one alert for each instrument.
        per_line: one alert for each line.
        calm_s: how long the value must be past `clear_at` before the alert is cleared, s.
        by_chemistry: (raise_at, clear_at) where a chemistry needs others.
        chemistries: the banks it is watched for; empty for all.
        only_if: a second fact: 0 means all is calm whatever the value, any other number that the value counts.
        grows: how it becomes graver while it stands.
        covered_by: rules whose alerts explain this one; it is kept quiet while one of them stands. A rule per
            instrument explains only what is about the same instrument.
        needs: quantities without which its fact means nothing: it is kept quiet while all that give one of
            them are silent.
        hold_s: for how long an alert that came and went too often must be calm to be over, s; 0: never held.
        tells_end: whether its end is worth a notice.
    """

    name: str
    fact: str
    kind: str
    raise_at: float
    clear_at: float
    dwell_s: float
    severity: str
    unit: str
    least: float
    most: float
    title: str
    value_name: str
    meaning: str
    to_do: str
    source: str
    touches: tuple[str, ...] = ()
    per_instrument: bool = False
    calm_s: float = 0.0
    by_chemistry: Mapping[str, tuple[float, float]] = field(default_factory=lambda: _NOTHING)
    per_line: bool = False
    chemistries: tuple[str, ...] = ()
    only_if: str = ""
    grows: tuple[Growth, ...] = ()
    covered_by: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    hold_s: float = HOLD_S
    tells_end: bool = True

    def is_past(self, value: float) -> bool:
        """Tell whether the value is at or past the limit that raises."""
        return self.is_at(value, self.raise_at)

    def is_at(self, value: float, limit: float) -> bool:
        """Tell whether the value is at or past any limit, on the side on which the rule raises."""
        return value >= limit if self.kind == "high" else value <= limit

    def is_calm(self, value: float) -> bool:
        """Tell whether the value is beyond the limit that clears."""
        return value < self.clear_at if self.kind == "high" else value > self.clear_at

    def is_ordered(self) -> bool:
        """Tell whether the clearing limit lies on the calm side of the raising one."""
        return self.clear_at <= self.raise_at if self.kind == "high" else self.clear_at >= self.raise_at


@dataclass(frozen=True, slots=True)
class Watch:
    """A rule as one site uses it.

    Attributes:
        alert: the name of its alert.
        fact: the fact it looks at.
        rule: with the site's limits.
        instrument: for a rule per instrument, which one; for a rule per line, the line.
        covers: groups of alerts; while all of one group stand, this one is explained by them.
    """

    alert: str
    fact: str
    rule: Rule
    instrument: str | None = None
    covers: tuple[tuple[str, ...], ...] = ()
