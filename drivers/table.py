"""What exists: every driver is a row, and the service, the checks and the tests walk the rows.

How the service uses a row. An instrument names its driver; the row's `style` says who talks first:

- "asked": the line's task asks. `make` gets the line, all of its instruments and their maps, and
  hands back the link (connect, close, is_up) and one poller for each instrument, each with `name`,
  `every_s`, `worst_cost_s` and `async poll(clock) -> Reading`, which raises `DriverError`s. The task
  connects, polls what is due, and connects again after a `LineDown`.

All instruments of a line are served by one link, because a serial port has one owner.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from drivers.decoders.register_plans import plan_requests
from drivers.register_map_instrument import RegisterMapInstrument
from drivers.register_maps import RegisterMap
from drivers.transports.modbus_line import ModbusLine
from shared.site import Instrument, Line

Made = tuple[ModbusLine, tuple[RegisterMapInstrument, ...]]
Clock = Callable[[], float]


@dataclass(frozen=True, slots=True)
class DriverSpec:
    """One driver.

    Attributes:
        style: "asked"; who talks first.
        lines: kinds of line it works on: "serial".
        needs: keys an instrument with this driver must have.
        make: makes the link and the pollers of one line.
    """

    style: str
    lines: tuple[str, ...]
    needs: tuple[str, ...]
    make: Callable[[Line, Sequence[Instrument], Mapping[str, RegisterMap], Clock], Made]


def _make_register_map(
    line: Line, instruments: Sequence[Instrument], maps: Mapping[str, RegisterMap], clock: Clock
) -> Made:
    units = {row.name: (_unit(row), maps[row.name]) for row in instruments}
    plans = plan_requests(units)
    link = ModbusLine(line, monotonic=clock)
    return link, tuple(RegisterMapInstrument(row, maps[row.name], plans[row.name], link) for row in instruments)


def _unit(instrument: Instrument) -> int:
    if instrument.unit is None:
        raise ValueError(f"instrument {instrument.name} has no unit number")
    return instrument.unit


DRIVERS: Mapping[str, DriverSpec] = MappingProxyType(
    {
        "register-map": DriverSpec("asked", ("serial",), ("unit", "map"), _make_register_map),
    }
)


def make_line(line: Line, instruments: Sequence[Instrument], maps: Mapping[str, RegisterMap], *, clock: Clock) -> Made:
    """Make the link of one line and the pollers of its instruments.

    Args:
        line: the line of the site.
        instruments: all instruments on it, at least one.
        maps: the register map of each instrument, by the instrument's name.
        clock: seconds since boot.
    Raises: ValueError: an unknown driver, drivers that can't share a line, two instruments of one unit.
    """
    names = {row.driver for row in instruments}
    if len(names) != 1:
        raise ValueError(f"line {line.name} needs one driver for all its instruments, not {sorted(names)}")
    name = names.pop()
    if name not in DRIVERS:
        raise ValueError(f"line {line.name}: no driver {name}, there are {', '.join(DRIVERS)}")
    return DRIVERS[name].make(line, instruments, maps, clock)
