"""The times of one instrument's polls, put on the grid on which it is polled; pure.

An answer comes some milliseconds after its question, each time a few more or less, and kept exactly
that jitter would take more room than everything the answers say. So a time is moved to its place on
the grid: never to before the answer, never further than a twentieth of the period or 100 ms, never
past another time of the same instrument. What fits no grid is kept to the millisecond.
"""

from collections.abc import Sequence
from operator import sub
from statistics import median_low

SHARE_MOST = 20  # the period divided by this
MOVED_MOST_MS = 100
AHEAD = 120  # times looked at to find where a grid begins


def usual_gap_ms(times_ms: Sequence[int]) -> int:
    """Give the gap that divides the others into halves, 0 with fewer than two times."""
    return median_low(map(sub, times_ms[1:], times_ms)) if len(times_ms) > 1 else 0


def on_grid(times_ms: Sequence[int], *, before_ms: int | None = None, end_ms: int | None = None) -> list[int]:
    """Put times on their grid.

    Args:
        times_ms: oldest first.
        before_ms: the time before the first, as it was kept; its grid goes on if it fits.
        end_ms: no time is moved to this or beyond.
    Returns: as many times; each at or after the one given, and each after the one before if it was so.
    """
    period_ms = usual_gap_ms(times_ms)
    most_ms = min(period_ms // SHARE_MOST, MOVED_MOST_MS)
    if most_ms == 0:
        return list(times_ms)
    kept: list[int] = []
    last_ms, earlier_ms = before_ms, before_ms
    for place, time_ms in enumerate(times_ms):
        best_ms = None
        if last_ms is not None:
            periods = max(1, -((last_ms - time_ms) // period_ms))
            best_ms = last_ms + periods * period_ms
            if not 0 <= best_ms - time_ms <= most_ms:
                best_ms = None
        if best_ms is None:
            best_ms = time_ms + _slack_ms(times_ms, place, period_ms, most_ms)
        if last_ms is not None and best_ms <= last_ms:
            best_ms = max(best_ms, last_ms + (earlier_ms is None or time_ms > earlier_ms))
        if end_ms is not None and best_ms >= end_ms:
            best_ms = max(time_ms, end_ms - 1)
        kept.append(best_ms)
        last_ms, earlier_ms = best_ms, time_ms
    return kept


def _slack_ms(times_ms: Sequence[int], place: int, period_ms: int, most_ms: int) -> int:
    """How far behind a time its grid should begin, so that those after it are not earlier than theirs."""
    slack_ms, start_ms = 0, times_ms[place]
    for time_ms in times_ms[place + 1 : place + AHEAD]:
        late_ms = (time_ms - start_ms + period_ms // 2) % period_ms - period_ms // 2
        if slack_ms < late_ms <= most_ms:
            slack_ms = late_ms
    return slack_ms
