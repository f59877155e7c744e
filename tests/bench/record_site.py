"""An invented site's readings for the benches of the record: 25 channels, 604,800 values a day.

Five channels each second (a shunt), twenty each ten seconds (two instruments), in steps of 10 mV, 10 mA and
0.1 C: sensor noise, day and night, clouds, seasons, the transmitter's keyings. Answers come up to 8 ms late,
each a little different. The noise is chosen so that the order-0 entropy of each hour's first differences is
0.20 bytes a value, as in the measurements the design rests on; a noisier site pays for its noise.
"""

import math
import random
from collections import Counter
from collections.abc import Iterator, Sequence

from shared.readings import Reading

HOUR_S, DAY_H = 3600, 24
VALUES_A_DAY = 5 * 86_400 + 20 * 8_640
SHUNT = ("bank_v", "bank_a", "bank_ah_counter", "load_a", "load_v")
CONTROLLERS = ("north", "south")
SLOW = (
    "panel_v",
    "panel_a",
    "panel_w",
    "charge_a",
    "controller_c",
    "enclosure_c",
    "bank_c",
    "enclosure_rh",
    "computer_a",
    "computer_c",
)


class BenchSite:
    """Gives an hour after the other; with `every_s` all 25 channels each so many seconds."""

    def __init__(self, seed: int = 1, *, start_day: int = 0, every_s: int | None = None) -> None:
        self._every_s = every_s
        self._chance = random.Random(seed)
        self._hour = start_day * DAY_H
        self._first_hour = self._hour
        self._cloud = self._target = 1.0
        self._keyed = 0
        self._soc, self._ah = 0.8, 0.0

    def skip_days(self, days: int) -> None:
        """Go on later in the year, without a gap in the elapsed time."""
        self._hour += days * DAY_H
        self._first_hour += days * DAY_H

    def hour(self) -> list[Reading]:
        """The next hour's readings, oldest first."""
        chance, gauss = self._chance, self._chance.gauss
        day = self._hour // DAY_H
        season = 0.5 + 0.5 * math.sin(2.0 * math.pi * (day - 80) / 365.0)
        half_s = (4.2 + 1.8 * season) * HOUR_S
        elapsed_s = (self._hour - self._first_hour) * HOUR_S
        of_day_s = self._hour % DAY_H * HOUR_S
        readings: list[Reading] = []
        for second in range(0, HOUR_S, self._every_s or 1):
            if second % 300 == 0:
                self._target = min(1.0, max(0.1, gauss(0.7, 0.3)))
            self._cloud += (self._target - self._cloud) * 0.01
            noon_s = abs(of_day_s + second - 43_200)
            sun = math.cos(noon_s / half_s * math.pi / 2.0) if noon_s < half_s else 0.0
            if self._keyed:
                self._keyed -= 1
            elif chance.random() < 0.0006:
                self._keyed = chance.randint(5, 60)
            panel_a, load_a = 6.0 * sun * self._cloud, 1.6 if self._keyed else 0.13
            bank_a = (panel_a if self._soc < 1.0 else min(panel_a, load_a)) - load_a
            self._ah += bank_a / 3600.0
            self._soc = min(1.0, max(0.2, self._soc + bank_a / 3600.0 / 100.0))
            bank_v = 12.2 + self._soc + 0.05 * bank_a
            at_s = elapsed_s + second + 0.02 + 0.008 * chance.random()
            shunt = (gauss(bank_v, 0.005), gauss(bank_a, 0.02), self._ah, gauss(load_a, 0.004), gauss(bank_v, 0.005))
            readings.append(Reading("shunt", at_s, dict(zip(SHUNT, [round(v, 2) for v in shunt], strict=True))))
            if self._every_s or second % 10 == 9:
                air_c = 5.0 + 20.0 * season + 8.0 * math.sin(2.0 * math.pi * (of_day_s + second - 32_400) / 86_400.0)
                for place, name in enumerate(CONTROLLERS):
                    share = 0.6 - 0.2 * place
                    slow = (
                        (18.0 + gauss(0.0, 0.02)) if sun > 0.0 else 0.0,
                        panel_a * share * 0.7,
                        panel_a * share * 13.0,
                        panel_a * share,
                        gauss(air_c + 10.0 * sun, 0.02),
                        gauss(air_c, 0.02),
                        gauss(air_c + 3.0, 0.02),
                        gauss(50.0 - 10.0 * sun, 0.05),
                        gauss(0.4, 0.003),
                        gauss(air_c + 12.0, 0.05),
                    )
                    digits = (2, 2, 1, 2, 1, 1, 1, 1, 2, 1)
                    values = {q: round(v, d) for q, v, d in zip(SLOW, slow, digits, strict=True)}
                    readings.append(Reading(name, at_s + 0.1 * (place + 1), values))
        self._hour += 1
        return readings


def commits(readings: Sequence[Reading], commit_s: float) -> Iterator[list[Reading]]:
    """Cut readings into what comes in between two commits."""
    part: list[Reading] = []
    due_s = math.floor(readings[0].at_s / commit_s + 1.0) * commit_s
    for reading in readings:
        if reading.at_s >= due_s:
            yield part
            part, due_s = [], due_s + commit_s
        part.append(reading)
    yield part


def entropy_bytes(readings: Sequence[Reading]) -> tuple[float, int]:
    """The order-0 entropy of the first differences of each channel, in bytes, and how many values there are."""
    columns: dict[tuple[str, str], list[int]] = {}
    for reading in readings:
        for quantity, value in reading.values.items():
            columns.setdefault((reading.instrument, quantity), []).append(round(value * 100.0))
    total, values = 0.0, 0
    for column in columns.values():
        counts = Counter(after - before for before, after in zip(column, column[1:], strict=False))
        many = len(column) - 1
        total -= sum(count * math.log2(count / many) for count in counts.values()) / 8.0
        values += len(column)
    return total, values
