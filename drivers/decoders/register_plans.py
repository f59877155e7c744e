"""Which registers to ask for, in which requests: worked out once, when the service starts.

Neighbours are read in one request. Beyond that a plan must make answers tell themselves apart,
because an RTU answer carries no number that says which question it belongs to: only its unit, its
function and its count of registers. So two requests that follow each other at one unit never have
the same function and count, where the map leaves any way to arrange that. An answer that belongs to
the request before is then seen by its count. The ways, in the order of what they cost:

- blocks that differ anyway stay as they are;
- a block is read one register longer, where the map says that register is readable;
- every second poll reads the block in two parts, cut between two points, but never between a
  voltage and a current that belong together: resistance needs both of one instant;
- a short read goes between two requests that would look the same.

A unit of which only a single point can be read has none of these; its plan says `guarded=False`,
and an identity or a [[readable]] range in the map cures it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice, product

from drivers.register_maps import REQUEST_MOST, RegisterMap, RegisterPoint

FUNCTIONS: Mapping[str, int] = {"holding": 3, "input": 4}  # MODBUS Application Protocol V1.1b3, 6.3 and 6.4
PROOFS_MOST = 5
WAYS_MOST = 64  # ways to read one instrument that are compared
BLOCK_WAYS_MOST = 12
EXCHANGE_REGISTERS = 20  # what one more exchange costs, told in registers: gaps, request, time to answer
PARTED_PAIR_REGISTERS = 1000  # more than any other way costs


@dataclass(frozen=True, slots=True)
class Request:
    """One read: `count` registers of `table` from zero-based `address`, of the unit 1 to 247."""

    unit: int
    table: str
    address: int
    count: int

    @property
    def function(self) -> int:
        """3 for holding, 4 for input registers; nothing here ever writes."""
        return FUNCTIONS[self.table]

    @property
    def shape(self) -> tuple[int, int, int]:
        """All that an answer says about its question: unit, function, count."""
        return self.unit, self.function, self.count

    def covers(self, table: str, address: int, width: int) -> bool:
        """Whether the answer holds these registers whole."""
        return table == self.table and self.address <= address and address + width <= self.address + self.count


@dataclass(frozen=True, slots=True)
class PollPlan:
    """How one instrument is read.

    Attributes:
        unit: its unit number.
        turns: the requests of a poll; successive polls take the turns in rotation.
        proofs: short reads of different shapes that prove the unit answers in step.
        identity: the proof that reads the map's identity, if it has one.
        guarded: no two requests in a row have the same shape, so an answer one late shows itself.
    """

    unit: int
    turns: tuple[tuple[Request, ...], ...]
    proofs: tuple[Request, ...]
    identity: Request | None
    guarded: bool


@dataclass(frozen=True, slots=True)
class _Block:
    """Points read together, sorted by address; `parts` are runs of registers that are never cut."""

    table: str
    points: tuple[RegisterPoint, ...]
    parts: tuple[tuple[int, int], ...]  # (first, past the last)

    @property
    def first(self) -> int:
        return self.parts[0][0]

    @property
    def end(self) -> int:
        return self.parts[-1][1]


def plan_requests(instruments: Mapping[str, tuple[int, RegisterMap]]) -> dict[str, PollPlan]:
    """Plan every instrument of one line.

    Args:
        instruments: for each name the unit number and the map.
    Returns: a plan for each name. Units differ on a line, so shapes of two instruments never agree.
    Raises: ValueError: two instruments have the same unit number.
    """
    owners: dict[int, str] = {}
    for name, (unit, _) in instruments.items():
        if unit in owners:
            raise ValueError(f"instruments {owners[unit]} and {name} have the same unit {unit} on one line")
        owners[unit] = name
    return {name: _plan(unit, register_map) for name, (unit, register_map) in instruments.items()}


def _plan(unit: int, register_map: RegisterMap) -> PollPlan:
    blocks = _blocks(register_map)
    proofs, identity = _proofs(unit, register_map, blocks)
    ways = _ways(unit, register_map, blocks, proofs)
    first, second = min(
        ((a, b) for a in ways for b in ways),
        key=lambda pair: (_repeats(*pair), _cost(pair[0], blocks) + _cost(pair[1], blocks), pair[0] != pair[1]),
    )
    turns = (first,) if first == second else (first, second)
    return PollPlan(unit, turns, proofs, identity, guarded=_repeats(first, second) == 0)


def _blocks(register_map: RegisterMap) -> list[_Block]:
    """Merge neighbours: touching, or with a gap the map lets us read across, up to 125 registers."""
    blocks: list[_Block] = []
    for point in sorted(register_map.points, key=lambda p: (p.table, p.address)):
        part = (point.address, point.address + point.width)
        last = blocks[-1] if blocks else None
        if last is None or not _joins(register_map, last, point):
            blocks.append(_Block(point.table, (point,), (part,)))
        elif part == last.parts[-1]:
            blocks[-1] = _Block(last.table, (*last.points, point), last.parts)
        else:
            blocks[-1] = _Block(last.table, (*last.points, point), (*last.parts, part))
    return blocks


def _joins(register_map: RegisterMap, block: _Block, point: RegisterPoint) -> bool:
    if block.table != point.table or point.address + point.width - block.first > REQUEST_MOST:
        return False
    gap = range(block.end, point.address)
    return len(gap) <= register_map.bridge or all(_readable(register_map, block.table, a) for a in gap)


def _readable(register_map: RegisterMap, table: str, address: int) -> bool:
    return any(r.table == table and r.address <= address < r.address + r.count for r in register_map.readable)


def _proofs(
    unit: int, register_map: RegisterMap, blocks: Sequence[_Block]
) -> tuple[tuple[Request, ...], Request | None]:
    """The shortest reads of different shapes, the identity first; they never cut a point."""
    known = register_map.identity
    identity = Request(unit, known.table, known.address, known.width) if known else None
    runs = [
        Request(unit, block.table, block.parts[i][0], block.parts[j][1] - block.parts[i][0])
        for block in blocks
        for i in range(len(block.parts))
        for j in range(i, len(block.parts))
    ]
    spare = [
        Request(unit, r.table, r.address, count)
        for r in register_map.readable
        for count in range(1, min(r.count, 3) + 1)
    ]
    chosen: dict[tuple[int, int, int], Request] = {}
    if identity:
        chosen[identity.shape] = identity
    for request in sorted(runs + spare, key=lambda r: r.count):
        chosen.setdefault(request.shape, request)
    return tuple(chosen.values())[:PROOFS_MOST], identity


def _ways(
    unit: int, register_map: RegisterMap, blocks: Sequence[_Block], proofs: Sequence[Request]
) -> list[tuple[Request, ...]]:
    """Ways to read the whole instrument in one poll, the cheap ones first."""
    by_block = [list(islice(_block_ways(unit, register_map, block), BLOCK_WAYS_MOST)) for block in blocks]
    changed = max(range(len(blocks)), key=lambda i: len(by_block[i]))
    if len(blocks) > 3:  # too many to try all: only the block with most ways and its neighbours' plain ways vary
        by_block = [ways if i == changed else ways[:2] for i, ways in enumerate(by_block)]
    plain = [tuple(r for part in way for r in part) for way in islice(product(*by_block), 4 * WAYS_MOST)]
    plain.sort(key=lambda way: _cost(way, blocks))
    spaced = [_spaced(way, proofs) for way in plain[:BLOCK_WAYS_MOST]]
    return plain[: WAYS_MOST - len(spaced)] + spaced


def _spaced(way: Sequence[Request], proofs: Sequence[Request]) -> tuple[Request, ...]:
    """The same way with a short read of another shape wherever a shape would follow itself."""
    spaced: list[Request] = []
    before = way[-1].shape
    for request in way:
        if request.shape == before:
            spaced += [proof for proof in proofs if proof.shape != before][:1]
        spaced.append(request)
        before = request.shape
    return tuple(spaced)


def _block_ways(unit: int, register_map: RegisterMap, block: _Block) -> Iterator[tuple[Request, ...]]:
    whole = Request(unit, block.table, block.first, block.end - block.first)
    yield (whole,)
    if whole.count < REQUEST_MOST:
        if _readable(register_map, block.table, block.end):
            yield (Request(unit, block.table, block.first, whole.count + 1),)
        if block.first > 0 and _readable(register_map, block.table, block.first - 1):
            yield (Request(unit, block.table, block.first - 1, whole.count + 1),)
    for left, right in zip(block.parts, block.parts[1:], strict=False):
        yield (
            Request(unit, block.table, block.first, left[1] - block.first),
            Request(unit, block.table, right[0], block.end - right[0]),
        )


def _repeats(first: Sequence[Request], second: Sequence[Request]) -> int:
    """How often a shape follows itself when the two turns alternate for ever."""
    sequence = [*first, *second] if first != second else list(first)
    return sum(a.shape == b.shape for a, b in zip(sequence, sequence[1:] + sequence[:1], strict=True))


def _cost(way: Sequence[Request], blocks: Sequence[_Block]) -> int:
    parted = sum(_parts_a_pair(way, block.points) for block in blocks)
    return sum(EXCHANGE_REGISTERS + request.count for request in way) + PARTED_PAIR_REGISTERS * parted


def _parts_a_pair(way: Sequence[Request], points: Sequence[RegisterPoint]) -> bool:
    """Whether a voltage and a current of one place come by two requests; the last that covers a point counts."""
    where = {p.quantity: max(i for i, r in enumerate(way) if r.covers(p.table, p.address, p.width)) for p in points}
    return any(
        name.endswith("_v") and f"{name[:-2]}_a" in where and where[name] != where[f"{name[:-2]}_a"] for name in where
    )
