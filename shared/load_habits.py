"""What leaves the bank: by hour of the solar day and by weekday, with its spread, and what the last hours say.

From the first day on there is the site file; each day weighs in until after some weeks the site's own
habits are all that counts, the older ones fading. Against an emergency no habit stands: what the last hour
took beyond all habit goes on, for as long as such things last.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from shared.chances import Quantiles
from shared.flows import PIECE_S, Piece
from shared.site import Load

HOURS = 24
DUTY = 0.07  # share of time a transmitter is on, before anything was seen; 2 to 20 % are usual, no source
MONITOR_A = 0.06  # a small computer at 12 V, where no computer is measured or told of; common practice
UNTOLD_C = 0.009  # mean load where the file tells of none, nameplates an hour: a bank for two days to half
_PRIOR_HOURS = 6.0  # hours of record that weigh as much as the site file does
_SHAPE_DAYS = 0.5  # days by which an hour of the day is its own
_WEEKDAY_WEEKS = 2.5  # weeks by which a weekday is its own
_FADE_A_DAY = 0.96  # what a day's weight is one day later
_DAYS_KEPT = 40
_PRIOR_DAYS = 3.0
# Load of a day over its habit, before days were seen; no source, about what an open repeater shows.
_PRIOR_RATIOS = (0.74, 0.84, 0.90, 0.96, 1.0, 1.04, 1.10, 1.20, 1.40)
_RECENT_PIECES = 36
_HOUR_PIECES = 12
_SPREAD_PRIOR = 0.5  # of one hour over its habit, relative
_SPREAD_LEAST = 0.25
_LEAST_PIECES = 4  # a quarter of an hour and a bit: what is shorter is one long over
_USUAL_Z, _UNUSUAL_Z = 2.5, 4.0  # of an hour over its habit: below it is habit, above it is not
_ABOVE_TIMES = 1.4  # a piece so far over its habit is no common one
_BUSY_TIMES = 2.0  # traffic of so many times the habit is a busy hour, of one more an emergency,
_PROVEN_H = (0.2, 0.6)  # when it has gone on for longer than most calls, h
_BY_HAND_H = 0.7  # half of what is switched on by hand is off again after this;
_FORGOTTEN_H = 3.0  # what has lasted for longer was forgotten, and lasts on
_EMERGENCY_H = 12.0  # and of traffic of an emergency after this


@dataclass(frozen=True, slots=True)
class Recent:
    """A piece of the last hours: what left, A, the least of it, and what habit expected."""

    at_s: float
    load_a: float
    floor_a: float | None
    expected_a: float


class LoadHabits:
    """Learned from pieces, asked for the hours to come. Times are hours of the local solar day, 0 to 24."""

    def __init__(self, prior_a: float) -> None:
        """Begin with what the site file tells (`prior_load_a`)."""
        self.prior_a = prior_a
        self._sum_a = [0.0] * HOURS
        self._weight = [0.0] * HOURS
        self._square = [0.0] * HOURS  # relative deviation of an hour, squared
        self._weekday = [0.0] * 7
        self._weekday_weight = [0.0] * 7
        self.ratios: deque[float] = deque(maxlen=_DAYS_KEPT)
        self._went_ah = self._expected_ah = self._seen_h = 0.0
        self._hour: int | None = None
        self._hour_a: list[float] = []
        self.recent: deque[Recent] = deque(maxlen=_RECENT_PIECES)
        self.above_s = 0.0  # how long the load has been above all habit
        self._idle_a: float | None = None
        self._habit: list[float] | None = None

    # -- learning ------------------------------------------------------------------------------

    def learn(self, piece: Piece, load_a: float, hour_of_day: float, weekday: int | None) -> None:
        """Fold a piece in.

        Args:
            piece: where it comes from. load_a: what left, A.
            hour_of_day: of the piece's middle. weekday: 0 is Monday; None with no date.
        """
        expected_a = self.expected_a(hour_of_day, weekday)
        self.recent.append(Recent(piece.at_s, load_a, piece.floor_a, expected_a))
        self._note_excess(piece.span_s)
        if piece.floor_a is not None and piece.charge_a is not None and piece.charge_a < 0.05 * load_a:
            floor_a = max(0.0, piece.floor_a)
            self._idle_a = floor_a if self._idle_a is None else self._idle_a + 0.01 * (floor_a - self._idle_a)
        hours = piece.span_s / 3600.0
        self._went_ah += load_a * hours
        self._expected_ah += expected_a * hours
        self._seen_h += hours
        hour = int(hour_of_day) % HOURS
        if hour != self._hour:
            self._end_hour()
            self._hour = hour
        self._hour_a.append(load_a)

    def _end_hour(self) -> None:
        if self._hour is None or len(self._hour_a) < _HOUR_PIECES // 2:
            self._hour_a = []
            return
        hour, mean_a = self._hour, max(0.0, sum(self._hour_a) / len(self._hour_a))
        self._hour_a = []
        expected_a = self.habit()[hour]
        off = mean_a / expected_a - 1.0
        self._sum_a[hour] = self._sum_a[hour] * _FADE_A_DAY + mean_a
        self._square[hour] = self._square[hour] * _FADE_A_DAY + min(off * off, 4.0)
        self._weight[hour] = self._weight[hour] * _FADE_A_DAY + 1.0
        self._habit = None

    def end_day(self, weekday: int | None) -> None:
        """Close a solar day: its whole load against its habit."""
        if self._seen_h > 18.0 and self._expected_ah > 0.0:
            ratio = min(4.0, max(0.2, self._went_ah / self._expected_ah))
            self.ratios.append(ratio)
            if weekday is not None:
                ratio *= self.weekday_factor(weekday)
                self._weekday[weekday] = self._weekday[weekday] * _FADE_A_DAY**7 + min(ratio, 1.6)
                self._weekday_weight[weekday] = self._weekday_weight[weekday] * _FADE_A_DAY**7 + 1.0
        self._went_ah = self._expected_ah = self._seen_h = 0.0

    def forget_recent(self) -> None:
        """After a time without readings: the last hours are not known."""
        self.recent.clear()
        self.above_s = 0.0
        self._hour, self._hour_a = None, []

    # -- habit ---------------------------------------------------------------------------------

    def habit(self) -> list[float]:
        """Mean load by hour, A; hours little seen lean on the day's mean, the mean on the site file."""
        if self._habit is None:
            seen, went = sum(self._weight), sum(self._sum_a)
            mean_a = (went + _PRIOR_HOURS * self.prior_a) / (seen + _PRIOR_HOURS)
            self._habit = [
                max(0.02 * mean_a, (total + _SHAPE_DAYS * mean_a) / (weight + _SHAPE_DAYS))
                for total, weight in zip(self._sum_a, self._weight, strict=True)
            ]
        return self._habit

    def mean_a(self) -> float:
        """Mean load of a day, A."""
        return sum(self.habit()) / HOURS

    def idle_a(self) -> float:
        """What is drawn with nobody on the air, A: never more than the quietest hour's mean."""
        quietest_a = min(self.habit())
        return quietest_a if self._idle_a is None else min(quietest_a, self._idle_a)

    def weekday_factor(self, weekday: int | None) -> float:
        """How a weekday differs from all days."""
        if weekday is None:
            return 1.0
        return (self._weekday[weekday] + _WEEKDAY_WEEKS) / (self._weekday_weight[weekday] + _WEEKDAY_WEEKS)

    def expected_a(self, hour_of_day: float, weekday: int | None) -> float:
        """Habit at an hour of a day, A."""
        return self.habit()[int(hour_of_day) % HOURS] * self.weekday_factor(weekday)

    def day_ratios(self) -> Quantiles:
        """How whole days differ from their habit."""
        rows = [(ratio, _PRIOR_DAYS / len(_PRIOR_RATIOS)) for ratio in _PRIOR_RATIOS]
        rows += [(ratio, _FADE_A_DAY**age) for age, ratio in enumerate(reversed(self.ratios))]
        return Quantiles(rows)

    def spread(self, hour_of_day: float) -> float:
        """How far one hour may be off its habit, relative."""
        hour = int(hour_of_day) % HOURS
        square = (self._square[hour] + 2.0 * _SPREAD_PRIOR**2) / (self._weight[hour] + 2.0)
        return max(_SPREAD_LEAST, sqrt(square))

    # -- the last hours ------------------------------------------------------------------------

    def _note_excess(self, span_s: float) -> None:
        now = self.recent[-1]
        above = now.load_a > _ABOVE_TIMES * now.expected_a
        self.above_s = self.above_s + span_s if above else max(0.0, self.above_s - 2.0 * span_s)

    def excess(self, hour_of_day: float) -> tuple[float, float]:
        """What goes on now beyond all habit, A, and for how long half of such things last, h.

        Something switched on by hand lifts the least that is drawn, and is switched off again in the next hours;
        traffic lifts the mean, and so much of it that no habit knows it lasts. What is over is over: the mean is
        taken from when it began.
        """
        pieces = min(_HOUR_PIECES, max(_LEAST_PIECES, round(self.above_s / PIECE_S)))
        last = list(self.recent)[-pieces:]
        if len(last) < _LEAST_PIECES:
            return 0.0, 0.0
        took_a, habit_a = _means(last)
        now_a, now_habit_a = _means(last[-_LEAST_PIECES:])
        over_a = min(took_a - habit_a, now_a - now_habit_a)
        # The fewer pieces, the more chance has a part in their mean.
        z = over_a / (self.spread(hour_of_day) * habit_a * sqrt(_HOUR_PIECES / len(last)))
        sure = min(1.0, max(0.0, (z - _USUAL_Z) / (_UNUSUAL_Z - _USUAL_Z)))
        if sure <= 0.0:
            return 0.0, 0.0
        floors = sorted(row.floor_a for row in last if row.floor_a is not None)
        lifted_a = max(0.0, floors[len(floors) // 2] - habit_a) if len(floors) >= 3 else 0.0
        by_hand = min(1.0, 1.5 * lifted_a / over_a)
        times = took_a / habit_a
        age_h = min(self.above_s, 48 * 3600.0) / 3600.0
        young, old = _PROVEN_H
        proven = min(1.0, max(0.0, (age_h - young) / (old - young)))
        lasts_h = _BY_HAND_H + (_EMERGENCY_H - _BY_HAND_H) * proven * min(1.0, max(0.0, times - _BUSY_TIMES))
        return sure * over_a, max(age_h - _FORGOTTEN_H, by_hand * _BY_HAND_H + (1.0 - by_hand) * lasts_h)

    # -- persistence ---------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """All that was learned, as JSON can hold it; the last hours are not kept."""
        return {
            "sum_a": [round(v, 5) for v in self._sum_a],
            "weight": [round(v, 4) for v in self._weight],
            "square": [round(v, 4) for v in self._square],
            "weekday": [round(v, 4) for v in self._weekday],
            "weekday_weight": [round(v, 4) for v in self._weekday_weight],
            "ratios": [round(v, 4) for v in self.ratios],
            "idle_a": self._idle_a,
            "today": [round(v, 4) for v in (self._went_ah, self._expected_ah, self._seen_h)],
        }

    def resume(self, snapshot: Mapping[str, object]) -> None:
        """Take a snapshot back. Raises: KeyError, TypeError, ValueError: it is none of ours."""
        self._sum_a, self._weight, self._square = (numbers(snapshot[k], HOURS) for k in ("sum_a", "weight", "square"))
        self._weekday, self._weekday_weight = (numbers(snapshot[k], 7) for k in ("weekday", "weekday_weight"))
        self.ratios = deque(numbers(snapshot["ratios"]), maxlen=_DAYS_KEPT)
        self._went_ah, self._expected_ah, self._seen_h = numbers(snapshot["today"], 3)
        idle_a = snapshot.get("idle_a")
        self._idle_a = None if idle_a is None else numbers([idle_a])[0]
        self._habit = None


def _means(rows: Sequence[Recent]) -> tuple[float, float]:
    """Mean load and mean habit, A."""
    return sum(row.load_a for row in rows) / len(rows), sum(row.expected_a for row in rows) / len(rows)


def numbers(raw: object, count: int | None = None) -> list[float]:
    """Take a list of numbers out of a snapshot. Raises: TypeError, ValueError: it is none, or of another length."""
    if not isinstance(raw, Sequence) or isinstance(raw, str):
        raise TypeError("not a list of numbers")
    found = [float(value) for value in raw]
    if count is not None and len(found) != count:
        raise ValueError(f"{len(found)} numbers instead of {count}")
    return found


def prior_load_a(loads: Mapping[str, Load], capacity_ah: float, computer_a: float | None = None) -> float:
    """Tell what a site draws on the mean, A, by its file alone; the duty of its transmitters is a guess."""
    if not loads:
        return UNTOLD_C * capacity_ah
    told_a = sum(
        row.idle_a + (0.0 if row.transmit_a is None else DUTY * max(0.0, row.transmit_a - row.idle_a))
        for row in loads.values()
    )
    return told_a + (MONITOR_A if computer_a is None else computer_a)
