"""Errors of the drivers.

DriverError
|-- MapError       a map file can't be used; tells every mistake at once
|-- LineDown       the port is missing, busy, forbidden or gone
`-- ExchangeError  the port is there, but this one exchange gave no answer to trust
    |-- Silent     nothing came within the time allowed
    |-- Refused    the instrument answered with an exception code
    `-- Garbled    something came that is not the answer to this question
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.map_tables import MapMistake

# Names and advice after MODBUS Application Protocol Specification V1.1b3 (2012), section 7.
EXCEPTION_CODES: Mapping[int, str] = MappingProxyType(
    {
        1: "illegal function: this instrument does not know this table, try the other one",
        2: "illegal address: the map names registers this instrument does not have",
        3: "illegal value: it does not give that many registers at once",
        4: "device failure: the instrument itself reports a fault",
        5: "acknowledged, still working on it",
        6: "busy: it will answer later",
        8: "memory parity error inside the instrument",
        10: "gateway path unavailable: check the gateway's own settings",
        11: "gateway got no answer from the instrument: check wiring and unit number",
    }
)


class DriverError(Exception):
    """Root of everything the drivers raise."""


class MapError(DriverError):
    """A map file that can't be used.

    Attributes:
        source: the file the map came from.
        mistakes: every mistake found in it, in the order of the file.
    """

    def __init__(self, source: str, mistakes: "Sequence[MapMistake]") -> None:
        self.source = source
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class LineDown(DriverError):
    """The line can't be used at all just now; connecting again later may work.

    Attributes:
        line: the line's name in the site file.
        port: the path that was opened.
        why: what is wrong and what to do.
    """

    def __init__(self, line: str, port: str, why: str) -> None:
        self.line = line
        self.port = port
        self.why = why
        super().__init__(f"line {line}: {port}: {why}")


class ExchangeError(DriverError):
    """One exchange gave no answer to trust; the line itself is up.

    Attributes:
        line: the line's name in the site file.
        unit: the unit that was asked.
        why: what happened and what to do.
    """

    def __init__(self, line: str, unit: int, why: str) -> None:
        self.line = line
        self.unit = unit
        self.why = why
        super().__init__(f"line {line}, unit {unit}: {why}")


class Silent(ExchangeError):
    """Nothing came within the time allowed."""

    def __init__(self, line: str, unit: int, waited_s: float) -> None:
        super().__init__(line, unit, f"no answer within {waited_s:.3g} s: check power, wiring, unit number and speed")


class Refused(ExchangeError):
    """The instrument answered with an exception code.

    Attributes:
        code: the exception code, 1 to 255.
    """

    def __init__(self, line: str, unit: int, code: int) -> None:
        self.code = code
        meaning = EXCEPTION_CODES.get(code, "not a code of the standard")
        super().__init__(line, unit, f"refused with code {code} ({meaning})")


class Garbled(ExchangeError):
    """Something came, but it is not the answer to this question; it was thrown away."""
