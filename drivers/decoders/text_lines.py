"""Records of text to readings: for instruments that talk by themselves. Opens nothing, reads no clock, logs nothing.

A record becomes a reading only when its boundaries, its checksum, its field count and each value's form
are right. Without a checksum every value must also be plausible: then one that is not spoils the record,
where with a right checksum only that value is suspect.
"""

import re
from dataclasses import dataclass

from drivers.decoders.text_checks import open_record
from drivers.decoders.text_framing import TextFramer
from drivers.text_maps import TextMap, TextPoint
from shared.quantities import QUANTITIES
from shared.readings import Reading

SHOWN_MOST = 40  # characters of a bad record in a message
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})(?:[eE][+-]?[0-9]{1,2})?")
_CONTROL = re.compile(rb"[^\t\x20-\x7e]")


@dataclass(frozen=True, slots=True)
class TextFault:
    """Something that came and is no reading.

    Attributes:
        at_s: when its last byte came, seconds since boot.
        why: what is wrong with it, in words.
    """

    at_s: float
    why: str


class TextLinesDecoder:
    """Turns bytes of one instrument's stream into readings.

    Attributes:
        instrument: its name in the site file.
        passed_over: right sentences of another kind than the map is for.
    """

    def __init__(self, instrument: str, text_map: TextMap) -> None:
        self.instrument = instrument
        self.passed_over = 0
        self._map = text_map
        self._framer = TextFramer(text_map)

    def reset(self) -> None:
        """Forget what was half heard: the port was opened anew."""
        self._framer.reset()

    def feed(self, data: bytes, now_s: float) -> list[Reading | TextFault]:
        """Take bytes in pieces of any size; hand back what they completed, noise included.

        Args:
            data: as it came.
            now_s: when it came, seconds since boot.
        """
        events: list[Reading | TextFault] = []
        for piece in self._framer.feed(data, now_s):
            found = piece.why or self._read(piece.record, now_s)
            if isinstance(found, str):
                events.append(TextFault(now_s, f"record {shown(piece.record)} refused: {found}"))
            elif found is not None:
                events.append(found)
        return events

    def _read(self, record: bytes, now_s: float) -> Reading | str | None:
        """The reading in a record; None when it is for somebody else, a text when it can't be believed."""
        body, why = open_record(record, self._map)
        if body is None:
            return why
        lines = body.split(self._map.line_end)
        if any(_CONTROL.search(line) for line in lines):
            return "it has bytes in it that are no text"
        found = self._values(body.decode("ascii")) if self._map.shape == "sentence" else self._pairs(lines)
        if isinstance(found, str) or found is None:
            return found
        return self._reading(found, now_s)

    def _values(self, body: str) -> dict[int | str, str] | str | None:
        values = [value.strip() for value in body.split(self._map.separator)]
        if self._map.tag and values[0] != self._map.tag:
            self.passed_over += 1
            return None
        if self._map.fields not in (None, len(values)):
            return f"it has {len(values)} values instead of {self._map.fields}"
        return dict(enumerate(values))

    def _pairs(self, lines: list[bytes]) -> dict[int | str, str] | str:
        texts = [line.decode("ascii").strip() for line in lines]
        while texts and not texts[0]:  # the line end a record may begin with
            texts.pop(0)
        while texts and not texts[-1]:  # what stands before the check's mark
            texts.pop()
        parts = texts if len(texts) != 1 else texts[0].split(self._map.separator)
        if parts and not parts[-1].strip():
            parts.pop()
        found: dict[int | str, str] = {}
        for part in parts:
            key, equals, value = part.partition(self._map.equals)
            key = key.strip()
            if not equals or not key:
                return f"{shown(part.encode())} is no key with a value"
            if key in found:
                return f"the key {shown(key.encode())} is there twice"
            found[key] = value.strip()
        if self._map.fields not in (None, len(found)):
            return f"it has {len(found)} pairs instead of {self._map.fields}"
        return found

    def _reading(self, found: dict[int | str, str], now_s: float) -> Reading | str:
        values: dict[str, float] = {}
        suspect: dict[str, str] = {}
        missing: list[str] = []
        for point in self._map.points:
            text = found.get(point.place)
            if text is None:
                if point.optional:
                    continue
                return f"{point.quantity} is not in it ({point.place})"
            if not text or text in point.missing:
                missing.append(point.quantity)
                continue
            value = self._number(text)
            why = f"{shown(text.encode())} is no number" if value is None else ""
            if value is not None:
                value = value * point.scale + point.offset
                why = _implausible(point, value)
            if why and self._map.check.kind == "none":
                return f"{point.quantity}: {why}"
            if why:
                suspect[point.quantity] = why
            elif value is not None:
                values[point.quantity] = value
        if not (values or suspect or missing):
            return "none of the map's values is in it"
        return Reading(self.instrument, now_s, values, suspect, tuple(missing))

    def _number(self, text: str) -> float | None:
        plain = text if self._map.decimal == "." else text.replace(".", "x").replace(",", ".")
        return float(plain) if _NUMBER.fullmatch(plain) else None


def shown(data: bytes) -> str:
    """Some bytes for a message: short, and nothing in it that a terminal would obey."""
    cut = data[:SHOWN_MOST]
    return repr(bytes(cut))[1:] + (" ..." if len(data) > len(cut) else "")


def _implausible(point: TextPoint, value: float) -> str:
    if point.least <= value <= point.most:
        return ""
    unit = QUANTITIES[point.quantity].unit
    return f"{value:g} {unit} is outside of {point.least:g} to {point.most:g} {unit}".replace("  ", " ")
