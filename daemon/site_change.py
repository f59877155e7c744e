"""What a new site file changes against the one that is running, and how it is told."""

from collections.abc import Mapping

import attrs

from daemon.errors import ConfigError
from drivers.table import InstrumentMap
from shared.quantities import QUANTITIES
from shared.rules import rules_for
from shared.site import Instrument, Site

# What becomes of the estimate when a part is another one, in words for whoever asked for the reload.
FORGOTTEN = {
    "bank": "[bank] tells of another bank: what was learned about the old one is forgotten, its charge is unknown",
    "shunt": "the bank current is measured in another way: what was learned about its offset is forgotten",
}


def same_devices(old: Site, new: Site) -> frozenset[str]:
    """Tell which instruments are the same device as before, though perhaps read by another map or at another pace."""
    return frozenset(
        name for name, row in new.instruments.items() if name in old.instruments and _alike(row, old.instruments[name])
    )


def _alike(one: Instrument, other: Instrument) -> bool:
    bare, bare_other = (attrs.evolve(row, every_s=0.0, gives=(), map=None, measures={}) for row in (one, other))
    return bare == bare_other


def same_currents(
    old: Site, old_maps: Mapping[str, InstrumentMap], new: Site, new_maps: Mapping[str, InstrumentMap]
) -> frozenset[str]:
    """Tell which of the same devices have their currents read, and meant, as before."""
    return frozenset(
        name for name in same_devices(old, new) if _currents(new, new_maps, name) == _currents(old, old_maps, name)
    )


def _currents(site: Site, maps: Mapping[str, InstrumentMap], name: str) -> object:
    points = maps[name].points if name in maps else ()
    of_current = tuple(
        point for point in points if point.quantity in QUANTITIES and QUANTITIES[point.quantity].unit in ("A", "Ah")
    )
    return of_current, dict(site.instruments[name].measures)


def changes(
    old: Site, new: Site, *, lines: tuple[tuple[str, ...], tuple[str, ...]], forgotten: tuple[str, ...]
) -> list[str]:
    """Tell what a reload changed, a sentence each; nothing when nothing did.

    Args:
        old: as it was.
        new: as it is.
        lines: those that were ended, and those that were begun.
        forgotten: parts about which what was learned is gone.
    """
    ended, begun = (set(names) for names in lines)
    found = [
        *(f"line {name} begun anew" for name in sorted(ended & begun)),
        *(f"line {name} ended" for name in sorted(ended - begun)),
        *(f"line {name} begun" for name in sorted(begun - ended)),
    ]
    if old.lines != new.lines and _allowed(old) != _allowed(new):
        found.append(
            "ports or addresses of another kind: where a service manager runs this, it must be told to let them in; "
            "run the installer again"
        )
    found += [f"instrument {name} added" for name in sorted(set(new.instruments) - set(old.instruments))]
    found += [f"instrument {name} gone" for name in sorted(set(old.instruments) - set(new.instruments))]
    if rules_for(old) != rules_for(new):
        found.append("alert rules or their limits changed")
    found += [FORGOTTEN[part] for part in forgotten]
    if old.bank != new.bank and "bank" not in forgotten:
        found.append("[bank]: half mark or charger set-points changed; the estimate goes on")
    for section, mine, other in _sections(old, new):
        if mine != other:
            found.append(f"{section} changed")
    if old.commit_s != new.commit_s:
        found.append(f"a commit each {new.commit_s:g} s")
    return found


def _allowed(site: Site) -> Mapping[str, str]:
    """What the units must let in for this site."""
    from daemon.unit_dropins import drop_ins  # only then: a service that runs on needs no arithmetic of addresses

    try:
        return drop_ins(site)
    except ConfigError:
        return {}


def _sections(old: Site, new: Site) -> tuple[tuple[str, object, object], ...]:
    return (
        ("[site]", old.place, new.place),
        ("[load]", old.loads, new.loads),
        ("[way-out]", old.ways_out, new.ways_out),
        ("[central]", old.central, new.central),
        ("[mqtt]", old.mqtt, new.mqtt),
        ("[metrics]", old.metrics, new.metrics),
        ("[notices]", old.notices, new.notices),
        ("[lookahead]", old.cloud_file, new.cloud_file),
        ("[clock]", old.clock_trust, new.clock_trust),
        ("[prefer]", old.prefer, new.prefer),
    )
