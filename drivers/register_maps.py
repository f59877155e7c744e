"""Register maps: the text of a map file made into checked data, telling every mistake at once.

A map says which register of one kind of instrument holds which quantity. The user copies it from
the table in the instrument's manual:

    bridge = 0                 # read across up to so many unlisted registers between two points
    [identity]                 # optional: registers that always hold the same number, such as a model id
    table = "holding"
    address = 0
    type = "u16"
    value = 4711
    [[readable]]               # optional: registers that may be read although no point lives there
    table = "holding"
    address = 0
    count = 12
    [[point]]
    quantity = "bank_v"
    table = "holding"          # or "input"
    address = 2                # zero based, as sent on the wire
    type = "u16"               # u16 s16 u32 s32 f32
    words = "high-first"       # or "low-first"; only for 32 bits
    scale = 0.01               # value = raw * scale + offset; a negative scale turns the sign
    offset = 0
    missing = 0xFFFF           # raw value, or list of raw values, that means "not available"
    min = 8                    # outside of these the value is suspect; never wider than the quantity's own range
    max = 32
"""

from collections.abc import Mapping
from dataclasses import dataclass

from drivers.errors import MapError
from drivers.map_tables import MapReader, parse_map

TABLES = ("holding", "input")
TYPES = ("u16", "s16", "u32", "s32", "f32")
WORD_ORDERS = ("high-first", "low-first")
REGISTERS = 65536
REQUEST_MOST = 125  # registers in one answer; MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4
BRIDGE_MOST = 100

_MAP_KEYS = ("name", "bridge", "identity", "readable", "point")
_IDENTITY_KEYS = ("table", "address", "type", "words", "value")
_READABLE_KEYS = ("table", "address", "count")
_POINT_KEYS = ("quantity", "table", "address", "type", "words", "scale", "offset", "missing", "min", "max")


@dataclass(frozen=True, slots=True)
class RegisterPoint:
    """One quantity in the registers of an instrument.

    Attributes:
        quantity: its name in `shared.quantities`.
        table: "holding" or "input".
        address: zero based, of its first register.
        type: "u16", "s16", "u32", "s32" or "f32".
        words: "high-first" or "low-first"; no meaning for 16 bits.
        scale, offset: value = raw * scale + offset, in the quantity's unit.
        missing: raw values, as unsigned bits of the type's width, that mean "not available".
        least, most: the range in which a value can be true, in the quantity's unit.
    """

    quantity: str
    table: str
    address: int
    type: str
    words: str
    scale: float
    offset: float
    missing: tuple[int, ...]
    least: float
    most: float

    @property
    def width(self) -> int:
        """How many registers it takes: 1 or 2."""
        return width_of(self.type)


@dataclass(frozen=True, slots=True)
class Identity:
    """Registers that always hold the same number; `raw` is that number as unsigned bits."""

    table: str
    address: int
    type: str
    words: str
    raw: int

    @property
    def width(self) -> int:
        """How many registers it takes: 1 or 2."""
        return width_of(self.type)


@dataclass(frozen=True, slots=True)
class Readable:
    """Registers that may be read although no point lives there."""

    table: str
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """What one kind of instrument holds where."""

    points: tuple[RegisterPoint, ...]
    identity: Identity | None = None
    readable: tuple[Readable, ...] = ()
    bridge: int = 0
    name: str = ""
    source: str = "map"

    @property
    def gives(self) -> tuple[str, ...]:
        """The quantities, in the order of the file."""
        return tuple(point.quantity for point in self.points)


def width_of(kind: str) -> int:
    """Registers that a type takes: 1 for 16 bits, 2 for 32."""
    return 1 if kind.endswith("16") else 2


def load_register_map(text: str, source: str) -> RegisterMap:
    """Turn the text of a map file into a checked map.

    Args:
        text: TOML as described at the top of this module.
        source: the file it came from, for the messages.
    Raises: MapError: carries every mistake found, not only the first.
    """
    raw = parse_map(text, source)
    reader = _MapReader(source)
    result = reader.register_map(raw)
    if reader.mistakes:
        raise MapError(source, reader.mistakes)
    return result


class _MapReader(MapReader):
    """Walks a register map."""

    def register_map(self, raw: Mapping[str, object]) -> RegisterMap:
        self.known(raw, _MAP_KEYS, "")
        points = tuple(self._point(row, key) for key, row in self.rows(raw, "point"))
        if "point" not in raw or raw["point"] == []:
            self.wrong("point", None, "at least one [[point]]")
        readable = tuple(self._readable(row, key) for key, row in self.rows(raw, "readable"))
        self._clashes(points)
        return RegisterMap(
            points=points,
            identity=self._identity(raw.get("identity")),
            readable=readable,
            bridge=self.whole(raw, "bridge", "bridge", 0, BRIDGE_MOST, default=0),
            name=self.text(raw, "name"),
            source=self.source,
        )

    def _point(self, row: Mapping[str, object], key: str) -> RegisterPoint:
        self.known(row, _POINT_KEYS, f"{key}.")
        quantity = self.quantity(row, f"{key}.quantity")
        table, address, kind, words = self._place(row, key)
        scale = self.number(row, "scale", f"{key}.scale", 1.0)
        if scale == 0.0:
            self.wrong(f"{key}.scale", row["scale"], "any number but 0")
        least, most = self.limits(row, key, quantity)
        return RegisterPoint(
            quantity=quantity,
            table=table,
            address=address,
            type=kind,
            words=words,
            scale=scale,
            offset=self.number(row, "offset", f"{key}.offset", 0.0),
            missing=self._missing(row, f"{key}.missing", kind),
            least=least,
            most=most,
        )

    def _identity(self, row: object) -> Identity | None:
        if row is None:
            return None
        if not isinstance(row, dict):
            self.wrong("identity", row, "a table [identity]")
            return None
        self.known(row, _IDENTITY_KEYS, "identity.")
        table, address, kind, words = self._place(row, "identity")
        if kind == "f32":
            self.wrong("identity.type", kind, "one of u16, s16, u32, s32")
        raw = self._raw(row.get("value"), "identity.value", kind)
        return Identity(table, address, kind, words, raw)

    def _readable(self, row: Mapping[str, object], key: str) -> Readable:
        self.known(row, _READABLE_KEYS, f"{key}.")
        table = self.choice(row, "table", f"{key}.table", TABLES)
        address = self.whole(row, "address", f"{key}.address", 0, REGISTERS - 1)
        count = self.whole(row, "count", f"{key}.count", 1, REGISTERS)
        if address + count > REGISTERS:
            self.wrong(f"{key}.count", count, f"up to {REGISTERS - address} registers from address {address}")
        return Readable(table, address, count)

    def _place(self, row: Mapping[str, object], key: str) -> tuple[str, int, str, str]:
        table = self.choice(row, "table", f"{key}.table", TABLES)
        address = self.whole(row, "address", f"{key}.address", 0, REGISTERS - 1)
        kind = self.choice(row, "type", f"{key}.type", TYPES)
        words = self.choice(row, "words", f"{key}.words", WORD_ORDERS, default=WORD_ORDERS[0])
        if "words" in row and width_of(kind) == 1:
            self.wrong(f"{key}.words", row["words"], f"no word order, because {kind} is one register")
        if address + width_of(kind) > REGISTERS:
            self.wrong(f"{key}.address", address, f"0 to {REGISTERS - width_of(kind)} for {kind}")
        return table, address, kind, words

    def _missing(self, row: Mapping[str, object], key: str, kind: str) -> tuple[int, ...]:
        found = row.get("missing")
        if found is None:
            return ()
        markers = found if isinstance(found, list) else [found]
        return tuple(self._raw(marker, key, kind) for marker in markers)

    def _raw(self, value: object, key: str, kind: str) -> int:
        """A whole number as the unsigned bits of a register type; negative ones are two's complement."""
        bits = 16 * width_of(kind)
        least = -(1 << (bits - 1)) if kind.startswith("s") else 0
        most = (1 << bits) - 1
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            self.wrong(key, value, f"a whole number from {least} to {most} (0x{most:X}) for {kind}")
            return 0
        return value & most

    def _clashes(self, points: tuple[RegisterPoint, ...]) -> None:
        names = [point.quantity for point in points]
        for index, point in enumerate(points):
            if point.quantity in names[:index]:
                self.wrong(f"point[{index}].quantity", point.quantity, "each quantity once in a map")
            for earlier in points[:index]:
                apart = point.table != earlier.table or (
                    point.address >= earlier.address + earlier.width or earlier.address >= point.address + point.width
                )
                same = (point.address, point.width) == (earlier.address, earlier.width)
                if not apart and not same:
                    allowed = f"registers not shared with {earlier.quantity}"
                    self.wrong(f"point[{index}].address", point.address, allowed)
