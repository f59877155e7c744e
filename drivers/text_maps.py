"""Text maps: what the records of an instrument that talks by itself look like, and what stands where in them.

The user copies it from the instrument's manual; nothing is preset:

    [record]
    shape = "sentence"         # values by position; or "pairs": key=value
    ends = "line"              # line: at the line's end. blank-line: at an empty line. first-key: where the
                               # next record's first key begins. check: behind the checksum (only byte notation)
    start = "$"                # optional: what every record begins with
    first_key = "V"            # for ends = "first-key"
    separator = ","            # between values, or between pairs that share a line
    equals = "="               # between key and value
    line_end = "\\r\\n"
    fields = 6                 # how many values (without the check) or pairs a record has
    tag = "BNK"                # optional: first value of the sentences this map is for; others are passed over
    decimal = "."              # or ","
    pause_most_s = 0.5         # a record that halts for longer is given up
    [check]
    kind = "xor"               # none, xor, sum8, crc16 (the one of Modbus)
    mark = "*"                 # what stands before the check value
    notation = "hex"           # hex, decimal or byte (raw)
    bytes = "high-first"       # or "low-first"; only crc16
    covers = "inside"          # inside: from behind `start` to before `mark`; whole: all up to the check value
    zero_sum = false           # sum8: the check value makes the sum of all bytes zero
    [[point]]
    quantity = "bank_v"
    position = 1               # sentences: counted from 0, the tag is one of them
    key = "V"                  # pairs
    scale = 0.001              # value = number * scale + offset
    offset = 0
    missing = "---"            # text, or list of texts, that means "not available"; an empty one always does
    optional = false           # true: a record without this key or position is whole all the same
    min = 8
    max = 32
"""

from collections.abc import Mapping
from dataclasses import dataclass

from drivers.errors import MapError
from drivers.map_tables import MapReader, parse_map

SHAPES = ("sentence", "pairs")
ENDS = ("line", "blank-line", "first-key", "check")
KINDS = ("none", "xor", "sum8", "crc16")
NOTATIONS = ("hex", "decimal", "byte")
BYTE_ORDERS = ("high-first", "low-first")
COVERS = ("inside", "whole")
FIELDS_MOST = 80
MARK_MOST = 16  # characters in a mark, a key, a separator
LINE_ENDS_MOST = 4
PAUSE_LEAST_S, PAUSE_MOST_S = 0.05, 10.0

_MAP_KEYS = ("name", "record", "check", "point")
_RECORD_KEYS = (
    *("shape", "ends", "start", "first_key", "separator", "equals", "line_end", "fields", "tag", "decimal"),
    "pause_most_s",
)
_CHECK_KEYS = ("kind", "mark", "notation", "bytes", "covers", "zero_sum")
_POINT_KEYS = ("quantity", "position", "key", "scale", "offset", "missing", "optional", "min", "max")


@dataclass(frozen=True, slots=True)
class Check:
    """The checksum at a record's end; see the top of this module."""

    kind: str = "none"
    mark: bytes = b""
    notation: str = "hex"
    bytes_order: str = "high-first"
    covers: str = "inside"
    zero_sum: bool = False

    @property
    def width(self) -> int:
        """Bytes of the sum itself."""
        return 2 if self.kind == "crc16" else 1


@dataclass(frozen=True, slots=True)
class TextPoint:
    """One quantity in a record.

    Attributes:
        quantity: its name in `shared.quantities`.
        place: the position in a sentence, or the key of a pair.
        scale, offset: value = number * scale + offset, in the quantity's unit.
        missing: texts that mean "not available".
        optional: a record without it is whole all the same.
        least, most: the range in which a value can be true, in the quantity's unit.
    """

    quantity: str
    place: int | str
    scale: float
    offset: float
    missing: tuple[str, ...]
    optional: bool
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class TextMap:
    """What the records of one kind of instrument look like."""

    points: tuple[TextPoint, ...]
    shape: str = "sentence"
    ends: str = "line"
    start: bytes = b""
    first_key: str = ""
    separator: str = ","
    equals: str = "="
    line_end: bytes = b"\r\n"
    fields: int | None = None
    tag: str = ""
    decimal: str = "."
    pause_most_s: float = 0.5
    check: Check = Check()
    name: str = ""
    source: str = "map"

    @property
    def gives(self) -> tuple[str, ...]:
        """The quantities, in the order of the file."""
        return tuple(point.quantity for point in self.points)


def load_text_map(text: str, source: str) -> TextMap:
    """Turn the text of a map file into a checked map.

    Args:
        text: TOML as described at the top of this module.
        source: the file it came from, for the messages.
    Raises: MapError: carries every mistake found, not only the first.
    """
    raw = parse_map(text, source)
    reader = _TextMapReader(source)
    result = reader.text_map(raw)
    if reader.mistakes:
        raise MapError(source, reader.mistakes)
    return result


class _TextMapReader(MapReader):
    """Walks a text map."""

    def text_map(self, raw: Mapping[str, object]) -> TextMap:
        self.known(raw, _MAP_KEYS, "")
        record = self._table(raw, "record", _RECORD_KEYS)
        shape = self.choice(record, "shape", "record.shape", SHAPES)
        ends = self.choice(record, "ends", "record.ends", ENDS, default="line")
        check = self._check(self._table(raw, "check", _CHECK_KEYS), ends)
        points = tuple(self._point(row, key, shape) for key, row in self.rows(raw, "point"))
        if "point" not in raw or raw["point"] == []:
            self.wrong("point", None, "at least one [[point]]")
        self._twice(points)
        made = TextMap(
            points=points,
            shape=shape,
            ends=ends,
            start=self._token(record, "start", "record.start"),
            first_key=self._token(record, "first_key", "record.first_key").decode(),
            separator=self._token(record, "separator", "record.separator", ",").decode(),
            equals=self._token(record, "equals", "record.equals", "=").decode(),
            line_end=self._line_end(record),
            fields=self._fields(record),
            tag=self._token(record, "tag", "record.tag").decode(),
            decimal=self.choice(record, "decimal", "record.decimal", (".", ","), default="."),
            pause_most_s=self._pause(record),
            check=check,
            name=self.text(raw, "name"),
            source=self.source,
        )
        self._together(made)
        return made

    def _together(self, made: TextMap) -> None:
        """What several keys must be together."""
        if made.ends == "first-key" and (made.shape != "pairs" or not made.first_key):
            self.wrong("record.first_key", made.first_key or None, "the key a record of pairs begins with")
        if made.ends != "first-key" and made.first_key:
            self.wrong("record.first_key", made.first_key, 'nothing, unless ends = "first-key"')
        if made.shape == "sentence" and made.ends in ("blank-line", "first-key"):
            self.wrong("record.ends", made.ends, "line or check for a sentence, which is one line")
        if made.shape == "pairs" and made.tag:
            self.wrong("record.tag", made.tag, "nothing: only sentences have one")
        if made.separator == made.decimal:
            self.wrong("record.separator", made.separator, "another text than the decimal mark")
        if made.check.kind == "none":
            if made.fields is None:
                allowed = "the number of values in a record: without a checksum it must be known what a whole one is"
                self.wrong("record.fields", None, allowed)
            for index, point in enumerate(made.points):
                if point.optional:
                    self.wrong(f"point[{index}].optional", True, "false: without a checksum every record must be whole")
        if made.check.covers == "inside" and made.start and made.check.zero_sum:
            self.wrong("check.covers", "inside", "whole, with zero_sum = true")
        for index, point in enumerate(made.points):
            if isinstance(point.place, int) and made.fields is not None and point.place >= made.fields:
                self.wrong(f"point[{index}].position", point.place, f"0 to {made.fields - 1}: counted from 0")

    def _check(self, row: Mapping[str, object], ends: str) -> Check:
        kind = self.choice(row, "kind", "check.kind", KINDS)
        notation = self.choice(row, "notation", "check.notation", NOTATIONS, default="hex")
        zero_sum = self._flag(row, "zero_sum", "check.zero_sum")
        mark = self._token(row, "mark", "check.mark")
        if kind == "none":
            for key in row:
                if key != "kind":
                    self.wrong(f"check.{key}", row[key], 'nothing: kind is "none"')
        elif not mark:
            self.wrong("check.mark", None, "the text before the check value, such as * or SUM=")
        if ends == "check" and (kind == "none" or notation != "byte"):
            self.wrong("record.ends", ends, 'line, blank-line or first-key, unless the check has notation = "byte"')
        if zero_sum and kind != "sum8":
            self.wrong("check.zero_sum", True, "false, unless kind is sum8")
        if "bytes" in row and kind != "crc16":
            self.wrong("check.bytes", row["bytes"], "nothing: only a crc16 has two bytes")
        return Check(
            kind=kind,
            mark=mark,
            notation=notation,
            bytes_order=self.choice(row, "bytes", "check.bytes", BYTE_ORDERS, default=BYTE_ORDERS[0]),
            covers=self.choice(row, "covers", "check.covers", COVERS, default=COVERS[0]),
            zero_sum=zero_sum,
        )

    def _point(self, row: Mapping[str, object], key: str, shape: str) -> TextPoint:
        self.known(row, _POINT_KEYS, f"{key}.")
        quantity = self.quantity(row, f"{key}.quantity")
        scale = self.number(row, "scale", f"{key}.scale", 1.0)
        if scale == 0.0:
            self.wrong(f"{key}.scale", row["scale"], "any number but 0")
        least, most = self.limits(row, key, quantity)
        return TextPoint(
            quantity=quantity,
            place=self._place(row, key, shape),
            scale=scale,
            offset=self.number(row, "offset", f"{key}.offset", 0.0),
            missing=self._missing(row, f"{key}.missing"),
            optional=self._flag(row, "optional", f"{key}.optional"),
            least=least,
            most=most,
        )

    def _place(self, row: Mapping[str, object], key: str, shape: str) -> int | str:
        needed, other = ("position", "key") if shape == "sentence" else ("key", "position")
        if other in row:
            self.wrong(f"{key}.{other}", row[other], f"nothing: in this shape a value is found by its {needed}")
        if shape == "sentence":
            return self.whole(row, "position", f"{key}.position", 0, FIELDS_MOST - 1)
        found = self._token(row, "key", f"{key}.key").decode()
        if not found and "key" not in row:
            self.wrong(f"{key}.key", None, "the key as the instrument writes it")
        return found

    def _missing(self, row: Mapping[str, object], key: str) -> tuple[str, ...]:
        found = row.get("missing", [])
        texts = found if isinstance(found, list) else [found]
        if not all(isinstance(text, str) for text in texts):
            self.wrong(key, found, "a text in quotes, or a list of them")
            return ()
        return tuple(str(text).strip() for text in texts)

    def _twice(self, points: tuple[TextPoint, ...]) -> None:
        for index, point in enumerate(points):
            if point.quantity in [earlier.quantity for earlier in points[:index]]:
                self.wrong(f"point[{index}].quantity", point.quantity, "each quantity once in a map")

    def _table(self, raw: Mapping[str, object], name: str, keys: tuple[str, ...]) -> Mapping[str, object]:
        found = raw.get(name)
        if not isinstance(found, dict):
            self.wrong(name, found, f"a table [{name}]")
            return {}
        self.known(found, keys, f"{name}.")
        return found

    def _token(self, row: Mapping[str, object], name: str, key: str, default: str = "") -> bytes:
        """A short text of visible ASCII, blanks and tabs, as it goes over the wire."""
        found = row.get(name, default)
        allowed = f"a text of 1 to {MARK_MOST} characters, ASCII without control bytes but the tab"
        if not isinstance(found, str) or not (name not in row or 1 <= len(found) <= MARK_MOST):
            self.wrong(key, found, allowed)
            return default.encode()
        if not all(" " <= c <= "~" or c == "\t" for c in found):
            self.wrong(key, found, allowed)
            return default.encode()
        return found.encode()

    def _line_end(self, record: Mapping[str, object]) -> bytes:
        found = record.get("line_end", "\r\n")
        if isinstance(found, str) and 1 <= len(found) <= LINE_ENDS_MOST and found.isascii() and "\0" not in found:
            return found.encode()
        self.wrong("record.line_end", found, f'1 to {LINE_ENDS_MOST} ASCII characters, such as "\\r\\n" or "\\n"')
        return b"\r\n"

    def _fields(self, record: Mapping[str, object]) -> int | None:
        return self.whole(record, "fields", "record.fields", 1, FIELDS_MOST) if "fields" in record else None

    def _pause(self, record: Mapping[str, object]) -> float:
        found = self.number(record, "pause_most_s", "record.pause_most_s", 0.5)
        if not PAUSE_LEAST_S <= found <= PAUSE_MOST_S:
            self.wrong("record.pause_most_s", found, f"a number from {PAUSE_LEAST_S:g} to {PAUSE_MOST_S:g}, s")
        return found

    def _flag(self, row: Mapping[str, object], name: str, key: str) -> bool:
        found = row.get(name, False)
        if isinstance(found, bool):
            return found
        self.wrong(key, found, "true or false")
        return False
