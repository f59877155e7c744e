"""Values into registers, by a register map file: the device's side of `config/maps/*.toml`."""

import struct
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field

Place = tuple[str, int]  # table ("holding" or "input"), zero based address
_WHOLE: Mapping[str, tuple[int, int]] = {
    "u16": (0, 0xFFFF),
    "s16": (-0x8000, 0x7FFF),
    "u32": (0, 0xFFFFFFFF),
    "s32": (-0x80000000, 0x7FFFFFFF),
}
_PACKED: Mapping[str, str] = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}


@dataclass(frozen=True, slots=True)
class TablePoint:
    """One value of a map: raw = (value - offset) / scale, in one or two registers.

    Attributes:
        missing: the registers' bits that mean "not available", as unsigned numbers; the first is used.
        least, most: what the map calls possible, in the quantity's unit; None where it says nothing.
    """

    quantity: str
    table: str
    address: int
    type: str
    low_first: bool = False
    scale: float = 1.0
    offset: float = 0.0
    missing: tuple[int, ...] = ()
    least: float | None = None
    most: float | None = None

    @property
    def size(self) -> int:
        """Registers it takes."""
        return 2 if self.type.endswith("32") else 1

    @property
    def places(self) -> list[Place]:
        """Where it lies."""
        return [(self.table, self.address + n) for n in range(self.size)]

    def words(self, value: float | None) -> tuple[int, ...]:
        """Give the registers for a value; None becomes the missing marker.

        A value that does not fit its type is held at the type's end. A map without a marker says NaN
        for a float and the type's lowest (signed) or highest (unsigned) number for the rest.
        """
        if value is None:
            return self.words_of_bits(self.missing[0]) if self.missing else self._words_of_raw(self._outermost())
        raw = (value - self.offset) / self.scale
        if self.type == "f32":
            return self._words_of_raw(raw)
        low, high = _WHOLE[self.type]
        return self._words_of_raw(min(high, max(low, round(raw))))

    def impossible(self) -> tuple[int, ...] | None:
        """Give registers that decode to what the map itself calls out of range; None if its type can't."""
        raws = (3.0e30, -3.0e30) if self.type == "f32" else _WHOLE[self.type]
        markers = [self.words_of_bits(bits) for bits in self.missing]
        for raw in reversed(raws):
            value = raw * self.scale + self.offset
            beyond = (self.most is not None and value > self.most) or (self.least is not None and value < self.least)
            words = self._words_of_raw(raw)
            if beyond and words not in markers:
                return words
        return None

    def not_a_number(self) -> tuple[int, ...] | None:
        """Give the registers of a NaN; None for whole numbers."""
        return self._words_of_raw(float("nan")) if self.type == "f32" else None

    def words_of_bits(self, bits: int) -> tuple[int, ...]:
        """Give the registers that hold these unsigned bits."""
        words = (bits >> 16, bits & 0xFFFF) if self.size == 2 else (bits,)
        return words[::-1] if self.low_first else words

    def _outermost(self) -> float:
        if self.type == "f32":
            return float("nan")
        low, high = _WHOLE[self.type]
        return low if low < 0 else high

    def _words_of_raw(self, raw: float) -> tuple[int, ...]:
        data = struct.pack(_PACKED[self.type], raw if self.type == "f32" else int(raw))
        return self.words_of_bits(int.from_bytes(data, "big"))


@dataclass(frozen=True, slots=True)
class RegisterTable:
    """A device's registers by map.

    Attributes:
        points: what changes.
        fixed: what always holds the same: an identity, and registers that may be read but mean nothing.
    """

    points: tuple[TablePoint, ...]
    fixed: Mapping[Place, int] = field(default_factory=dict)

    @classmethod
    def parse(cls, text: str) -> "RegisterTable":
        """Read the text of a map file: its points, its identity, its other readable registers."""
        rows = tomllib.loads(text)
        fixed: dict[Place, int] = {}
        for row in rows.get("readable", []):
            fixed.update({(row["table"], row["address"] + n): 0 for n in range(row["count"])})
        identity = rows.get("identity")
        if identity is not None:
            point = _point({**identity, "quantity": "identity"})
            fixed.update(zip(point.places, point.words_of_bits(_bits(identity["value"], point.size)), strict=True))
        return cls(tuple(_point(row) for row in rows["point"]), fixed)

    def image(self, values: Mapping[str, float | None]) -> dict[Place, int]:
        """Lay values out: a register word for each place; a quantity that is not given is missing."""
        laid = dict(self.fixed)
        for point in self.points:
            laid.update(zip(point.places, point.words(values.get(point.quantity)), strict=True))
        return laid

    def inside(self, table: str, address: int, count: int) -> list[TablePoint]:
        """The points that lie wholly in a block."""
        return [
            point
            for point in self.points
            if point.table == table and address <= point.address and point.address + point.size <= address + count
        ]


def _bits(value: int, size: int) -> int:
    """The unsigned bits of a number in one or two registers; a negative one in two's complement."""
    return value & ((1 << 16 * size) - 1)


def _point(row: Mapping[str, object]) -> TablePoint:
    def number(key: str) -> float | None:
        value = row.get(key)
        return float(value) if isinstance(value, int | float) else None

    scale, address = number("scale"), row.get("address")
    size = 2 if str(row["type"]).endswith("32") else 1
    found = row.get("missing", [])
    markers = found if isinstance(found, list) else [found]
    return TablePoint(
        quantity=str(row["quantity"]),
        table=str(row["table"]),
        address=address if isinstance(address, int) else 0,
        type=str(row["type"]),
        low_first=row.get("words") == "low-first",
        scale=1.0 if scale is None else scale,
        offset=number("offset") or 0.0,
        missing=tuple(_bits(marker, size) for marker in markers if isinstance(marker, int)),
        least=number("min"),
        most=number("max"),
    )
