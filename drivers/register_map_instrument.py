"""One instrument that is asked by a register map: its turns, and its proofs that it answers in step."""

from collections.abc import Callable, Sequence

from drivers.decoders.register_map import decode, raw_of
from drivers.decoders.register_plans import PollPlan, Request
from drivers.errors import Garbled, Refused
from drivers.register_maps import RegisterMap
from drivers.transports.modbus_line import ModbusLine
from shared.readings import Reading
from shared.site import Instrument

IDENTITY_EVERY_POLLS = 60
USUAL_ANSWER_S = 0.05  # what an instrument takes to answer when all is well; library measurements took 20 and 50 ms
TRIPLE_ENDS_MOST = 3
REFUSALS_BELIEVED = 2
LASTING_REFUSALS = (1, 2, 3)  # illegal function, address, value: asking again will not help


class RegisterMapInstrument:
    """Polls one instrument over a line that others may share.

    Attributes:
        name, every_s: as in the site file.
        worst_cost_s: how long a turn may keep the line, for the schedule: either it is answered as
            usual, proof included, or its first question is not, and then the line is kept quiet.
    """

    def __init__(self, instrument: Instrument, register_map: RegisterMap, plan: PollPlan, line: ModbusLine) -> None:
        self.name = instrument.name
        self.every_s = instrument.every_s
        self.plan = plan
        self._map = register_map
        self._line = line
        self._turn = -1
        self._proofs_begun = 0
        self._polls_since_proof = 0
        self._last_shape: tuple[int, int, int] | None = None
        self._answered: set[Request] = set()  # as many as the plan has requests, like the next
        self._refusals: dict[Request, int] = {}
        requests = [request for turn in plan.turns for request in turn] + list(plan.proofs)
        longest = max(plan.turns, key=len)
        usual_s = sum(line.transfer_s(r) + USUAL_ANSWER_S for r in (*longest, *plan.proofs[:2]))
        self.worst_cost_s = max(usual_s, max(line.cost_s(request) for request in requests))

    async def poll(self, clock: Callable[[], float]) -> Reading:
        """Ask for all points once.

        Args:
            clock: not read here: the line stamps the moment the answer was complete on its own clock,
                which is the same one.
        Returns: the reading; quantities whose registers were refused are suspect in it.
        Raises: Silent, Garbled, Refused (everything was refused), LineDown. No part of a poll that
            failed is used.
        """
        turn = self._next_turn()
        self._polls_since_proof += 1
        overdue = self.plan.identity is not None and self._polls_since_proof >= IDENTITY_EVERY_POLLS
        if self._line.doubts(self.plan.unit) or overdue:
            await self._prove(turn)
        answers, refused = await self._ask_all(turn)
        if self._line.doubts(self.plan.unit):
            why = "something came during the poll that nobody had asked for"
            raise Garbled(self._line.name, self.plan.unit, why)
        if refused is not None:
            self._line.doubt(self.plan.unit)  # an exception reply fits any count
            if all(answer is None for answer in answers):
                raise refused
        return decode(self.name, self._map, turn, answers, self._line.answered_s)

    async def _ask_all(self, turn: Sequence[Request]) -> tuple[list[tuple[int, ...] | None], Refused | None]:
        answers: list[tuple[int, ...] | None] = []
        refused = None
        for request in turn:
            try:
                answers.append(await self._ask(request))
            except Refused as why:
                refused = why
                answers.append(None)
        return answers, refused

    async def _ask(self, request: Request) -> tuple[int, ...]:
        self._last_shape = request.shape
        try:
            registers = await self._line.ask(request)
        except Refused as why:
            if why.code in LASTING_REFUSALS and request not in self._answered:
                self._refusals[request] = self._refusals.get(request, 0) + 1
            raise
        self._answered.add(request)
        return registers

    def _is_refused(self, request: Request) -> bool:
        """Whether the instrument never gives this: some give a block only whole, some lack a block of the map.

        A single refusal is not believed, and none after the request was answered once: an exception
        reply may be as late or stray as any other, and giving up requests makes answers look alike.
        """
        return request not in self._answered and self._refusals.get(request, 0) >= REFUSALS_BELIEVED

    def _next_turn(self) -> tuple[Request, ...]:
        given = [turn for turn in self.plan.turns if not any(map(self._is_refused, turn))] or self.plan.turns
        self._turn += 1
        return given[self._turn % len(given)]

    # -- proofs --------------------------------------------------------------------------------

    async def _prove(self, following: Sequence[Request]) -> None:
        """Short reads in a row, two or three, each answered in its own shape: then the unit is in step."""
        unit = self.plan.unit
        self._line.doubt(unit)
        self._proofs_begun += 1
        strays: int | None = None
        for request in self._choose_proofs(following):
            registers = await self._ask(request)
            if strays is not None and self._line.strays != strays:
                raise Garbled(self._line.name, unit, "something came between two questions that nobody had asked for")
            strays = self._line.strays  # what came before the first question was sent says nothing about it
            if request == self.plan.identity:
                self._check_identity(registers)
        self._line.trust(unit)
        self._polls_since_proof = 0

    def _choose_proofs(self, following: Sequence[Request]) -> tuple[Request, ...]:
        """The pair for this time: rotating, the identity among them, and no shape twice in a row."""
        wholes = tuple(request for turn in self.plan.turns for request in turn)
        every = list(dict.fromkeys([*self.plan.proofs, *wholes]))
        known = [request for request in every if not self._is_refused(request)] or every
        shift = self._proofs_begun % len(known)
        known = known[shift:] + known[:shift]
        pairs = [(a, b) for a in known for b in known if a.shape != b.shape]
        # With two shapes in all, whether two or three reads fit between depends on what was asked last.
        triples = [(*pair, c) for pair in pairs for c in known[:TRIPLE_ENDS_MOST] if c.shape != pair[1].shape]
        if not pairs:
            return (known[0],)
        choices: list[tuple[Request, ...]] = [*pairs, *triples]
        return min(choices, key=lambda chosen: self._drawbacks(chosen, following))

    def _drawbacks(self, chosen: tuple[Request, ...], following: Sequence[Request]) -> tuple[int, bool, int, int, int]:
        repeats = (chosen[0].shape == self._last_shape) + (chosen[-1].shape == following[0].shape)
        identity = self.plan.identity
        lacks_identity = identity is not None and identity not in chosen
        wholes = sum(request not in self.plan.proofs for request in chosen)
        shapes = {request.shape for request in following}
        again = sum(request.shape in shapes for request in chosen)  # a copy of the proof could fit there
        return repeats, lacks_identity, len(chosen), again, wholes

    def _check_identity(self, registers: Sequence[int]) -> None:
        known = self._map.identity
        assert known is not None
        found = raw_of(registers, known.type, known.words)
        if found != known.raw:
            why = (
                f"its identity is {found} (0x{found:X}), the map says {known.raw} (0x{known.raw:X}): "
                "another kind of instrument has this unit number, or the map is not its own"
            )
            raise Garbled(self._line.name, self.plan.unit, why)
