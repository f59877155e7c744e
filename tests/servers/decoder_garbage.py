"""Garbage for the decoders, and a judge of its own that says whether a record's checksum was right.

The judge shares no code with the decoder: it looks in the last bytes of the input for any stretch that
starts and ends as a record of the form does, and whose checksum, worked out here, is the one written.
"""

import random
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from drivers.decoders.register_map import decode
from drivers.decoders.register_plans import Request
from drivers.decoders.rtu_answers import explain, find_answer
from drivers.decoders.tcp_answers import TcpFraming
from drivers.decoders.text_lines import TextLinesDecoder
from drivers.register_maps import load_register_map
from drivers.text_maps import load_text_map
from drivers.virtual.text_stream import TextForm
from servers.faulty_polls import MAPS
from servers.text_forms import CHECKED, FORMS
from shared.readings import Reading

TEXT_ALPHABET = b"$*,;=:.-+0123456789ABCDEFabcdefUIVMT_ \t\r\nSHNCRSUM"
BUFFER_BYTES = 1200  # more than a decoder keeps


@dataclass
class GarbageTally:
    """What became of the inputs."""

    inputs: int = 0
    exceptions: int = 0
    readings: int = 0
    unfounded: int = 0  # readings from a record whose checksum is not right
    kinds: Counter[str] = field(default_factory=Counter)
    examples: list[str] = field(default_factory=list)


def run_garbage(seed: int, inputs: int) -> GarbageTally:
    """Feed the decoders with as many inputs, half of them text, half register answers."""
    chance, tally = random.Random(seed), GarbageTally()
    talkers = [_Talker(form) for form in CHECKED]
    framing = TcpFraming()
    for number in range(inputs):
        tally.inputs += 1
        try:
            if number % 2:
                chance.choice(talkers).take(chance, tally)
            else:
                _registers(chance, framing, tally)
        except Exception as why:  # what is counted is that there is none
            tally.exceptions += 1
            tally.examples.append(repr(why))
    return tally


class _Talker:
    """One text decoder, fed on and on."""

    def __init__(self, form: str) -> None:
        self.form = form
        self.decoder = TextLinesDecoder("x", load_text_map(FORMS[form], form))
        self.right = TextForm.parse(FORMS[form]).write(
            {"bank_v": 12.864, "bank_a": -0.412, "bank_c": 18.5, "bank_ah_counter": 1.0}
        )
        self.heard = b""
        self.now_s = 0.0

    def take(self, chance: random.Random, tally: GarbageTally) -> None:
        data = _garbage(chance, self.right)
        pause_s = chance.choice((0.0, 0.01, 1.0))
        self.now_s += pause_s
        if pause_s > 0.5:  # a decoder holds nothing over such a pause
            self.heard = b""
        self.heard = (self.heard + data)[-BUFFER_BYTES - len(data) :]
        for event in self.decoder.feed(data, self.now_s):
            tally.kinds[f"{self.form}: {type(event).__name__}"] += 1
            if isinstance(event, Reading):
                tally.readings += 1
                if not any(_values_match(event, body) for body in _checked(self.form, self.heard)):
                    tally.unfounded += 1
                    tally.examples.append(f"{self.form}: {event} from {self.heard!r}")


def _garbage(chance: random.Random, right: bytes) -> bytes:
    kind = chance.randrange(6)
    if kind == 0:
        return chance.randbytes(chance.randint(1, 80))
    if kind == 1:
        return bytes(chance.choices(TEXT_ALPHABET, k=chance.randint(1, 120)))
    data = bytearray(right)
    if kind == 2:  # cut and glued
        start, end = sorted(chance.sample(range(len(data) + 1), 2))
        return bytes(data[start:end])
    if kind == 3:  # swapped
        one, other = chance.sample(range(len(data)), 2)
        data[one], data[other] = data[other], data[one]
        return bytes(data)
    if kind == 4:
        place = chance.randrange(len(data))
        return bytes(data[:place]) + chance.choice((b"\0", b"\0\0", b"\xff", b"9", b"9" * 40)) + bytes(data[place:])
    for _ in range(chance.randint(1, 4)):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return bytes(data)


def _checked(form: str, heard: bytes) -> Iterator[bytes]:
    """The insides of every stretch in what was heard whose checksum is right, by the form's own rule."""
    if form == "sentence":
        for part in heard.split(b"$")[1:]:
            total = 0
            for place, byte in enumerate(part):
                if re.match(rb"\*%02X" % total, part[place : place + 3], re.IGNORECASE):
                    yield part[:place]
                total ^= byte
    elif form == "on-a-line":
        for found in re.finditer(rb"([^\n]*);S=([0-9]{1,5})(?=\n)", heard):
            if sum(found[1]) % 256 == int(found[2]):
                yield found[1]
    elif form == "blank-line":
        for found in re.finditer(rb"CRC: ([0-9A-Fa-f]{4})(?=\r\n)", heard):
            written = int(found[1], 16)
            for start in _line_starts(heard, found.start()):
                if _crc(heard[start : found.start() + 5]) == written:
                    yield heard[start : found.start()]
    else:
        start = 0
        for found in re.finditer(rb"(?s)SUM\t.", heard):
            if sum(heard[start : found.end()]) % 256 == 0:
                yield heard[start : found.start()]
            start = found.end()


def _line_starts(heard: bytes, before: int) -> Iterator[int]:
    yield 0
    for found in re.finditer(rb"\r\n", heard[:before]):
        yield found.end()


def _crc(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def _values_match(reading: Reading, body: bytes) -> bool:
    """Whether each value's digits stand in the record."""
    numbers = [float(found) for found in re.findall(rb"[+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?|[0-9]+\.", body)]
    return all(
        any(abs(value - number * scale) < 1e-6 * max(1.0, abs(value)) for number in numbers for scale in (1.0, 0.001))
        for value in reading.values.values()
    )


# -- registers -------------------------------------------------------------------------------------

_SHUNT = load_register_map(
    '[[point]]\nquantity = "bank_v"\ntable = "input"\naddress = 10\ntype = "u16"\nscale = 0.001\nmin = 5\nmax = 34\n'
    '[[point]]\nquantity = "bank_a"\ntable = "input"\naddress = 11\ntype = "f32"\nmin = -100\nmax = 100\n',
    "garbage",
)
_REQUEST = Request(3, "input", 10, 3)


def _registers(chance: random.Random, framing: TcpFraming, tally: GarbageTally) -> None:
    """An answer of bytes that may be anything, then one of registers that may be anything."""
    body = bytes((3, 4, 6)) + chance.randbytes(6)
    right = body + _crc(body).to_bytes(2, "little")
    data = _garbage(chance, right)
    found = find_answer(data, _REQUEST)
    if found is not None:
        tally.readings += 1
        tally.kinds["registers: answer"] += 1
        head = found[:3] == bytes((3, 4, 6)) or found[:2] == bytes((3, 0x84))
        if not head or _crc(found[:-2]) != int.from_bytes(found[-2:], "little") or found not in data:
            tally.unfounded += 1
            tally.examples.append(f"answer {found.hex()} from {data.hex()}")
    elif data:
        explain(data, _REQUEST)
    _over_tcp(chance, framing, body, tally)
    words = [chance.choice((0, 0xFFFF, 0x7FC0, 0x7F80, 0xFF80, chance.randrange(65536))) for _ in range(3)]
    for register_map, request in ((_SHUNT, _REQUEST), (MAPS[0], Request(1, "input", 10, 5))):
        answer = [*words, *words][: request.count]
        reading = decode("x", register_map, [request], [answer if chance.randrange(8) else None], 1.0)
        for point in register_map.points:
            value = reading.values.get(point.quantity)
            if value is not None and not point.least <= value <= point.most:
                tally.unfounded += 1
                tally.examples.append(f"{reading} from {words}")


def _over_tcp(chance: random.Random, framing: TcpFraming, body: bytes, tally: GarbageTally) -> None:
    number = chance.randbytes(2)
    framing.sent(number + b"\0\0\0\6\3\4\0\x0a\0\3")
    right = number + b"\0\0" + len(body).to_bytes(2, "big") + body
    data = _garbage(chance, right)
    found = framing.find(data, _REQUEST)
    if found is None:
        if data:
            framing.explain(data, _REQUEST)
        framing.unit_of(data)
        return
    tally.kinds["tcp: answer"] += 1
    if found[:4] != number + b"\0\0" or found[6] != 3 or found[7] not in (4, 0x84) or not data.endswith(found):
        tally.unfounded += 1
        tally.examples.append(f"answer {found.hex()} from {data.hex()}")
