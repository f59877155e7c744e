"""A long row of values gathered into at most a few thousand buckets, in one pass and little memory."""

from collections.abc import Iterable
from dataclasses import dataclass

BUCKETS_MOST = 4000
# Each divides the next, so that buckets can be joined without cutting one.
LADDER_S = (10.0, 60.0, 300.0, 900.0, 3600.0, 21_600.0, 86_400.0, 604_800.0, 604_800.0 * 52)


@dataclass(slots=True)
class Bucket:
    """What was seen in one stretch of time: values and when they begin and end."""

    least: float
    most: float
    total: float
    count: int
    first_x: float
    last_x: float

    @property
    def mean(self) -> float:
        """Mean of the values."""
        return self.total / self.count

    def join(self, other: "Bucket") -> None:
        """Take in another one."""
        self.least = min(self.least, other.least)
        self.most = max(self.most, other.most)
        self.total += other.total
        self.count += other.count
        self.first_x = min(self.first_x, other.first_x)
        self.last_x = max(self.last_x, other.last_x)


class Gathered:
    """Values along an axis, in buckets of `size_s`; when there are too many, they are joined to longer ones."""

    def __init__(self) -> None:
        self._rung = 0
        self.buckets: dict[int, Bucket] = {}

    @property
    def size_s(self) -> float:
        """Length of a bucket, s."""
        return LADDER_S[self._rung]

    @property
    def count(self) -> int:
        """How many values there were."""
        return sum(bucket.count for bucket in self.buckets.values())

    def add(self, x: float, value: float) -> None:
        """Take one value in."""
        number = int(x // LADDER_S[self._rung])
        bucket = self.buckets.get(number)
        if bucket is None:
            self.buckets[number] = Bucket(value, value, value, 1, x, x)
            if len(self.buckets) > BUCKETS_MOST and self._rung + 1 < len(LADDER_S):
                self._rung += 1
                self.buckets = _joined(self.buckets.values(), self.size_s, 0.0)
            return
        if value < bucket.least:
            bucket.least = value
        elif value > bucket.most:
            bucket.most = value
        bucket.total += value
        bucket.count += 1
        bucket.last_x = x

    def add_rollup(self, x: float, span_s: float, rollup: Bucket) -> None:
        """Take in what is rolled up already, by where it begins; buckets are then at least as long as it."""
        while LADDER_S[self._rung] < span_s:
            self._rung += 1
            self.buckets = _joined(self.buckets.values(), self.size_s, 0.0)
        number = int(x // self.size_s)
        kept = self.buckets.get(number)
        if kept is not None:
            kept.join(rollup)
            return
        self.buckets[number] = rollup
        if len(self.buckets) > BUCKETS_MOST and self._rung + 1 < len(LADDER_S):
            self._rung += 1
            self.buckets = _joined(self.buckets.values(), self.size_s, 0.0)

    def by(self, size_s: float, shift_s: float = 0.0) -> dict[int, Bucket]:
        """Join to buckets of another length; number n begins at n * size_s - shift_s on the axis."""
        return _joined(self.buckets.values(), size_s, shift_s)

    def span(self) -> tuple[float, float] | None:
        """First and last place of a value."""
        if not self.buckets:
            return None
        return min(b.first_x for b in self.buckets.values()), max(b.last_x for b in self.buckets.values())


def _joined(buckets: Iterable[Bucket], size_s: float, shift_s: float) -> dict[int, Bucket]:
    found: dict[int, Bucket] = {}
    for bucket in buckets:
        number = int((bucket.first_x + shift_s) // size_s)
        kept = found.get(number)
        if kept is None:
            found[number] = Bucket(bucket.least, bucket.most, bucket.total, bucket.count, bucket.first_x, bucket.last_x)
        else:
            kept.join(bucket)
    return found
