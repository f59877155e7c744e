"""What exists: every driver is a row, and the service, the checks and the tests walk the rows.

How the service uses a row. An instrument names its driver; the row's `style` says who talks first:

- "asked": the line's task asks. `make_line` gets the line, all of its instruments and their maps, and
  hands back the link (connect, close, is_up) and one poller for each instrument, each with `name`,
  `every_s`, `worst_cost_s` and `async poll(clock) -> Reading`, which raises `DriverError`s. The task
  connects, polls what is due, and connects again after a `LineDown`.
- "listened": the instruments talk by themselves. `make_listened` gives a link that has
  `async hear(within_s) -> bytes` as well, and instruments with `feed(data, now_s)`, which gives
  readings and faults, and `reset()`.

All instruments of a line are served by one link, because a serial port has one owner. What a row needs
is imported when it is used: the check of a site file must not bring the Modbus client along.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Protocol

from shared.site import Instrument, Line

if TYPE_CHECKING:
    from drivers.register_map_instrument import RegisterMapInstrument
    from drivers.register_maps import RegisterMap
    from drivers.text_instrument import TextInstrument
    from drivers.text_maps import TextMap
    from drivers.transports.modbus_line import ModbusLine
    from drivers.transports.serial_stream import SerialStream

    Asked = tuple[ModbusLine, tuple[RegisterMapInstrument, ...]]
    Listened = tuple[SerialStream, tuple[TextInstrument, ...]]

Clock = Callable[[], float]


class MapPoint(Protocol):
    """One quantity of a map."""

    @property
    def quantity(self) -> str:
        """Its name in `shared.quantities`."""


class InstrumentMap(Protocol):
    """What the map of any driver tells."""

    @property
    def points(self) -> Sequence[MapPoint]:
        """What stands where, in the order of the file."""

    @property
    def gives(self) -> tuple[str, ...]:
        """The quantities, in the order of the file."""


@dataclass(frozen=True, slots=True)
class DriverSpec:
    """One driver.

    Attributes:
        style: "asked" or "listened"; who talks first.
        lines: kinds of line it works on: "serial", "tcp".
        needs: keys an instrument with this driver must have.
        has_no: keys that mean nothing to it.
        load_map: turns the text of a map file into a map; takes the file's name for messages, raises MapError.
    """

    style: str
    lines: tuple[str, ...]
    needs: tuple[str, ...]
    has_no: tuple[str, ...]
    load_map: Callable[[str, str], InstrumentMap]


def _load_register_map(text: str, source: str) -> "RegisterMap":
    from drivers.register_maps import load_register_map

    return load_register_map(text, source)


def _load_text_map(text: str, source: str) -> "TextMap":
    from drivers.text_maps import load_text_map

    return load_text_map(text, source)


DRIVERS: Mapping[str, DriverSpec] = MappingProxyType(
    {
        "register-map": DriverSpec("asked", ("serial", "tcp"), ("unit", "map"), (), _load_register_map),
        "text-lines": DriverSpec("listened", ("serial",), ("map",), ("unit",), _load_text_map),
    }
)


def driver_of(line: Line, instruments: Sequence[Instrument]) -> DriverSpec:
    """Tell the one driver of a line's instruments.

    Raises: ValueError: an unknown driver, or drivers that can't share a line.
    """
    names = {row.driver for row in instruments}
    if len(names) != 1:
        raise ValueError(f"line {line.name} needs one driver for all its instruments, not {sorted(names)}")
    name = names.pop()
    if name not in DRIVERS:
        raise ValueError(f"line {line.name}: no driver {name}, there are {', '.join(DRIVERS)}")
    return DRIVERS[name]


def make_line(
    line: Line, instruments: Sequence[Instrument], maps: Mapping[str, InstrumentMap], *, clock: Clock
) -> "Asked":
    """Make the link of a line that is asked, and the pollers of its instruments.

    Args:
        line: the line of the site.
        instruments: all instruments on it, at least one.
        maps: the map of each instrument, by the instrument's name.
        clock: seconds since boot.
    Raises: ValueError: a driver that is not asked, drivers that can't share a line, two instruments of one unit.
    """
    from drivers.decoders.register_plans import plan_requests
    from drivers.register_map_instrument import RegisterMapInstrument
    from drivers.register_maps import RegisterMap
    from drivers.transports.modbus_line import ModbusLine

    if driver_of(line, instruments).style != "asked":
        raise ValueError(f"line {line.name} is listened to, not asked")
    found: dict[str, RegisterMap] = {}
    for row in instruments:
        one = maps[row.name]
        assert isinstance(one, RegisterMap), "loaded by this driver"
        found[row.name] = one
    plans = plan_requests({row.name: (_unit(row), found[row.name]) for row in instruments})
    link = ModbusLine(line, monotonic=clock)
    return link, tuple(RegisterMapInstrument(row, found[row.name], plans[row.name], link) for row in instruments)


def make_listened(
    line: Line, instruments: Sequence[Instrument], maps: Mapping[str, InstrumentMap], *, clock: Clock
) -> "Listened":
    """Make the link of a line that is listened to, and its instruments; see `make_line`.

    Raises: ValueError: a driver that is not listened to, or drivers that can't share a line.
    """
    from drivers.text_instrument import TextInstrument
    from drivers.text_maps import TextMap
    from drivers.transports.serial_stream import SerialStream

    if driver_of(line, instruments).style != "listened":
        raise ValueError(f"line {line.name} is asked, not listened to")
    talkers: list[TextInstrument] = []
    for row in instruments:
        one = maps[row.name]
        assert isinstance(one, TextMap), "loaded by this driver"
        talkers.append(TextInstrument(row, one))
    return SerialStream(line, monotonic=clock), tuple(talkers)


def _unit(instrument: Instrument) -> int:
    if instrument.unit is None:
        raise ValueError(f"instrument {instrument.name} has no unit number")
    return instrument.unit
