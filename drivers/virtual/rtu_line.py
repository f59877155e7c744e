"""What a virtual RTU line says: hears requests, answers for its units, errs where its plan says so."""

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from random import Random

from drivers.virtual.faults import OF_VALUES, Fault, FaultPlan
from drivers.virtual.port import Outgoing
from drivers.virtual.register_tables import Place, TablePoint
from drivers.virtual.rtu_frames import (
    ILLEGAL_ADDRESS,
    ILLEGAL_FUNCTION,
    ILLEGAL_VALUE,
    MOST_REGISTERS,
    READ_HOLDING,
    READ_INPUT,
    HeardRequest,
    frame_size,
    heard_request,
    quiet_s,
    refusal,
    sealed,
    values_reply,
)
from drivers.virtual.rtu_units import RtuUnit

LOG_SIZE = 20_000  # exchanges remembered a line
_LEAST_QUIET_S = 0.005  # a pseudo-terminal's bytes may come apart by more than a wire's
_TABLES: Mapping[int, str] = {READ_HOLDING: "holding", READ_INPUT: "input"}


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request as it was heard, and what was made of it.

    Attributes:
        at_s: when it was heard.
        due_s: when the reply went out, whole; None without a reply.
        registers: what the reply carried (after a fault of values); None for a refusal or no reply.
        fault: the fault that struck, or None; `touched` is the quantity a fault of values changed.
        sent: the bytes, as sent.
    """

    at_s: float
    due_s: float | None
    request: HeardRequest
    registers: tuple[int, ...] | None
    fault: str | None
    touched: str | None
    sent: bytes


class RtuLine:
    """Several units that share a line; give it to a `VirtualPort`.

    Args:
        units: the devices, by their numbers.
        faults: which faults strike when; None for a line in good order.
        baud: replies come when a wire of this speed would have carried request and reply (8N1); None: at once.
        turnaround_s: how long a unit takes to answer.
        echo: hand each heard byte back first, as some adapters do.
        on_request: called in the port's thread before each request is answered, for instance to make values new.
    """

    def __init__(
        self,
        units: Iterable[RtuUnit],
        *,
        faults: FaultPlan | None = None,
        baud: int | None = None,
        turnaround_s: float = 0.0,
        echo: bool = False,
        on_request: Callable[[HeardRequest, float], None] | None = None,
    ) -> None:
        self.units = {unit.number: unit for unit in units}
        self.faults = faults
        self.echo = echo
        self.log: deque[Exchange] = deque(maxlen=LOG_SIZE)
        self.requests = 0
        self.writes = 0  # requests that were not reads: nothing here may ever send one
        self.spoiled = 0  # frames with a wrong CRC, or that never became whole
        self._baud = baud
        self._turnaround_s = turnaround_s
        self._on_request = on_request
        self._quiet_s = max(_LEAST_QUIET_S, quiet_s(baud or 19200))
        self._buffer = bytearray()
        self._heard_s = 0.0
        self._chance = Random("line")
        self._standing: dict[int, tuple[Fault, int]] = {}
        self._frozen: dict[int, Mapping[Place, int]] = {}
        self._held_back: dict[int, bytes] = {}

    # --- what a port asks of whoever speaks on it

    def hear(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Take bytes in pieces of any size; hand back what to send and when."""
        if self._buffer and now_s - self._heard_s > self._quiet_s:
            self._drop()
        self._heard_s = now_s
        self._buffer += data
        out = [Outgoing(now_s, data)] if self.echo else []
        while True:
            size = frame_size(self._buffer)
            if size is None or len(self._buffer) < size:
                return out
            request = heard_request(bytes(self._buffer[:size]))
            if request is None:  # nothing in it can be trusted until the line has been quiet
                self._drop()
                return out
            del self._buffer[:size]
            out += self._answer(request, now_s)

    def next_s(self) -> float | None:
        """When it wants `tick`; never: this line speaks only when asked."""
        return None

    def tick(self, now_s: float) -> list[Outgoing]:
        """Nothing to say unasked."""
        return []

    def lost(self) -> None:
        """The port is gone: forget half-heard bytes."""
        self._buffer.clear()

    # --- for tests

    def was(
        self, unit: int, table: str, address: int, count: int, since_s: float, until_s: float
    ) -> list[tuple[int, ...]]:
        """Tell what a block of a unit truly held between two instants (see `RtuUnit.was`)."""
        return self.units[unit].was(table, address, count, since_s, until_s)

    # --- inside

    def _drop(self) -> None:
        self.spoiled += 1
        self._buffer.clear()

    def _answer(self, request: HeardRequest, now_s: float) -> list[Outgoing]:
        self.requests += 1
        table = _TABLES.get(request.function)
        if table is None:
            self.writes += 1
        unit = self.units.get(request.unit)
        if unit is None:
            return []
        if self._on_request is not None:
            self._on_request(request, now_s)
        fault = self._fault_for(request.unit)
        kind = fault.kind if fault else None
        image, touched = self._values(unit, request, table, kind)
        registers, reply = _well_formed(unit, request, table, image)
        if touched is None and kind in OF_VALUES and kind != "frozen":
            fault = kind = None  # there was nothing in this block it could strike
        wanted_s = now_s + self._travel_s(len(reply))
        out, registers = self._spoil(reply, registers, request, fault, wanted_s)
        sent = b"".join(piece.data for piece in out)
        due_s = out[-1].at_s if out else None
        self.log.append(Exchange(now_s, due_s, request, registers if out else None, kind, touched, sent))
        return out

    def _travel_s(self, reply_size: int) -> float:
        wire_s = (8 + reply_size) * 10.0 / self._baud + 2.0 * quiet_s(self._baud) if self._baud else 0.0
        return wire_s + self._turnaround_s

    def _fault_for(self, number: int) -> Fault | None:
        """Go on with a fault that lasts, or ask the plan for a new one."""
        fault, left = self._standing.pop(number, (None, 0))
        if fault is None or left <= 0:
            self._frozen.pop(number, None)
            self._held_back.pop(number, None)
            fault = self.faults.next(number) if self.faults else None
            left = fault.lasts if fault else 0
        if fault is not None:
            self._standing[number] = (fault, left - 1)
        return fault

    def _values(
        self, unit: RtuUnit, request: HeardRequest, table: str | None, kind: str | None
    ) -> tuple[Mapping[Place, int], str | None]:
        """Give the image to answer from, and the quantity in it that a fault of values changed."""
        image = unit.image()
        if kind == "frozen":
            return self._frozen.setdefault(request.unit, image), None
        if table is None or kind not in OF_VALUES:
            return image, None
        points = unit.table.inside(table, request.address, request.count)
        could = [(point, words) for point in points if (words := _struck(point, kind)) is not None]
        if not could:
            return image, None
        point, words = self._chance.choice(could)
        return {**image, **dict(zip(point.places, words, strict=True))}, point.quantity

    def _spoil(
        self,
        reply: bytes,
        registers: tuple[int, ...] | None,
        request: HeardRequest,
        fault: Fault | None,
        at_s: float,
    ) -> tuple[list[Outgoing], tuple[int, ...] | None]:
        """Let a fault of the frame strike; gives what goes out and the registers it then carries."""
        kind = fault.kind if fault else None
        if fault is None or kind in OF_VALUES:
            return [Outgoing(at_s, reply)], registers
        if kind == "silent":
            return [], None
        if kind == "late":
            return [Outgoing(at_s + fault.delay_s, reply)], registers
        if kind == "one-late":
            before = self._held_back.get(request.unit)
            self._held_back[request.unit] = reply
            return ([Outgoing(at_s, before)] if before else []), None
        if kind == "exception":
            return [Outgoing(at_s, refusal(request.unit, request.function, fault.code))], None
        if kind == "duplicated":
            return [Outgoing(at_s, reply), Outgoing(at_s, reply)], registers
        if kind == "pause":
            half = len(reply) // 2
            return [Outgoing(at_s, reply[:half]), Outgoing(at_s + fault.delay_s, reply[half:])], registers
        return [Outgoing(at_s, _bent(reply, registers, kind or "", self._chance))], registers


def _well_formed(
    unit: RtuUnit, request: HeardRequest, table: str | None, image: Mapping[Place, int]
) -> tuple[tuple[int, ...] | None, bytes]:
    """Give the registers asked for and the reply a device in good order sends."""
    if table is None:
        return None, refusal(request.unit, request.function, ILLEGAL_FUNCTION)
    if not 1 <= request.count <= MOST_REGISTERS:
        return None, refusal(request.unit, request.function, ILLEGAL_VALUE)
    registers = unit.block(image, table, request.address, request.count)
    if registers is None:
        return None, refusal(request.unit, request.function, ILLEGAL_ADDRESS)
    return registers, values_reply(request.unit, request.function, registers)


def _struck(point: TablePoint, kind: str | None) -> tuple[int, ...] | None:
    if kind == "impossible":
        return point.impossible()
    if kind == "nan":
        return point.not_a_number()
    return point.words(None) if point.missing or point.type == "f32" else None


def _bent(reply: bytes, registers: Sequence[int] | None, kind: str, chance: Random) -> bytes:
    """Bend the bytes of a reply."""
    if kind == "bad-crc":
        place = chance.randrange(len(reply))
        return reply[:place] + bytes((reply[place] ^ 1 << chance.randrange(8),)) + reply[place + 1 :]
    if kind == "cut":
        return reply[: chance.randrange(1, len(reply))]
    if kind == "wrong-unit":
        return sealed(bytes((reply[0] % 247 + 1,)) + reply[1:-2])
    if kind == "wrong-function":
        return sealed(bytes((reply[0], reply[1] ^ 7)) + reply[2:-2])  # 3 <-> 4
    if kind == "noise":
        return chance.randbytes(chance.randint(1, 6)) + reply
    if kind == "noise-after":
        return reply + chance.randbytes(chance.randint(1, 6))
    if registers is None:  # a refusal has no registers to add or leave out
        return reply
    kept = list(registers[:-1]) if kind == "short" else [*registers, chance.randrange(0x10000)]
    return values_reply(reply[0], reply[1], kept)
