"""A serial port that is only listened to; nothing is ever written to it.

What an adapter kept while nobody listened is old, and would pass for new: at opening the port's buffer is
dropped, and then whatever comes without a pause, because an adapter hands over its own buffer only then.
"""

import asyncio
import os
import termios
import time
from collections.abc import Callable

import serial

from drivers.errors import LineDown
from drivers.transports.port_trouble import port_trouble
from shared.site import Line

READ_SIZE = 4096
STALE_MOST = 4096  # bytes; more than an adapter or a kernel buffer keeps
STALE_PAUSE_S = 0.05  # a pause this long is the end of what was kept
STALE_MOST_S = 1.0  # a line that never pauses is not waited for any longer
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialStream:
    """Listens on one serial port.

    Attributes:
        is_up: the port is open.
        stale: bytes dropped at the last opening.
    """

    def __init__(self, line: Line, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        if line.port is None:
            raise ValueError(f"line {line.name} has no serial port")
        self.name = line.name
        self.is_up = False
        self.stale = 0
        self._line = line
        self._port_path: str = line.port
        self._monotonic = monotonic
        self._port: serial.Serial | None = None
        self._readable = asyncio.Event()

    async def connect(self) -> None:
        """Open the port, also after a loss, and drop what it kept from before.

        Raises: LineDown: it is missing, busy, forbidden, can't be set up, or is lost at once.
        """
        await self.close()
        try:
            self._port = serial.Serial(
                self._port_path,
                self._line.baud,
                parity=PARITIES[self._line.parity],
                stopbits=self._line.stop_bits,
                timeout=0,
                exclusive=True,
            )
            _make_ends_tell(self._port.fileno())
        except (OSError, ValueError, termios.error) as error:  # a SerialException is an OSError
            self._give_back(watched=False)
            raise LineDown(self.name, self._port_path, port_trouble(self._port_path)) from error
        asyncio.get_running_loop().add_reader(self._port.fileno(), self._readable.set)
        self.is_up = True
        try:
            await self._drop_stale()
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        """Give the port back; harmless when it is not open."""
        self._give_back()

    def _give_back(self, *, watched: bool = True) -> None:
        port, self._port = self._port, None
        self.is_up = False
        if port is None:
            return
        if watched:
            asyncio.get_running_loop().remove_reader(port.fileno())
        port.close()

    async def hear(self, within_s: float) -> bytes:
        """Wait for bytes.

        Args:
            within_s: how long, s.
        Returns: all that lies there, up to READ_SIZE; empty when nothing came in time.
        Raises: LineDown: the port is not open or was lost.
        """
        if self._port is None:
            raise LineDown(self.name, self._port_path, "not open")
        try:
            async with asyncio.timeout(within_s):
                await self._readable.wait()
        except TimeoutError:
            return b""
        self._readable.clear()
        return self._read(self._port)

    def _read(self, port: serial.Serial) -> bytes:
        try:
            data = os.read(port.fileno(), READ_SIZE)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._give_back()
            raise LineDown(self.name, self._port_path, "lost: unplugged, or the adapter lost power")
        return data

    async def _drop_stale(self) -> None:
        assert self._port is not None
        self._readable.clear()
        self.stale = 0
        try:
            self._port.reset_input_buffer()
        except (OSError, termios.error) as error:
            raise LineDown(self.name, self._port_path, "lost while it was opened") from error
        until_s = self._monotonic() + STALE_MOST_S
        while self.stale < STALE_MOST and self._monotonic() < until_s:
            data = await self.hear(STALE_PAUSE_S)
            if not data:
                return
            self.stale += len(data)


def _make_ends_tell(handle: int) -> None:
    """Let a read without bytes wait (EAGAIN) instead of giving none, so that none means the port is gone."""
    settings = termios.tcgetattr(handle)
    settings[6][termios.VMIN] = 1
    termios.tcsetattr(handle, termios.TCSANOW, settings)
