"""Places seconds since boot in the calendar, from the trusted pairs of each boot; never guesses."""

from bisect import bisect_right
from collections.abc import Iterable

from daemon.clock import Anchor

# Two pairs of one boot that differ by more than their errors, this drift and this slack contradict
# each other: the clock was set in between, and who set it last knew better.
DRIFT_MOST = 200e-6  # s/s, of a board's crystal with room (engineering judgement, no source)
SLACK_S = 1.0


class Dating:
    """Linear between two anchors of a boot, their constant offset outside, nothing without one.

    Args:
        anchors: in the order in which they were recorded.
    """

    def __init__(self, anchors: Iterable[Anchor]) -> None:
        self._anchors: dict[int, list[Anchor]] = {}
        for anchor in anchors:
            kept = self._anchors.setdefault(anchor.boot, [])
            while kept and (kept[-1].at_s >= anchor.at_s or _contradict(kept[-1], anchor)):
                kept.pop()
            kept.append(anchor)

    def utc_of(self, boot: int, at_s: float) -> float | None:
        """Give seconds since 1970 for a time of a boot, None for a boot nobody has placed."""
        anchors = self._anchors.get(boot)
        if not anchors:
            return None
        after = bisect_right(anchors, at_s, key=_at_s)
        if after == 0:
            return anchors[0].utc_s + (at_s - anchors[0].at_s)
        before = anchors[after - 1]
        if after == len(anchors):
            return before.utc_s + (at_s - before.at_s)
        then = anchors[after]
        return before.utc_s + (at_s - before.at_s) * (then.utc_s - before.utc_s) / (then.at_s - before.at_s)

    def moment_of(self, utc_s: float) -> tuple[int, float] | None:
        """Give the boot that was running, or had run last, at a time, and its seconds then.

        Returns: None when the time is before every boot that has been placed.
        """
        boots = [boot for boot in sorted(self._anchors) if self._start_utc_s(boot) <= utc_s]
        if not boots:
            return None
        anchors = self._anchors[boots[-1]]
        after = bisect_right(anchors, utc_s, key=_utc_s)
        before = anchors[max(0, after - 1)]
        if 0 < after < len(anchors):
            then = anchors[after]
            rate = (then.at_s - before.at_s) / (then.utc_s - before.utc_s)
            return boots[-1], before.at_s + (utc_s - before.utc_s) * rate
        return boots[-1], before.at_s + (utc_s - before.utc_s)

    def _start_utc_s(self, boot: int) -> float:
        first = self._anchors[boot][0]
        return first.utc_s - first.at_s


def _at_s(anchor: Anchor) -> float:
    return anchor.at_s


def _utc_s(anchor: Anchor) -> float:
    return anchor.utc_s


def _contradict(earlier: Anchor, later: Anchor) -> bool:
    passed_s = later.at_s - earlier.at_s
    allowed_s = earlier.error_s + later.error_s + DRIFT_MOST * passed_s + SLACK_S
    moved_s = abs(later.utc_s - earlier.utc_s - passed_s)
    return moved_s > allowed_s or later.utc_s <= earlier.utc_s
