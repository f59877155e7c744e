"""What the maps of a site leave open: where a wrong value could not be told from a right one."""

from collections.abc import Iterator, Mapping

from drivers.decoders.register_plans import plan_requests
from drivers.register_maps import RegisterMap
from drivers.table import InstrumentMap
from drivers.text_maps import TextMap
from shared.site import Site


def map_doubts(site: Site, maps: Mapping[str, InstrumentMap]) -> Iterator[str]:
    """Tell which instruments' answers or records can't be guarded, and what would help."""
    for line in site.lines.values():
        rows = [row for row in site.instruments.values() if row.line == line.name]
        yield from _unguarded({row.name: (row.unit, maps.get(row.name)) for row in rows}, line.framing == "tcp")
    for name, found in maps.items():
        if isinstance(found, TextMap) and found.check.kind == "none":
            yield (
                f"{name}: its records carry no checksum, so a digit that was changed on the way can't be seen; keep "
                "min and max close, and see whether the device can be set to send one."
            )


def _unguarded(rows: Mapping[str, tuple[int | None, InstrumentMap | None]], numbered: bool) -> Iterator[str]:
    asked = {name: (unit, found) for name, (unit, found) in rows.items() if unit and isinstance(found, RegisterMap)}
    for name, plan in plan_requests(asked).items():
        if plan.guarded or numbered:  # over Modbus/TCP each answer has its question's number
            continue
        yield (
            f"{name}: its map leaves only one question to ask, so an answer that belongs to the question before can't "
            "be told from the right one. Add [identity] or a [[readable]] range to the map."
        )
