"""Chance without dice: a fixed, even set of normal deviates, and samples that remember with weights.

The same questions get the same answer each time, and an answer moves smoothly with its inputs; drawn numbers
would make a probability flicker around the limit of a rule.
"""

from collections.abc import Iterable, Sequence
from math import exp, log, pi, sqrt

_NORMAL_MOST = 2.5  # further out there is nothing left of so few days
_NORMAL_STEPS = 50


def normal_of_share(share: float) -> float:
    """Give the standard normal deviate below which a share (0 to 1, both exclusive) lies.

    Source: Abramowitz and Stegun 26.2.23, absolute error below 4.5e-4.
    """
    tail = min(share, 1.0 - share)
    t = sqrt(-2.0 * log(max(tail, 1e-12)))
    z = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308)))
    return -z if share < 0.5 else z


def share_of_normal(z: float) -> float:
    """Give the share of a standard normal below `z`: Abramowitz and Stegun 26.2.17, error below 7.5e-8."""
    t = 1.0 / (1.0 + 0.2316419 * abs(z))
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = exp(-z * z / 2.0) / sqrt(2.0 * pi) * series
    return 1.0 - tail if z > 0.0 else tail


def even_shares(count: int, dimensions: int) -> list[list[float]]:
    """Spread `count` points evenly over a unit cube; returns a list for each dimension.

    Source: additive recurrence with the generalized golden ratio (M. Roberts 2018): the n-th root of
    x**(n+1) = x + 1 takes the place of the golden ratio in n dimensions.
    """
    root = 2.0
    for _ in range(30):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    return [
        [(0.5 + (n + 1) * root ** -(d + 1)) % 1.0 * (1.0 - 1e-9) + 5e-10 for n in range(count)]
        for d in range(dimensions)
    ]


def even_normals(count: int, dimensions: int) -> list[list[float]]:
    """The same points as standard normal deviates, each dimension scaled to spread 1 and mean 0."""
    found = []
    for shares in even_shares(count, dimensions):
        deviates = [normal_of_share(share) for share in shares]
        mean = sum(deviates) / count
        spread = sqrt(sum((z - mean) ** 2 for z in deviates) / count)
        found.append([(z - mean) / spread for z in deviates])
    return found


class Quantiles:
    """Weighted samples as a distribution: value of a share, and back."""

    __slots__ = ("_by_normal", "_shares", "_values")

    def __init__(self, samples: Iterable[tuple[float, float]]) -> None:
        """Take (value, weight) pairs; there must be one at least with a weight above 0."""
        rows = sorted(samples)
        whole = sum(weight for _, weight in rows)
        self._values: list[float] = []
        self._shares: list[float] = []
        below = 0.0
        for value, weight in rows:
            self._values.append(value)
            self._shares.append((below + weight / 2.0) / whole)
            below += weight
        steps = range(_NORMAL_STEPS + 1)
        self._by_normal = [self.value(share_of_normal((n / _NORMAL_STEPS - 0.5) * 2.0 * _NORMAL_MOST)) for n in steps]

    def value(self, share: float) -> float:
        """Give the value below which `share` lies; straight between samples, the outermost beyond them."""
        return _between(self._shares, self._values, share)

    def of_normal(self, z: float) -> float:
        """Give the value that stands where `z` stands among standard normal deviates."""
        return self.of_normals((z,))[0]

    def of_normals(self, deviates: Iterable[float]) -> list[float]:
        """Give the same for each of many."""
        table, found = self._by_normal, []
        for z in deviates:
            within = _NORMAL_MOST if z > _NORMAL_MOST else z if z > -_NORMAL_MOST else -_NORMAL_MOST
            place = (within / _NORMAL_MOST + 1.0) * 0.5 * _NORMAL_STEPS
            low = int(place) if place < _NORMAL_STEPS else _NORMAL_STEPS - 1
            found.append(table[low] + (table[low + 1] - table[low]) * (place - low))
        return found

    def share(self, value: float) -> float:
        """Give the share below `value`, kept away from 0 and 1."""
        return min(0.98, max(0.02, _between(self._values, self._shares, value)))


def _between(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    if x <= xs[0]:
        return ys[0]
    low, high = 0, len(xs) - 1
    if x >= xs[high]:
        return ys[high]
    while high - low > 1:
        middle = (low + high) // 2
        if xs[middle] <= x:
            low = middle
        else:
            high = middle
    width = xs[high] - xs[low]
    return ys[low] if width <= 0.0 else ys[low] + (ys[high] - ys[low]) * (x - xs[low]) / width
