"""Which instruments the daybook's figures come from, kept in the record so that a copy of it answers without its site.

A record of before has no such word in it: then what its channels are called is all there is to go by.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from attrs import frozen

from daemon.record import RecordReader
from shared.daybook import HEAT
from shared.station import ESTIMATOR, Station

STATE_NAME = "daybook"  # in the record's state table

Channel = tuple[str, str]  # instrument, quantity


@frozen
class DaybookSources:
    """Where the figures come from.

    Attributes:
        currents: instrument, quantity and sign of what makes up the bank's current.
        steady_a: a draw that nothing measures, A.
        volts: instruments that give the bank's voltage, preferred first.
        loads: instruments that give the loads' current; only all of them together tell that the loads are off.
        idle_a: what these loads draw at least, by the site file, A; 0 when it does not say.
        heat: thermometers.
    """

    currents: tuple[tuple[str, str, float], ...] = ()
    steady_a: float = 0.0
    volts: tuple[str, ...] = ()
    loads: tuple[str, ...] = ()
    idle_a: float = 0.0
    heat: tuple[Channel, ...] = ()

    @classmethod
    def of(cls, station: Station) -> "DaybookSources":
        """Take them from a site as configured."""
        plan, sources = station.plan, station.sources
        if plan.from_shunt is not None:
            currents: tuple[tuple[str, str, float], ...] = ((plan.from_shunt, "bank_a", 1.0),)
        else:
            currents = tuple((term.instrument, term.quantity, term.sign) for term in plan.charge_from + plan.load_from)
        return cls(
            currents,
            0.0 if plan.from_shunt is not None else plan.steady_a,
            tuple(sources.get("bank_v", ())),
            tuple(sources.get("load_a", ())),
            sum(load.idle_a for load in station.site.loads.values() if load.wired_to == "controller"),
            tuple((name, quantity) for quantity in HEAT for name in sources.get(quantity, ())),
        )

    @classmethod
    def from_record(cls, reader: RecordReader) -> "DaybookSources":
        """Take them as the service left them, else guess by the channels' names."""
        saved = reader.saved(STATE_NAME)
        found = None if saved is None else _read(saved.body)
        return found or cls.guessed((entry.instrument, entry.quantity) for entry in reader.channels())

    @classmethod
    def guessed(cls, channels: Iterable[Channel]) -> "DaybookSources":
        """Take the first instrument that gives a quantity of the bank's, and every thermometer."""
        known = list(dict.fromkeys(channels))

        def of(quantity: str) -> tuple[str, ...]:
            return tuple(name for name, its in known if its == quantity and name != ESTIMATOR)

        currents = tuple((name, "bank_a", 1.0) for name in of("bank_a")[:1])
        heat = tuple((name, quantity) for quantity in HEAT for name in of(quantity))
        return cls(currents, 0.0, of("bank_v"), of("load_a"), 0.0, heat)

    def state(self) -> dict[str, object]:
        """Give them as JSON can hold them."""
        return {
            "currents": [list(row) for row in self.currents],
            "steady_a": self.steady_a,
            "volts": list(self.volts),
            "loads": list(self.loads),
            "idle_a": self.idle_a,
            "heat": [list(row) for row in self.heat],
        }


def _read(body: Mapping[str, Any]) -> DaybookSources | None:
    """Read what `state` gave; None for anything else."""
    try:
        return DaybookSources(
            tuple((str(name), str(quantity), float(sign)) for name, quantity, sign in body["currents"]),
            float(body["steady_a"]),
            tuple(map(str, body["volts"])),
            tuple(map(str, body["loads"])),
            float(body["idle_a"]),
            tuple((str(name), str(quantity)) for name, quantity in body["heat"]),
        )
    except (KeyError, TypeError, ValueError):
        return None
