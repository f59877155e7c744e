"""Between which times something lies whose boot nobody has placed in the calendar; narrow, and never a guess."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from daemon.record.contents import BootEntry

Dated = Callable[[int, float], float | None]  # boot, seconds since boot -> seconds since 1970


class Bounds(NamedTuple):
    """Earliest and latest time that something can have, seconds since 1970; None where nothing tells."""

    after_utc_s: float | None
    before_utc_s: float | None


def bounds_of(
    boots: Sequence[BootEntry], newest_s: Mapping[int, float], dated: Dated, boot: int, at_s: float
) -> Bounds:
    """Say between which times `at_s` seconds since the start of `boot` lie.

    Boots follow each other: this one began after the last reading of every earlier one, and what it recorded
    last was before every later one began. Whole boots without a date in between take their time too.

    Args:
        boots: all of them, oldest first.
        newest_s: of each boot the seconds of its newest reading.
        dated: places a time of a boot in the calendar, None where nobody vouched for it.
        boot, at_s: the time asked for.
    """
    exact = dated(boot, at_s)
    if exact is not None:
        return Bounds(exact, exact)
    after = before = None
    passed_s = at_s
    for number in reversed([entry.number for entry in boots if entry.number < boot]):
        end = dated(number, newest_s.get(number, 0.0))
        if end is not None:
            after = end + passed_s
            break
        passed_s += newest_s.get(number, 0.0)
    passed_s = max(0.0, newest_s.get(boot, at_s) - at_s)
    for number in (entry.number for entry in boots if entry.number > boot):
        begin = dated(number, 0.0)
        if begin is not None:
            before = begin - passed_s
            break
        passed_s += newest_s.get(number, 0.0)
    return Bounds(after, before)
