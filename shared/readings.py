"""One reading: the values of one instrument at one instant, each good, suspect or missing."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

_NOTHING: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Reading:
    """What one instrument said at one instant.

    Attributes:
        instrument: the instrument's name in the site file.
        at_s: seconds since boot when the answer was complete.
        values: good values by quantity, in the quantity's unit and sign. A quantity that is not in
            here is not known: never zero, never the last value.
        suspect: quantities that were answered with something that can't be true, and why; their
            value is not used.
        missing: quantities the instrument itself reports as not available.
    """

    instrument: str
    at_s: float
    values: Mapping[str, float]
    suspect: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    missing: tuple[str, ...] = ()
