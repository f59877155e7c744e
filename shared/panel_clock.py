"""The time of day and of year as the panel itself shows it: its dawn, its dusk, and the length of the day.

For a hill on which no clock survived the night. Noon lies between dawn and dusk; the day's length tells how
high the sun stands, not on which side of midsummer; for light and habits by the hour that is all one.
"""

from collections.abc import Mapping
from math import cos, pi, radians, sin

from shared.sun import DAY_S, declination_deg, half_day_angle

LIT_SHARE = 0.01  # of the panel's nameplate: power at which it is day
_DAWN_ZENITH_DEG = 86.0  # where the sun stands when a panel gives that much; judgement, clouds shift it
_DARK_S = 2.0 * 3600.0  # darkness that is night, not a thunderstorm
_YEAR_2001_UTC_S = 978_307_200.0
_FIRST_DAY, _LAST_DAY = 172, 355  # from midsummer to midwinter of the north
_DAY_LEAST_S, _DAY_MOST_S = 3.0 * 3600.0, 22.0 * 3600.0
_NEW_SHARE = 0.4  # how much a new day moves what is known of noon and of the day's length


class PanelClock:
    """Learns noon from light and dark; knows as much as a clock without a date."""

    __slots__ = ("_dawn_s", "_latitude", "_lit_s", "_lit_w", "_longitude", "_offset_s", "length_s", "noon_s")

    def __init__(self, panel_w: float, latitude: float, longitude: float) -> None:
        self._lit_w = LIT_SHARE * panel_w
        self._latitude, self._longitude = latitude, longitude
        self._dawn_s: float | None = None
        self._lit_s: float | None = None  # when it was light last
        self.noon_s: float | None = None  # of the last day seen whole, on the clock of the pieces
        self.length_s: float | None = None
        self._offset_s: float | None = None

    def see(self, at_s: float, panel_w: float) -> None:
        """Fold in the panel's power, W, at an instant (any growing seconds)."""
        if panel_w < self._lit_w:
            self._end_day(at_s)
            return
        if self._lit_s is None or at_s - self._lit_s > _DARK_S:
            self._dawn_s = at_s if self._lit_s is not None else None  # the first light ever may be mid-day
        self._lit_s = at_s

    def begin_dark(self, at_s: float) -> None:
        """Note that it is dark now: the next light is a dawn."""
        if self._lit_s is None:
            self._lit_s = at_s - DAY_S

    def _end_day(self, at_s: float) -> None:
        lit_s, dawn_s = self._lit_s, self._dawn_s
        if lit_s is None:
            self.begin_dark(at_s)
            return
        if dawn_s is None or at_s - lit_s < _DARK_S:
            return
        self._dawn_s = None
        length_s = lit_s - dawn_s
        if not _DAY_LEAST_S < length_s < _DAY_MOST_S:
            return
        noon_s = (dawn_s + lit_s) / 2.0
        if self.noon_s is None or self.length_s is None:
            self.noon_s, self.length_s = noon_s, length_s
        else:
            days = round((noon_s - self.noon_s) / DAY_S)
            guess_s = self.noon_s + days * DAY_S
            self.noon_s = guess_s + _NEW_SHARE * (noon_s - guess_s)
            # Clouds and hills only ever shorten a day.
            share = 0.7 if length_s > self.length_s else 0.15
            self.length_s += share * (length_s - self.length_s)
        self._offset_s = None

    def utc_s(self, at_s: float) -> float | None:
        """As good as UTC for the sun and for the hour of the day, with an invented date; None before a whole day."""
        if self.noon_s is None or self.length_s is None:
            return None
        if self._offset_s is None:
            noon_utc_s = _YEAR_2001_UTC_S + (self._day_of_year(self.length_s) + 0.5) * DAY_S - self._longitude * 240.0
            self._offset_s = noon_utc_s - self.noon_s
        return at_s + self._offset_s

    def _day_of_year(self, length_s: float) -> int:
        """The day, between midsummer and midwinter, whose light lasts so long."""

        def light_s(day: int) -> float:
            declination = radians(declination_deg(_YEAR_2001_UTC_S + day * DAY_S))
            half = half_day_angle(declination, self._latitude, _DAWN_ZENITH_DEG)
            if half is None:
                up = sin(declination) * sin(radians(self._latitude)) + cos(declination) * cos(radians(self._latitude))
                return DAY_S if up > 0.5 else 0.0
            return half * DAY_S / pi

        return min(range(_FIRST_DAY, _LAST_DAY), key=lambda day: abs(light_s(day) - length_s))

    def shift(self, by_s: float) -> None:
        """The clock of the pieces was set on by so much."""
        self.noon_s = None if self.noon_s is None else self.noon_s + by_s
        self._offset_s = None
        self._dawn_s = None
        self._lit_s = None

    def snapshot(self) -> dict[str, object]:
        """What was learned, as JSON can hold it."""
        return {"noon_s": self.noon_s, "length_s": self.length_s}

    def resume(self, snapshot: Mapping[str, object]) -> None:
        """Take a snapshot back. Raises: KeyError, TypeError: it is none of ours."""
        noon_s, length_s = snapshot["noon_s"], snapshot["length_s"]
        if not (noon_s is None or isinstance(noon_s, int | float)):
            raise TypeError("noon_s")
        if not (length_s is None or isinstance(length_s, int | float)):
            raise TypeError("length_s")
        self.noon_s, self.length_s = noon_s, length_s
        self._offset_s = None
