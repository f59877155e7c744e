"""How much of a paced line's time the driver can use, and what a poll costs in CPU; by hand.

    python tests/bench/line_use.py [--seconds 10]

The slave paces request and answer as an 8N1 line of that speed would and answers at once. The limit
is what the standard's gaps and the bytes themselves leave: one poll of 20 registers takes 62.5 ms at
9600 and 31.2 ms at 19200. Eight units are asked for
19, 20 and 21 registers in turn, so that no shape has to rest.
"""

import argparse
import asyncio
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from drivers.decoders.register_plans import Request  # noqa: E402
from drivers.transports.modbus_line import ModbusLine  # noqa: E402
from servers.faulty_polls import changing  # noqa: E402
from servers.rtu_slave import RtuSlave  # noqa: E402
from shared.site import Line  # noqa: E402

UNITS = tuple(range(1, 9))


async def measure(baud: int, seconds: float) -> None:
    """Ask for 20 registers as fast as the line goes, and print a row."""
    with RtuSlave(changing, units=UNITS, baud=baud) as slave:
        line = ModbusLine(Line("bench", port=slave.path, baud=baud))
        await line.connect()
        await line.ask(Request(1, "input", 0, 1))
        began_s, cpu_s, polls = time.monotonic(), time.thread_time(), 0
        while time.monotonic() - began_s < seconds:
            await line.ask(Request(UNITS[polls % len(UNITS)], "input", 0, 19 + polls % 3))
            polls += 1
        rate = polls / (time.monotonic() - began_s)
        cpu_ms = (time.thread_time() - cpu_s) / polls * 1000
        limit = 1 / line.transfer_s(Request(1, "input", 0, 20))
        print(f"{baud:>6} Bd  {rate:6.2f} polls/s of {limit:6.2f}  {rate / limit:5.0%}  {cpu_ms:.2f} ms CPU a poll")
        await line.close()


def main() -> None:
    """Measure both speeds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=10.0)
    seconds = parser.parse_args().seconds
    for baud in (9600, 19200):
        asyncio.run(measure(baud, seconds))


if __name__ == "__main__":
    main()
