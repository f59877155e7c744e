"""Why the watch was interrupted: told from the boot's id and from a mark that only a clean end leaves.

same boot,    no clean end   the service crashed or was killed
same boot,    clean end      somebody stopped it; told only when it was off for long
another boot, clean end      the computer was restarted
another boot, no clean end   the power went, or the computer froze
"""

from collections.abc import Mapping, Sequence

from daemon.record import Saved
from shared.notices import duration

STATE_NAME = "service"
DAY_S = 86_400.0
STOPPED_LONG_S = 3600.0  # a stop for this long is an interruption too
KEPT_MOST = 50


class Restarts:
    """The interruptions of the last day.

    Attributes:
        why: of the last one in words; empty when there was none.
    """

    def __init__(self, rows: Sequence[tuple[float, str]] = (), *, now_s: float) -> None:
        """Take (age in seconds, words) of each interruption, at `now_s` seconds since boot."""
        self._rows = [(now_s - age_s, why) for age_s, why in rows][-KEPT_MOST:]
        self.why = self._rows[-1][1] if self._rows else ""

    @classmethod
    def after(
        cls, saved: Saved | None, *, same_boot: bool, now_s: float, gap_s: float | None, seen_s: float = 0.0
    ) -> "Restarts":
        """Judge how the last service ended.

        Args:
            saved: what the record holds under STATE_NAME; None at a first start.
            same_boot: whether that was in this boot.
            now_s: seconds since boot.
            gap_s: for how long nobody watched, s; None when no trusted clock can tell.
            seen_s: from that saved state to the end of the watch, s.
        """
        if saved is None:
            return cls(now_s=now_s)
        rows = [(age_s + seen_s + (gap_s or 0.0), why) for age_s, why in _rows(saved.body)]
        why = _why(bool(saved.body.get("clean")), same_boot, gap_s)
        if why:
            length = "nobody knows how long" if gap_s is None else f"about {duration(gap_s)}"
            rows.append((0.0, f"{why}; nobody watched for {length}"))
        return cls(rows, now_s=now_s)

    def count(self, now_s: float) -> float:
        """How many there were in the last day."""
        return float(sum(now_s - at_s < DAY_S for at_s, _ in self._rows))

    def state(self, now_s: float, *, clean: bool = False) -> dict[str, object]:
        """What the record keeps; with `clean` the mark of a clean end."""
        rows = [[now_s - at_s, why] for at_s, why in self._rows if now_s - at_s < DAY_S]
        return {"clean": clean, "rows": rows}


def _why(clean: bool, same_boot: bool, gap_s: float | None) -> str:
    if same_boot:
        if not clean:
            return "the service crashed or was killed"
        return "the service was stopped by somebody" if (gap_s or 0.0) >= STOPPED_LONG_S else ""
    return "the computer was restarted" if clean else "the power went or the computer froze"


def _rows(body: Mapping[str, object]) -> list[tuple[float, str]]:
    rows, found = body.get("rows"), []
    for row in rows if isinstance(rows, list) else ():
        if isinstance(row, list) and len(row) == 2 and isinstance(row[0], int | float) and isinstance(row[1], str):
            found.append((float(row[0]), row[1]))
    return found
