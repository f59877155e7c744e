"""The virtual weather: days that follow each other by chance, clouds within a day, air temperature.

Everything is a function of the seed and of absolute time, so the length of the steps in which a site
is advanced changes nothing about its weather.
"""

from dataclasses import dataclass
from math import cos, pi
from random import Random

DAY_S = 86400.0
NODE_S = 600.0  # clouds are drawn each ten minutes and joined by straight lines
_NODES = int(DAY_S / NODE_S)

# What a day is like: mean cloud, how much it moves, and the chances of the next day (clear, mixed, dark).
# Made up so that a month has one or two runs of dark days; no source.
_KINDS = ((0.10, 0.08), (0.52, 0.28), (0.93, 0.06))
_NEXT = ((0.60, 0.32, 0.08), (0.38, 0.40, 0.22), (0.22, 0.43, 0.35))


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of weather that somebody ordered.

    Attributes:
        from_s, to_s: when, seconds since 1970 UTC.
        cloud: share of the sky covered, 0 to 1, instead of what chance gives.
        dim: what further is left of the light, 0 to 1 (fog, wet snow in the air, smoke).
        share: how much of the sky the order decides, 0 to 1; chance has the rest.
    """

    from_s: float
    to_s: float
    cloud: float
    dim: float = 1.0
    share: float = 0.85


@dataclass(frozen=True, slots=True)
class Sky:
    """The weather of one instant: cloud 0 to 1, further dimming 0 to 1, air temperature and dew point in C."""

    cloud: float
    dim: float
    air_c: float
    dew_c: float


@dataclass(frozen=True, slots=True)
class _Day:
    kind: int
    warmer_k: float
    clouds: tuple[float, ...]


class Weather:
    """Seeded weather of one place, at a mean air temperature that goes with season and latitude."""

    def __init__(self, seed: int, *, latitude: float, utc_offset_h: float, height_m: float = 900.0) -> None:
        self.spells: list[Spell] = []
        self._seed = seed
        self._south = latitude < 0.0
        self._mean_c = 27.0 - 0.32 * abs(latitude) - 0.0055 * height_m
        self._swing_k = 0.30 * abs(latitude)
        self._offset_s = utc_offset_h * 3600.0
        self._days: dict[int, _Day] = {}

    def at(self, utc_s: float) -> Sky:
        """Tell the weather of one instant (seconds since 1970, UTC)."""
        local_s = utc_s + self._offset_s
        number = int(local_s // DAY_S)
        day = self._day(number)
        into_s = local_s - number * DAY_S
        cloud, dim = self._cloud(day, into_s), 1.0
        for spell in self.spells:
            if spell.from_s <= utc_s < spell.to_s:
                cloud, dim = spell.share * spell.cloud + (1.0 - spell.share) * cloud, spell.dim
        coldest_day = 200.0 if self._south else 17.0
        season = -cos(2.0 * pi * (number % 365.2425 + 0.5 - coldest_day) / 365.2425)
        sun_swing_k = (6.5 - 4.0 * cloud) * -cos(2.0 * pi * (into_s / 3600.0 - 3.0) / 24.0)
        mean_c = self._mean_c + self._swing_k * season + day.warmer_k
        return Sky(cloud, dim, mean_c + sun_swing_k, mean_c - 7.0 + 4.0 * cloud)

    @staticmethod
    def _cloud(day: _Day, into_s: float) -> float:
        place = into_s / NODE_S
        node = min(int(place), _NODES - 1)
        share = place - node
        return day.clouds[node] * (1.0 - share) + day.clouds[node + 1] * share

    def _day(self, number: int) -> _Day:
        """Find a day; the first one asked for starts the chain, the rest follow in order."""
        day = self._days.get(number)
        if day is None:
            before = self._days.get(number - 1)
            day = self._draw(number, before)
            self._days[number] = day
            self._days.pop(number - 4, None)
        return day

    def _draw(self, number: int, before: _Day | None) -> _Day:
        chance = Random(f"{self._seed}:weather:{number}")
        shares = _NEXT[before.kind if before else 1]
        kind = chance.choices((0, 1, 2), shares)[0]
        warmer_k = 0.7 * (before.warmer_k if before else 0.0) + chance.gauss(0.0, 2.4)
        mean, spread = _KINDS[kind]
        clouds, drift = [], 0.0
        for _ in range(_NODES + 1):
            drift = 0.86 * drift + chance.gauss(0.0, 0.51) * spread
            clouds.append(max(0.0, min(1.0, mean + drift)))
        if before is not None:
            clouds[0] = before.clouds[-1]
        return _Day(kind, warmer_k, tuple(clouds))
