"""What may go wrong on a line, by name, and plans that say when."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from random import Random
from types import MappingProxyType
from typing import Protocol

FAULTS: Mapping[str, str] = MappingProxyType(
    {
        "silent": "no reply",
        "late": "the right reply, after the client gave up",
        "one-late": "each reply is the answer to the request before",
        "bad-crc": "one bit wrong, CRC not mended",
        "cut": "the reply ends early",
        "exception": "a refusal with a code",
        "wrong-unit": "the reply of another unit, CRC right",
        "wrong-function": "the other read function in the reply, CRC right",
        "short": "one register too few, byte count and CRC right",
        "long": "one register too many, byte count and CRC right",
        "noise": "junk before the reply",
        "noise-after": "junk after the reply",
        "duplicated": "the reply twice",
        "pause": "a pause inside the reply",
        "impossible": "one value that can't be",
        "nan": "one float that is no number",
        "missing": "one value the device says it does not have",
        "frozen": "the values of when the fault began",
    }
)
# Faults of the values, not of the frame: the reply is well formed.
OF_VALUES = frozenset({"impossible", "nan", "missing", "frozen"})


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault as it strikes.

    Attributes:
        kind: a name of `FAULTS`.
        delay_s: for "late", how long after the request the reply comes; for "pause", how long it is.
        code: for "exception".
        lasts: how many requests to the same unit it strikes, in a row.
    """

    kind: str
    delay_s: float = 0.45
    code: int = 4
    lasts: int = 1

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise ValueError(f"no fault {self.kind!r} on a line; there are {', '.join(FAULTS)}")


class FaultPlan(Protocol):
    """Says for each request which fault begins with it, if any."""

    def next(self, unit: int) -> Fault | None:
        """Tell the fault that begins with this request to a unit."""


class ListedFaults:
    """Faults in the order given, one a request, None for a good reply; then only good replies."""

    def __init__(self, faults: Iterable[Fault | None], *, unit: int | None = None) -> None:
        self._left = list(faults)
        self._unit = unit

    def next(self, unit: int) -> Fault | None:
        """Take the next of the list, if it is for this unit."""
        if not self._left or (self._unit is not None and unit != self._unit):
            return None
        return self._left.pop(0)


class SeededFaults:
    """Faults by chance, the same for the same seed and the same order of requests.

    Args:
        seed: of the chance.
        shares: fault name -> share of the requests it begins with, 0 to 1, together at most 1.
        late_s: shortest and longest delay of a late reply, s.
        lasts: most requests in a row of "one-late", "frozen" and "silent".
        units: the units it is for; None for all.
    """

    _CODES = (1, 2, 3, 4, 6, 11)

    def __init__(
        self,
        seed: int,
        shares: Mapping[str, float],
        *,
        late_s: tuple[float, float] = (0.31, 0.39),
        lasts: int = 4,
        units: frozenset[int] | None = None,
    ) -> None:
        unknown = [name for name in shares if name not in FAULTS]
        if unknown or sum(shares.values()) > 1.0 + 1e-9:
            raise ValueError(f"shares must be of known faults and sum to at most 1, got {dict(shares)}")
        self._chance = Random(f"{seed}:faults")
        self._names = (*shares, "")
        self._shares = (*shares.values(), max(0.0, 1.0 - sum(shares.values())))
        self._late_s = late_s
        self._lasts = lasts
        self._units = units

    def next(self, unit: int) -> Fault | None:
        """Draw for one request."""
        if self._units is not None and unit not in self._units:
            return None
        chance = self._chance
        kind = chance.choices(self._names, self._shares)[0]
        if not kind:
            return None
        lasts = chance.randint(1, self._lasts) if kind in ("one-late", "frozen", "silent") else 1
        delay_s = 0.04 if kind == "pause" else chance.uniform(*self._late_s)
        return Fault(kind, delay_s=delay_s, code=chance.choice(self._CODES), lasts=lasts)
