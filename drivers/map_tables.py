"""What every kind of map file has in common: TOML tables read with all their mistakes told at once."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from drivers.errors import MapError
from shared.quantities import ESTIMATED, QUANTITIES

NUMBER_MOST = 1e300  # also refuses nan, inf and whole numbers too large for a float


@dataclass(frozen=True, slots=True)
class MapMistake:
    """One mistake: where it is, what is there, what is allowed."""

    source: str
    key: str
    value: object
    allowed: str

    def __str__(self) -> str:
        found = "nothing" if self.value is None else repr(self.value)
        return f"{self.source}: {self.key}: found {found}, allowed is {self.allowed}"


def parse_map(text: str, source: str) -> Mapping[str, object]:
    """Parse the text of a map file.

    Raises: MapError: it is no TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MapError(source, [MapMistake(source, "(file)", str(error), "a valid TOML file")]) from error


class MapReader:
    """Walks a parsed file and collects mistakes; what it returns is only good when there are none."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.mistakes: list[MapMistake] = []

    def quantity(self, row: Mapping[str, object], key: str) -> str:
        """The name of a quantity that can be measured."""
        measured = [name for name in QUANTITIES if name not in ESTIMATED]
        return self.choice(row, "quantity", key, tuple(measured))

    def limits(self, row: Mapping[str, object], key: str, quantity: str) -> tuple[float, float]:
        """The range in which a value can be true, never wider than the quantity's own."""
        known = QUANTITIES.get(quantity)
        widest = (known.least, known.most) if known else (-math.inf, math.inf)
        least = self.number(row, "min", f"{key}.min", widest[0])
        most = self.number(row, "max", f"{key}.max", widest[1])
        for name, limit in (("min", least), ("max", most)):
            if not widest[0] <= limit <= widest[1]:
                self.wrong(f"{key}.{name}", limit, f"{widest[0]:g} to {widest[1]:g} for {quantity}")
        if least >= most:
            self.wrong(f"{key}.min", least, f"less than max, which is {most:g}")
        return least, most

    def rows(self, raw: Mapping[str, object], name: str) -> list[tuple[str, Mapping[str, object]]]:
        """The tables [[name]], each with the path of its keys."""
        found = raw.get(name, [])
        if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
            self.wrong(name, found, f"tables written [[{name}]]")
            return []
        return [(f"{name}[{index}]", row) for index, row in enumerate(found)]

    def known(self, row: Mapping[str, object], keys: tuple[str, ...], prefix: str) -> None:
        """Refuse the keys nobody knows."""
        for key in row:
            if key not in keys:
                self.wrong(f"{prefix}{key}", row[key], f"one of the keys {', '.join(keys)}")

    def choice(
        self, row: Mapping[str, object], name: str, key: str, allowed: tuple[str, ...], default: str | None = None
    ) -> str:
        """One of a few words."""
        found = row.get(name, default)
        if isinstance(found, str) and found in allowed:
            return found
        self.wrong(key, found, f"one of {', '.join(allowed)}")
        return allowed[0]

    def whole(
        self, row: Mapping[str, object], name: str, key: str, least: int, most: int, default: int | None = None
    ) -> int:
        """A whole number within limits."""
        found = row.get(name, default)
        if isinstance(found, int) and not isinstance(found, bool) and least <= found <= most:
            return found
        self.wrong(key, found, f"a whole number from {least} to {most}")
        return least

    def number(self, row: Mapping[str, object], name: str, key: str, default: float) -> float:
        """A finite number."""
        found = row.get(name, default)
        if isinstance(found, int | float) and not isinstance(found, bool) and -NUMBER_MOST <= found <= NUMBER_MOST:
            return float(found)
        self.wrong(key, found, "a finite number")
        return default

    def text(self, row: Mapping[str, object], name: str) -> str:
        """A text; empty when it is not given."""
        found = row.get(name, "")
        if isinstance(found, str):
            return found
        self.wrong(name, found, "a text in quotes")
        return ""

    def wrong(self, key: str, value: object, allowed: str) -> None:
        """Note one mistake."""
        self.mistakes.append(MapMistake(self.source, key, value, allowed))
