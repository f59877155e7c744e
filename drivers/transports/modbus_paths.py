"""The ways to Modbus instruments: a serial port, or a TCP endpoint that speaks Modbus/TCP or RTU frames."""

import asyncio
import errno
import socket
from collections.abc import Callable
from typing import Protocol

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from drivers.decoders.register_plans import Request
from drivers.decoders.rtu_answers import RtuFraming
from drivers.decoders.tcp_answers import TcpFraming
from drivers.transports.port_trouble import port_trouble
from shared.site import Line

LIBRARY_TIMEOUT_S = 60.0  # only a backstop: the line's own, shorter limit always strikes first
FAST_BAUD = 19200  # above it the silent gap is fixed; MODBUS over Serial Line Guide V1.02, 2.5.1.1
FAST_GAP_S = 0.00175
GAP_CHARACTERS = 3.5
TCP_GAP_S = 0.01  # a frame may come in two packets, and a copy of it some milliseconds later
CONNECT_MOST_S = 3.0
TROUBLE_MOST_S = 1.0
PARITIES = {"none": "N", "even": "E", "odd": "O"}

Client = AsyncModbusSerialClient | AsyncModbusTcpClient
Passing = Callable[[bool, bytes], bytes]


class Framing(Protocol):
    """How questions and answers are told apart on a line."""

    noise_most: int
    function_at: int

    def sent(self, data: bytes) -> None:
        """A request went out."""

    def find(self, data: bytes, request: Request) -> bytes | None:
        """The frame that answers the request, or None."""

    def explain(self, data: bytes, request: Request) -> str:
        """What came instead of the answer, in words."""

    def unit_of(self, stray: bytes) -> int | None:
        """The unit that said what nobody asked for, or None."""


class ModbusPath(Protocol):
    """A way to instruments.

    Attributes:
        place: what the site file names.
        framing: how its frames are told apart.
        character_s, gap_s: time on the wire of a character, and the gap between frames.
        connect_s: how long connecting may take.
        hangs: whether it may go dead without a word, so that it must be opened anew.
        lost: what to say when it is lost.
    """

    place: str
    framing: Framing
    character_s: float
    gap_s: float
    connect_s: float
    hangs: bool
    lost: str

    def client(self, passing: Passing, changed: Callable[[bool], None]) -> Client:
        """Make a client of the library; nothing is opened yet."""

    async def trouble(self) -> str:
        """Why it can't be opened, and what to do."""


class SerialPath:
    """A serial port."""

    hangs = False
    connect_s = 5.0
    lost = "lost: unplugged, or the adapter lost power"

    def __init__(self, line: Line, port: str) -> None:
        self.place = port
        self.framing: Framing = RtuFraming()
        self.character_s = _character_s(line)
        self.gap_s = FAST_GAP_S if line.baud > FAST_BAUD else GAP_CHARACTERS * self.character_s
        self._line = line

    def client(self, passing: Passing, changed: Callable[[bool], None]) -> Client:
        """Make a client of the library; nothing is opened yet."""
        return AsyncModbusSerialClient(
            self.place,
            baudrate=self._line.baud,
            parity=PARITIES[self._line.parity],
            stopbits=self._line.stop_bits,
            reconnect_delay=0,  # 0 switches the library's own reconnecting off
            timeout=LIBRARY_TIMEOUT_S,
            retries=0,
            trace_packet=passing,
            trace_connect=changed,
        )

    async def trouble(self) -> str:
        """Why it can't be opened, and what to do."""
        return port_trouble(self.place)


class TcpPath:
    """A TCP endpoint: an instrument, or a gateway with serial instruments behind it.

    The serial line behind a gateway takes its time too; the line's `baud` is taken for its speed.
    """

    hangs = True
    connect_s = CONNECT_MOST_S
    lost = "closed by the other side"

    def __init__(self, line: Line, endpoint: str) -> None:
        host, _, port = endpoint.rpartition(":")
        self.place = endpoint
        self.framing: Framing = TcpFraming() if line.framing == "tcp" else RtuFraming()
        self.character_s = _character_s(line)
        self.gap_s = TCP_GAP_S
        self._host, self._port = host.strip("[]"), int(port)
        self._framer = FramerType.SOCKET if line.framing == "tcp" else FramerType.RTU

    def client(self, passing: Passing, changed: Callable[[bool], None]) -> Client:
        """Make a client of the library; nothing is opened yet."""
        return AsyncModbusTcpClient(
            self._host,
            port=self._port,
            framer=self._framer,
            reconnect_delay=0,
            timeout=LIBRARY_TIMEOUT_S,
            retries=0,
            trace_packet=passing,
            trace_connect=changed,
        )

    async def trouble(self) -> str:
        """Why it can't be opened: the library does not tell, so it is tried once more."""
        try:
            async with asyncio.timeout(TROUBLE_MOST_S):
                _, writer = await asyncio.open_connection(self._host, self._port)
        except TimeoutError:
            return "no answer: is it powered, and is this its address?"
        except ConnectionRefusedError:
            return "refused: is Modbus/TCP switched on there, and is this the port?"
        except socket.gaierror:
            return "no such host: write its address, or look after the name service"
        except PermissionError:
            return "forbidden: the service's unit must allow this address; run the installer again"
        except OSError as error:
            if error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
                return "no way there: look at this computer's network, and at the cable"
            return f"can't be opened: {error.strerror or error}"
        writer.close()
        return "opened only at the second try: it may serve one client at a time"


def path_of(line: Line) -> SerialPath | TcpPath:
    """The way to a line's instruments.

    Raises: ValueError: it has neither a serial port nor a TCP endpoint.
    """
    if line.port is not None:
        return SerialPath(line, line.port)
    if line.tcp is not None:
        return TcpPath(line, line.tcp)
    raise ValueError(f"line {line.name} has no serial port and no TCP endpoint")


def _character_s(line: Line) -> float:
    return (1 + 8 + (line.parity != "none") + line.stop_bits) / line.baud
