"""A virtual instrument that talks by itself: text records each period, in the form a text map file describes.

Like the simulated site's Modbus frames this code is its own: it shares nothing with the decoder that
reads it, so that an error in one is not hidden by the same error in the other.
"""

import tomllib
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from threading import Lock
from types import MappingProxyType

from drivers.virtual.port import Outgoing

SAID_MOST = 20_000  # records remembered
STREAM_FAULTS: Mapping[str, str] = MappingProxyType(
    {
        "silent": "nothing",
        "cut": "the record ends early",
        "glued": "two records without what separates them",
        "bad-sum": "one bit of the record wrong, the checksum not mended",
        "junk": "random bytes before the record",
        "nul": "NUL bytes inside the record",
        "burst": "nothing for some periods, then all of it at once",
        "halted": "a long pause inside the record",
        "impossible": "a value that can't be, the checksum right",
    }
)
HALT_S = 0.8
BURST_PERIODS = 5


@dataclass(frozen=True, slots=True)
class TextForm:
    """How an instrument writes its values.

    Attributes:
        points: by quantity where it stands (position or key), scale, offset, and the text for "missing".
    """

    points: Mapping[str, tuple[str | int, float, float, str]]
    pairs: bool
    begins: str
    first_key: str
    separator: str
    equals: str
    line_end: str
    spaced: bool  # an empty line ends the record
    led: bool  # line ends stand before each line, and nothing stands behind the check value
    tag: str
    width: int  # values in a sentence
    kind: str
    mark: str
    notation: str
    whole: bool
    low_first: bool
    zero_sum: bool

    @classmethod
    def parse(cls, text: str) -> "TextForm":
        """Read the text of a map file."""
        rows = tomllib.loads(text)
        record, check = rows["record"], rows["check"]
        points = {}
        for row in rows["point"]:
            found = row.get("missing", "")
            marker = found[0] if isinstance(found, list) else found
            place = row["position"] if "position" in row else row["key"]
            points[row["quantity"]] = (place, float(row.get("scale", 1.0)), float(row.get("offset", 0.0)), marker)
        places = [place for place, *_ in points.values() if isinstance(place, int)]
        return cls(
            points=points,
            pairs=record["shape"] == "pairs",
            begins=record.get("start", ""),
            first_key=record.get("first_key", ""),
            separator=record.get("separator", ","),
            equals=record.get("equals", "="),
            line_end=record.get("line_end", "\r\n"),
            spaced=record.get("ends", "line") == "blank-line",
            led=record.get("ends", "line") == "check",
            tag=record.get("tag", ""),
            width=record.get("fields", max(places, default=0) + 1),
            kind=check["kind"],
            mark=check.get("mark", ""),
            notation=check.get("notation", "hex"),
            whole=check.get("covers", "inside") == "whole",
            low_first=check.get("bytes") == "low-first",
            zero_sum=check.get("zero_sum", False),
        )

    def write(self, values: Mapping[str, float | None]) -> bytes:
        """Write one record, with all that ends it."""
        texts: dict[str | int, str] = {0: self.tag} if self.tag else {}
        for name, (place, scale, offset, missing) in self.points.items():
            texts[place] = _number(values.get(name), scale, offset, missing)
        many_lines = self.pairs and (self.spaced or self.led or bool(self.first_key))
        if self.pairs:
            parts = [f"{key}{self.equals}{text}" for key, text in texts.items()]
            body = (self.line_end if many_lines else self.separator).join(parts)
            joint = self.line_end if many_lines else ("" if self.mark.startswith(self.separator) else self.separator)
        else:
            body = self.separator.join(texts.get(n, "0") for n in range(self.width))
            joint = ""
        record = (
            self.begins + (self.line_end if self.led else "") + body + (joint if self.kind != "none" else "")
        ).encode()
        record += self._sealing(record)
        return record + self.ending

    @property
    def ending(self) -> bytes:
        """What stands behind the check value."""
        return b"" if self.led else (self.line_end * (2 if self.spaced else 1)).encode()

    def _sealing(self, record: bytes) -> bytes:
        """The mark and the check value behind it."""
        if self.kind == "none":
            return b""
        covered = record + self.mark.encode() if self.whole else record[len(self.begins) :]
        number, width = _sum(self.kind, covered), 2 if self.kind == "crc16" else 1
        if self.zero_sum:
            number = (256 - number) % 256
        order = number.to_bytes(width, "little" if self.low_first else "big")
        written = {"byte": order, "decimal": str(number).encode()}.get(self.notation, order.hex().upper().encode())
        return self.mark.encode() + written


def _number(value: float | None, scale: float, offset: float, missing: str) -> str:
    return missing if value is None else f"{(value - offset) / scale:.6f}".rstrip("0").rstrip(".")


def _sum(kind: str, data: bytes) -> int:
    total = 0xFFFF if kind == "crc16" else 0
    for byte in data:
        if kind == "sum8":
            total = (total + byte) % 256
        else:
            total ^= byte
        if kind == "crc16":
            for _ in range(8):
                total = (total >> 1) ^ 0xA001 if total % 2 else total >> 1
    return total


class TextStream:
    """Talks on a `VirtualPort` by itself.

    Args:
        form: how records are written.
        every_s: the period.
        faults: asked before each record for the name of a fault, or None; see STREAM_FAULTS.
        seed: of what chance decides inside a fault.
    """

    def __init__(
        self,
        form: TextForm,
        *,
        every_s: float = 1.0,
        faults: Callable[[], str | None] = lambda: None,
        seed: int = 1,
    ) -> None:
        self.form = form
        self.every_s = every_s
        self.faults = faults
        self.said: deque[tuple[float, Mapping[str, float | None], str | None]] = deque(maxlen=SAID_MOST)
        self._chance = Random(f"{seed}:text")
        self._values: Mapping[str, float | None] = {}
        self._lock = Lock()
        self._next_s: float | None = None
        self._kept: list[bytes] = []
        self._keeping = 0

    def show(self, values: Mapping[str, float | None], at_s: float) -> None:
        """Take new values, by quantity; None or absent is missing."""
        with self._lock:
            self._values = dict(values)
            if self._next_s is None:
                self._next_s = at_s

    # --- what a port asks of whoever speaks on it

    def hear(self, data: bytes, now_s: float) -> Sequence[Outgoing]:
        """Hear nothing: it only talks."""
        return ()

    def next_s(self) -> float | None:
        """When the next record is due."""
        return self._next_s

    def tick(self, now_s: float) -> Sequence[Outgoing]:
        """Say the record that is due."""
        with self._lock:
            values = self._values
            due_s = now_s if self._next_s is None else self._next_s
            self._next_s = max(due_s + self.every_s, now_s)
        record = self.form.write(values)
        if self._keeping:
            return self._keep(record, values, now_s)
        fault = self.faults()
        if fault == "burst":
            self._keeping = BURST_PERIODS
            return self._keep(record, values, now_s)
        self.said.append((now_s, values, fault))
        return [Outgoing(now_s + wait_s, data) for wait_s, data in self._spoiled(record, values, fault)]

    def lost(self) -> None:
        """The port is gone; the instrument talks on, and nobody hears it."""

    # --- inside

    def _keep(self, record: bytes, values: Mapping[str, float | None], now_s: float) -> Sequence[Outgoing]:
        self._kept.append(record)
        self._keeping -= 1
        self.said.append((now_s, values, None if self._keeping == 0 else "burst"))
        if self._keeping:
            return ()
        sent, self._kept = b"".join(self._kept), []
        return [Outgoing(now_s, sent)]

    def _spoiled(
        self, record: bytes, values: Mapping[str, float | None], fault: str | None
    ) -> list[tuple[float, bytes]]:
        chance = self._chance
        if fault == "silent":
            return []
        if fault == "cut":
            return [(0.0, record[: chance.randrange(1, len(record) - len(self.form.ending) - 2)])]
        if fault == "glued":
            return [(0.0, record.removesuffix(self.form.ending) + record)]
        if fault == "bad-sum":
            place = chance.randrange(len(self.form.begins), len(record) - len(self.form.ending))
            return [(0.0, record[:place] + bytes((record[place] ^ 1 << chance.randrange(7),)) + record[place + 1 :])]
        if fault == "junk":
            return [(0.0, chance.randbytes(chance.randint(1, 40)) + record)]
        if fault == "nul":
            place = chance.randrange(1, len(record) - len(self.form.ending))
            return [(0.0, record[:place] + bytes(chance.choice((1, 2, 4))) + record[place:])]
        if fault == "halted":
            return [(0.0, record[: len(record) // 2]), (HALT_S, record[len(record) // 2 :])]
        if fault == "impossible":
            return [(0.0, self.form.write({**values, next(iter(self.form.points)): 9999.0}))]
        return [(0.0, record)]
