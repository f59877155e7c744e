"""When a standing alert is told again: at a falling rate, by its severity, more seldom once somebody took it on.

The times are common practice, no source: twice in the first day for what can't wait, and so seldom in
the end that a fault nobody can mend before spring is a line a month.
"""

from collections.abc import Mapping
from types import MappingProxyType

_H, _D = 3600.0, 86_400.0

# Seconds after the alert was told; after the last one, again each time that many seconds.
REMIND_S: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "urgent": (6.0 * _H, 1.0 * _D, 3.0 * _D, 7.0 * _D),
        "act": (1.0 * _D, 3.0 * _D, 7.0 * _D, 28.0 * _D),
        "advice": (7.0 * _D, 28.0 * _D),
    }
)
# The same once a person has taken it on, counted from then.
REMIND_TAKEN_S: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {"urgent": (3.0 * _D, 7.0 * _D), "act": (7.0 * _D, 28.0 * _D), "advice": ()}
)


def reminder_age_s(severity: str, count: int, *, taken: bool) -> float | None:
    """Tell how long after it was told, or taken on, an alert is told again.

    Args:
        severity: of the alert now.
        count: reminders there were since then.
        taken: whether a person has taken it on.
    Returns: seconds, or None for never.
    """
    times = (REMIND_TAKEN_S if taken else REMIND_S)[severity]
    if not times:
        return None
    if count < len(times):
        return times[count]
    return times[-1] * (count - len(times) + 2)
