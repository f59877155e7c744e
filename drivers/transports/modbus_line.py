"""One line with Modbus instruments on it, serial or TCP, through pymodbus; it only ever reads.

An RTU answer does not say which question it belongs to: it has a unit, a function, a count of
registers and a checksum, and no number. An answer that comes late, twice or one question behind is
therefore a perfectly good frame with the wrong values in it, and the client library would hand it
over. What keeps such an answer from becoming a reading:

1. Nothing is retried. After a failure nothing is sent for `slowest_s`, which is longer than the
   slowest instrument takes, so a late answer comes while nobody waits for one, and is dropped.
2. The frame is checked here before the library sees it: unit, function, exactly the count that was
   asked, checksum, at most three stray bytes around it (`decoders.rtu_answers`). The library itself
   checks neither function nor count. Every byte since the request is looked at, so a stale frame
   with the right one behind it is not taken for a good answer either.
3. After an answer the line must stay quiet for the gap the standard asks for anyway. Whatever else
   comes in that gap, or before the next request, was not asked for: the answer is refused, or, when
   it was handed over already, the units in question are doubted.
4. The same unit, function and count are not asked again within `slowest_s` of their last answer. A
   second copy that comes up to that long after the first then finds another question waiting, and
   does not fit it. At usual periods this costs no time, because the plan gives successive requests
   of a unit different counts (`decoders.register_plans`).
5. An instrument that answers every question with the answer to the one before is in no hurry: it
   may do so for hours, at any delay. It is caught by 4's different counts, and it can't get back
   into trust: a unit is doubted from the start, after each failure and after each byte that was not
   asked for, and its readings count again only after two short reads of different shapes in a row
   have each been answered in their own shape (`register_map_instrument`). Those shapes rotate, so
   that an old answer to an earlier proof does not fit either.
6. Where the map names an identity, it is one of the two reads, and is repeated from time to time.

What is left: an instrument that gives old values under new questions by itself, which no line can
tell; and a unit with one single readable register and no identity, where counts can't differ and
1, 3 and 4 stand alone.

Over TCP with Modbus/TCP frames a number says which question an answer belongs to, and late ones are
passed over by it. All of the above is kept there too, because a gateway may put the late answer of a
serial instrument under the number of the next question. A connection on which nothing at all is heard
any more is opened anew: TCP itself may take a quarter of an hour to notice.

Reconnecting is the caller's: the library's own is switched off, `connect()` opens the path anew each
time, so a port that comes back under another number is found by its stable link.
"""

import asyncio
import logging
import termios
import time
from collections.abc import Callable
from typing import NoReturn

from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from drivers.decoders.register_plans import Request
from drivers.decoders.rtu_answers import REPLY_FRAME_BYTES, REQUEST_SIZE
from drivers.errors import DriverError, ExchangeError, Garbled, LineDown, Refused, Silent
from drivers.transports.modbus_paths import Client, path_of
from shared.site import Line

READ_FUNCTIONS = (3, 4)
NEVER_QUIET_S = 5.0  # a line that never falls silent for one gap is given up for this turn
HUNG_ASKS = 3  # so many questions in a row on which nothing at all was heard,
HUNG_S = 4.0  # and nothing for so long: the connection is dead


class ModbusLine:
    """Asks the instruments of one line, one question at a time.

    Attributes:
        is_up: the port is open.
        answered_s: when the last answer was complete, on the clock given.
        strays: how often something came that nobody had asked for.
    """

    def __init__(self, line: Line, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)  # each failure is told once, by the cycle
        self.name = line.name
        self.is_up = False
        self.answered_s = 0.0
        self.strays = 0
        self._line = line
        self._path = path_of(line)
        self._framing = self._path.framing
        self._monotonic = monotonic
        self._unheard = 0  # questions since anything was heard
        self._up_s = 0.0
        self._client: Client | None = None
        self._one_at_a_time = asyncio.Lock()
        self._patience: asyncio.Timeout | None = None
        self._wanted: Request | None = None  # the question that is open
        self._sent = b""
        self._heard = b""  # all that came since the question
        self._stray = b""  # what came while no question was open
        self._asked_s = self._heard_s = -1e9
        self._quiet_until_s = -1e9
        self._used_s: dict[tuple[int, int, int], float] = {}  # by shape, last asked or answered; as many as planned
        self._trusted: set[int] = set()

    # -- the port ------------------------------------------------------------------------------

    async def connect(self) -> None:
        """Open the port, also after a loss.

        Raises: LineDown: it is missing, busy, forbidden or can't be set up.
        """
        await self.close()
        client = self._path.client(self._passing, self._connection_changed)
        try:
            async with asyncio.timeout(self._path.connect_s):
                opened = await client.connect()
        except TimeoutError:
            opened = False
        except (OSError, ValueError, termios.error) as error:
            raise LineDown(self.name, self._path.place, f"can't be set up: {error}") from error
        if not opened:
            client.close()
            raise LineDown(self.name, self._path.place, await self._path.trouble())
        self._client = client
        self.is_up = True
        self._trusted.clear()
        self._stray = b""
        self._unheard, self._up_s = 0, self._monotonic()
        # Somebody may have asked just before: the answer must not meet our first question.
        self._quiet_until_s = self._monotonic() + self._line.slowest_s

    async def close(self) -> None:
        """Give the port back; harmless when it is not open."""
        client, self._client = self._client, None
        self.is_up = False
        if client is not None:
            client.close()

    def _connection_changed(self, connected: bool) -> None:
        if connected:
            return
        self.is_up = False
        if self._patience is not None:
            self._patience.reschedule(asyncio.get_running_loop().time())  # no use in waiting on

    # -- trust ---------------------------------------------------------------------------------

    def doubts(self, unit: int) -> bool:
        """Whether the unit must prove that it answers in step before its answers may be used."""
        self._weigh_strays()
        return unit not in self._trusted

    def doubt(self, unit: int) -> None:
        """Ask for a new proof before the unit's answers are used again."""
        self._trusted.discard(unit)

    def trust(self, unit: int) -> None:
        """The unit has proved that it answers in step."""
        self._trusted.add(unit)

    # -- asking --------------------------------------------------------------------------------

    async def ask(self, request: Request) -> tuple[int, ...]:
        """Ask once and wait for the answer; waits first as long as the line must stay quiet.

        Cancelling is safe: the next question waits until the answer can't come any more.
        Returns: the registers, exactly as many as were asked, 0 to 65535 each.
        Raises:
            Silent: nothing came in time. Refused: an exception reply.
            Garbled: something else came. LineDown: the port is closed or was lost.
        """
        async with self._one_at_a_time:
            await self._wait_for_quiet(request)
            try:
                pdu = await self._exchange(request)
            except TimeoutError:
                self._failed(request)
            except (ModbusException, OSError) as error:
                self._be_quiet()
                self._trusted.clear()
                if not self.is_up:
                    raise self._lost() from error
                raise Garbled(self.name, request.unit, str(error)) from error
            except BaseException:
                self._be_quiet()
                self.doubt(request.unit)
                raise
            finally:
                self._wanted = self._patience = None
            return await self._checked(request, pdu)

    async def _exchange(self, request: Request) -> ModbusPDU:
        client = self._client
        if client is None or not self.is_up:
            raise self._lost()
        self._heard = b""
        self._wanted = request
        self._asked_s = self._used_s[request.shape] = self._monotonic()
        read = client.read_holding_registers if request.function == READ_FUNCTIONS[0] else client.read_input_registers
        async with asyncio.timeout(self.patience_s(request)) as self._patience:
            return await read(request.address, count=request.count, device_id=request.unit)

    async def _checked(self, request: Request, pdu: ModbusPDU) -> tuple[int, ...]:
        """Let the gap after the answer pass: it belongs to the exchange, and what comes in it tells."""
        try:
            await asyncio.sleep(max(0.0, self._heard_s + self._path.gap_s - self._monotonic()))
        except asyncio.CancelledError:
            self._be_quiet()
            self.doubt(request.unit)
            raise
        took_s = self.answered_s - self._asked_s
        if took_s > self.patience_s(request):
            # The time-out and the answer were found at once, and asyncio lets the answer win. How old it is
            # nobody knows: a board that stood still for a minute would stamp it with the end of that minute.
            raise self._disorder(request.unit, f"answer found {took_s:.2f} s after its question, too late to be used")
        if len(self._stray) > self._framing.noise_most:
            raise self._disorder(request.unit, "more came after the answer: it can't be told which one is right")
        if pdu.isError():
            raise Refused(self.name, request.unit, pdu.exception_code)
        registers = tuple(pdu.registers)
        if (pdu.dev_id, pdu.function_code, len(registers)) != request.shape:
            raise self._disorder(request.unit, "the library made something else of the answer")
        return registers

    async def _wait_for_quiet(self, request: Request) -> None:
        """Wait until a question may be sent, and until all bytes that came by then have been seen."""
        give_up_s = self._monotonic() + self._line.slowest_s * 2 + NEVER_QUIET_S
        while True:
            # Two turns of the loop let the port's reader run: what lies there is older than the question.
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            if not self.is_up:
                raise self._lost()
            free_s = self._used_s.get(request.shape, -1e9) + self._line.slowest_s
            now_s = self._monotonic()
            wait_s = max(self._quiet_until_s, self._heard_s + self._path.gap_s, free_s) - now_s
            if wait_s <= 0.0:
                break
            if now_s > give_up_s:
                raise self._disorder(request.unit, f"the line was never quiet in {NEVER_QUIET_S:g} s")
            await asyncio.sleep(wait_s)
        self._weigh_strays()

    def _weigh_strays(self) -> None:
        """Doubt the unit that spoke without being asked, or all, when it can't be told which."""
        stray, self._stray = self._stray, b""
        if len(stray) <= self._framing.noise_most:
            return
        self.strays += 1
        unit = self._framing.unit_of(stray)
        if unit is not None:
            self.doubt(unit)
        else:
            self._trusted.clear()

    def _failed(self, request: Request) -> NoReturn:
        if not self.is_up:
            raise self._lost()
        if not self._heard:
            self._be_quiet()
            self.doubt(request.unit)
            self._give_up_hung()
            raise Silent(self.name, request.unit, self.patience_s(request))
        raise self._disorder(request.unit, self._framing.explain(self._heard, request))

    def _disorder(self, unit: int, why: str) -> ExchangeError:
        """Something is on the line that can't be told whose it is: keep quiet, doubt everybody."""
        self._be_quiet()
        self._trusted.clear()
        self._stray = b""
        return Garbled(self.name, unit, why)

    def _be_quiet(self) -> None:
        self._quiet_until_s = self._monotonic() + self._line.slowest_s

    def _lost(self) -> DriverError:
        self._trusted.clear()
        return LineDown(self.name, self._path.place, "not open" if self._client is None else self._path.lost)

    def _give_up_hung(self) -> None:
        """Close a connection on which nothing is heard any more; raises LineDown then."""
        self._unheard += 1
        unheard_s = self._monotonic() - max(self._heard_s, self._up_s)
        if not self._path.hangs or self._unheard < HUNG_ASKS or unheard_s < HUNG_S:
            return
        client, self._client = self._client, None
        self.is_up = False
        self._trusted.clear()
        if client is not None:
            client.close()
        raise LineDown(self.name, self._path.place, f"hung: {self._unheard} questions and not a byte in answer")

    # -- the bytes -----------------------------------------------------------------------------

    def _passing(self, sending: bool, data: bytes) -> bytes:
        """See every packet the library sends or receives; what is returned is what it goes on with.

        A received packet is all that came since the last request, grown with each piece.
        """
        if sending:
            function = data[self._framing.function_at]
            if function not in READ_FUNCTIONS:
                raise AssertionError(f"halfmark only reads, and function {function} does not")
            self._sent = data
            self._framing.sent(data)
            return data
        self._heard_s = self._monotonic()
        self._unheard = 0
        request = self._wanted
        if request is None:
            self._stray = data
            return b""
        if self._line.echo:
            if self._sent.startswith(data):
                return b""
            data = data.removeprefix(self._sent)
        if len(data) < len(self._heard):  # the library's buffer ran over: what came first is not known any more
            self._wanted = None
            return b""
        self._heard = data
        answer = self._framing.find(data, request)
        if answer is None:
            return b""
        self._wanted = None
        self.answered_s = self._used_s[request.shape] = self._heard_s
        return answer

    # -- what it costs -------------------------------------------------------------------------

    def transfer_s(self, request: Request) -> float:
        """How long request and reply take on the wire, with their gaps."""
        characters = REQUEST_SIZE + REPLY_FRAME_BYTES + 2 * request.count
        return characters * self._path.character_s + 2 * self._path.gap_s

    def patience_s(self, request: Request) -> float:
        """How long the answer is waited for: the line's `reply_s` and the time on the wire."""
        return self._line.reply_s + self.transfer_s(request)

    def cost_s(self, request: Request) -> float:
        """The longest time one failed exchange keeps the line: the time-out and the quiet wait."""
        return self.patience_s(request) + self._line.slowest_s
