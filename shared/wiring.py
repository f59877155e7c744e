"""Where each current of a site flows, and how the bank's own current is formed from them.

Five places: panel, controller, bank, loads, computer. A current is known by the two it flows between;
("bank", "bank") is the bank's own lead, through which everything that charges or drains it flows.

Signs, as everywhere: `bank_a` is above zero when it charges the bank, wherever its shunt sits; so a
shunt between bank and loads shows minus the load current. `charge_a` is what a controller makes of
its panel; what its load output takes (`load_a`) comes off it. All other currents are drawn currents,
above zero.

    own lead      bank_a = the shunt's bank_a
    no such one   bank_a = sum of all controllers' charge_a - loads at the controllers' outputs
                           - loads and computer wired to the bank

Kirchhoff's current law is the only source.
"""

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from attrs import frozen

from shared.quantities import PLACES, QUANTITIES
from shared.site import Instrument, Load, Site

Ends = tuple[str, str]

OWN_LEAD: Ends = ("bank", "bank")
FROM_CONTROLLER: Ends = ("controller", "bank")
BANK_LOADS: Ends = ("bank", "loads")
CONTROLLER_LOADS: Ends = ("controller", "loads")
BANK_COMPUTER: Ends = ("bank", "computer")
CONTROLLER_COMPUTER: Ends = ("controller", "computer")
FROM_PANEL: Ends = ("panel", "controller")

# Between which places each current may be measured; the first is what it means unless the site says otherwise.
ENDS: Mapping[str, tuple[Ends, ...]] = MappingProxyType(
    {
        "bank_a": (OWN_LEAD, FROM_CONTROLLER, BANK_LOADS, CONTROLLER_LOADS, BANK_COMPUTER),
        "panel_a": (FROM_PANEL,),
        "charge_a": (FROM_CONTROLLER,),
        "load_a": (CONTROLLER_LOADS, BANK_LOADS),
        "computer_a": (BANK_COMPUTER, CONTROLLER_COMPUTER),
    }
)
MUST_BE_SAID = ("bank_a",)  # a shunt can sit anywhere, and the wrong guess makes every figure wrong

# A steady draw known only from the site file is taken to be right within this share (common practice, no source).
STEADY_ERROR_SHARE = 0.2


def ends_word(ends: Ends) -> str:
    """Write two places as the site file does: "bank", "controller-loads"."""
    return ends[0] if ends[0] == ends[1] else "-".join(ends)


def ends_of_word(word: str) -> Ends | None:
    """Read two places as the site file writes them; None when it is no such pair."""
    parts = tuple(word.split("-"))
    if parts == ("bank",):
        return OWN_LEAD
    if len(parts) == 2 and all(part in PLACES for part in parts):
        return parts[0], parts[1]
    return None


@frozen
class Term:
    """One measured current in the sum: `sign` times what `instrument` says of `quantity`."""

    instrument: str
    quantity: str
    sign: float


@frozen
class BankCurrentPlan:
    """How the bank's own current is formed.

    Attributes:
        from_shunt: the instrument in the bank's own lead, or None.
        counter_from: the instrument in the bank's own lead that counts its charge, or None.
        charge_from: what brings current, when there is no such shunt.
        load_from: what takes current, when there is no such shunt.
        steady_a: draws nothing measures, known only from the site file, A.
        steady_sigma_a: their error, one standard deviation, A.
    """

    from_shunt: str | None
    counter_from: str | None = None
    charge_from: tuple[Term, ...] = ()
    load_from: tuple[Term, ...] = ()
    steady_a: float = 0.0
    steady_sigma_a: float = 0.0

    @property
    def pacer(self) -> str | None:
        """The instrument whose readings step the estimate: the shunt, else the first that brings current."""
        if self.from_shunt is not None or not self.charge_from:
            return self.from_shunt
        return self.charge_from[0].instrument

    @property
    def instruments(self) -> frozenset[str]:
        """Every instrument that the bank current, or its counter, comes from."""
        terms = {term.instrument for term in self.charge_from + self.load_from}
        return frozenset(terms | {name for name in (self.from_shunt, self.counter_from) if name is not None})

    def form(self, latest: Mapping[tuple[str, str], float]) -> float | None:
        """Form the bank current, A, charging above zero.

        Args:
            latest: good values by (instrument, quantity); stale ones must be left out by the caller.
        Returns: the current, or None when one of its parts is not known: a sum without one of its
            parts would be a wrong number, not a rough one.
        """
        if self.from_shunt is not None:
            return latest.get((self.from_shunt, "bank_a"))
        total_a = -self.steady_a
        for term in self.charge_from + self.load_from:
            value = latest.get((term.instrument, term.quantity))
            if value is None:
                return None
            total_a += term.sign * value
        return total_a


def ends_of(instrument: Instrument, quantity: str) -> Ends | None:
    """Tell between which places an instrument measures a current; None when that is not known."""
    if quantity in instrument.measures:
        return instrument.measures[quantity]
    return None if quantity in MUST_BE_SAID or quantity not in ENDS else ENDS[quantity][0]


def is_controller(instrument: Instrument) -> bool:
    """Tell whether an instrument is a charge controller: it says something about a panel's current."""
    return any(quantity in instrument.gives for quantity in ("charge_a", "panel_a", "panel_w"))


def sources(site: Site) -> Mapping[str, tuple[str, ...]]:
    """Tell which instruments give each quantity, the preferred one first, else in the file's order.

    `bank_a` and `bank_ah_counter` count only where they are measured in the bank's own lead.
    """
    found: dict[str, list[str]] = {}
    for instrument in site.instruments.values():
        for quantity in instrument.gives:
            if quantity in ("bank_a", "bank_ah_counter") and ends_of(instrument, "bank_a") != OWN_LEAD:
                continue
            found.setdefault(quantity, []).append(instrument.name)
    for quantity, names in found.items():
        names.sort(key=lambda name: name != site.prefer.get(quantity))
    return MappingProxyType({quantity: tuple(found[quantity]) for quantity in QUANTITIES if quantity in found})


def bank_current_plan(site: Site) -> BankCurrentPlan:
    """Work out how the bank current of a site is formed.

    Raises: ValueError: it can't be formed; `mistakes` says why in words.
    """
    why = mistakes(site)
    if why:
        raise ValueError("; ".join(why))
    given = sources(site)
    if "bank_a" in given:
        return BankCurrentPlan(given["bank_a"][0], _counter(site, given))
    steady_a = sum(load.idle_a for load in _unmeasured(site))
    return BankCurrentPlan(
        None,
        charge_from=tuple(_charge_terms(site)),
        load_from=tuple(_load_terms(site)),
        steady_a=steady_a,
        steady_sigma_a=STEADY_ERROR_SHARE * steady_a,
    )


def mistakes(site: Site) -> list[str]:
    """Tell why the bank current can't be formed, each reason with its way out; none means it can."""
    if "bank_a" in sources(site):
        return []
    controllers = [i for i in site.instruments.values() if is_controller(i)]
    meters = _at(site, "bank_a", FROM_CONTROLLER)
    if not controllers and not meters:
        return [
            "no instrument tells the bank current: name a shunt in the bank's own lead "
            '(measures = "bank"), or a controller whose map gives charge_a'
        ]
    found: list[str] = []
    if not meters:
        found += [
            f"controller {i.name} gives no charge_a, so the bank current would lack what it charges: "
            "add charge_a to its map, or put a shunt in the bank's own lead"
            for i in controllers
            if "charge_a" not in i.gives
        ]
    return found + _load_mistakes(site)


def _load_mistakes(site: Site) -> list[str]:
    found = [
        f"load {load.name} is wired to the {load.wired_to}, changes between {load.idle_a:g} and "
        f"{load.transmit_a:g} A, and nothing measures it: put a shunt in the bank's own lead "
        '(measures = "bank") or in the wire of the loads '
        f'(measures = "{load.wired_to}-loads")'
        for load in _unmeasured(site)
        if load.transmit_a is not None
    ]
    shunts = _at(site, "bank_a", FROM_CONTROLLER, CONTROLLER_LOADS, BANK_LOADS)
    if not site.loads and not shunts and not _at(site, "load_a", *ENDS["load_a"]):
        found.append(
            "nothing says what the loads draw: add load_a to the controller's map, describe each load "
            "in a [load.NAME] table, or put a shunt in the bank's own lead"
        )
    return found


def _counter(site: Site, given: Mapping[str, tuple[str, ...]]) -> str | None:
    """The shunt's own counter goes before another's: both must tell of the same current."""
    counters = given.get("bank_ah_counter", ())
    shunt = given["bank_a"][0]
    preferred = site.prefer.get("bank_ah_counter")
    if preferred in counters or shunt not in counters:
        return counters[0] if counters else None
    return shunt


def _at(site: Site, quantity: str, *ends: Ends) -> list[Instrument]:
    return [i for i in site.instruments.values() if quantity in i.gives and ends_of(i, quantity) in ends]


def _charge_terms(site: Site) -> Iterator[Term]:
    """A meter in the wire from the controllers goes before their own figures: it carries all of them."""
    meters = _at(site, "bank_a", FROM_CONTROLLER)
    if meters:
        yield from (Term(i.name, "bank_a", 1.0) for i in meters)
    else:
        yield from (Term(i.name, "charge_a", 1.0) for i in _at(site, "charge_a", FROM_CONTROLLER))


def _load_terms(site: Site) -> Iterator[Term]:
    """What is measured of the loads; behind a meter in the controllers' wire their outputs are in it already."""
    loads = (BANK_LOADS,) if _at(site, "bank_a", FROM_CONTROLLER) else (BANK_LOADS, CONTROLLER_LOADS)
    for ends in loads:
        meters = _at(site, "bank_a", ends)
        if meters:
            yield from (Term(i.name, "bank_a", 1.0) for i in meters)
        else:
            yield from (Term(i.name, "load_a", -1.0) for i in _at(site, "load_a", ends))
    meters = _at(site, "bank_a", BANK_COMPUTER)
    if meters:
        yield from (Term(i.name, "bank_a", 1.0) for i in meters)
    else:
        yield from (Term(i.name, "computer_a", -1.0) for i in _at(site, "computer_a", BANK_COMPUTER))


def _unmeasured(site: Site) -> Iterator[Load]:
    """Loads whose current no instrument carries."""
    covered = {
        "controller": _at(site, "bank_a", FROM_CONTROLLER, CONTROLLER_LOADS) or _at(site, "load_a", CONTROLLER_LOADS),
        "bank": _at(site, "bank_a", BANK_LOADS) or _at(site, "load_a", BANK_LOADS),
    }
    for load in site.loads.values():
        if not covered[load.wired_to]:
            yield load
