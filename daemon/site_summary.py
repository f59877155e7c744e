"""What a site file says, in plain words: for `halfmark check`, on 80 columns."""

import textwrap
from collections.abc import Iterator, Sequence

from daemon.configuration_rules import PER_DEVICE, usual_cautions
from drivers.table import DRIVERS
from shared.notices import CAUTIONS, NEVER_ALONE, plain
from shared.quantities import QUANTITIES
from shared.rules import RULES
from shared.site import AlertChange, Bank, Instrument, Line, Load, Mqtt, Place, Site, WayOut
from shared.wiring import (
    BANK_COMPUTER,
    BANK_LOADS,
    CONTROLLER_COMPUTER,
    CONTROLLER_LOADS,
    ENDS,
    FROM_CONTROLLER,
    FROM_PANEL,
    OWN_LEAD,
    Ends,
    Term,
    bank_current_plan,
    ends_of,
    sources,
)

COLUMNS = 79
LABEL = 14  # width of the left column
KEYING_PERIOD_S = 2.0  # a slower instrument misses single transmissions
NO_PROTECTION = (
    "halfmark watches and warns. It replaces no fuse, no low-voltage disconnect and no protection circuit; local "
    "codes, makers' sheets and licensed practice come first."
)
VOLTS_PER_CELL = {"lifepo4": 3.2}  # nominal; lead-acid has 2

_BETWEEN: dict[Ends, str] = {
    OWN_LEAD: "between the bank and everything else",
    FROM_PANEL: "from the panel to the controller",
    FROM_CONTROLLER: "from the controller to the bank",
    CONTROLLER_LOADS: "from the controller to the loads",
    BANK_LOADS: "from the bank to the loads",
    BANK_COMPUTER: "from the bank to the computer",
    CONTROLLER_COMPUTER: "from the controller to the computer",
}


def summary(site: Site, doubts: Sequence[str] = ()) -> str:
    """Tell what a site file was understood to say: every line at most COLUMNS wide.

    Args:
        site: the site.
        doubts: more to look again at, such as what its maps leave open.
    """
    parts = [
        *_row("Site", _place(site.place)),
        *_row("Bank", _bank(site.bank)),
        *_row("Charger", _charger(site.bank)),
        *_table("Lines", list(_lines(site))),
        *_row("Loads", ". ".join(_load(load) for load in site.loads.values()) or "none is described"),
        *_table("Currents", list(_currents(site))),
        *_row("Bank current", _bank_current(site)),
        *_table("Quantities", list(_quantities(site))),
        *_row("Alerts", _alerts(site)),
        *_table("Ways out", list(_ways_out(site))),
        *_row("Regular", _regular(site)),
        *_row("Central", f"{site.central.url}, bucket {site.central.bucket}" if site.central else "none"),
        *(_row("MQTT", _mqtt(site.mqtt)) if site.mqtt else ()),
        *(_row("Metrics", f"for this computer alone, at http://{site.metrics.listen}/metrics") if site.metrics else ()),
        *_row("Clock", "believed: " + ", then ".join(site.clock_trust)),
        *_row("Record", f"written each {site.commit_s:g} s, the most a power cut costs; {site.record_budget_mb:g} MB"),
        *_list("Not measured", list(missing(site))),
        *_list("Look again at", [*look_again(site), *doubts]),
        *_list("Safety", [NEVER_ALONE, CAUTIONS["lithium" if _is_lithium(site.bank) else "lead-acid"], NO_PROTECTION]),
    ]
    return "\n".join(parts) + "\n"


def missing(site: Site) -> Iterator[str]:
    """Tell what no instrument gives, and what that costs."""
    found = sources(site)
    if bank_current_plan(site).from_shunt is None:
        yield "No shunt in the bank's own lead: the charge is formed from other currents, its error grows faster."
    elif "bank_ah_counter" not in found:
        yield "No charge counter: what flows between two readings, or while halfmark is down, is not counted."
    if "bank_v" not in found:
        yield "No bank voltage: nothing corrects the counted charge, and its error only grows."
    if "bank_c" not in found and "controller_c" in found:
        yield "No bank thermometer: the bank is taken to be as warm as the controller, within 5 K; the error is wider."
    elif "bank_c" not in found:
        yield "No thermometer at bank or controller: 15 C is assumed, within 12 K: a wider error, and heat is not seen."
    if "enclosure_c" not in found:
        yield "No enclosure thermometer: heat in the enclosure is not warned of."
    if not any(quantity in found for quantity in ("panel_w", "panel_a", "charge_a")):
        yield "No panel or charge current: the sun's harvest is not known."


def look_again(site: Site) -> Iterator[str]:
    """Tell what may be right and often is not."""
    bank = site.bank
    yield from usual_cautions(bank.chemistry, bank.cells, bank.absorb_v, bank.float_v, bank.charge_v_per_k)
    for key in site.assumed:
        value = getattr(bank, key.partition(".")[2])
        yield f"{key} is not given: {value:g} is assumed."
    for line in site.lines.values():
        yield from _line_doubts(site, line)
    yield from _load_doubts(site)
    if not any(load.name == "computer" for load in site.loads.values()) and "computer_a" not in sources(site):
        yield (
            "What this computer draws is not told; 1 W is 83 mA, much of what a small site can spare. Describe it as "
            "[load.computer] with the place it is wired to."
        )


def _line_doubts(site: Site, line: Line) -> Iterator[str]:
    if line.port is not None and "/by-id/" not in line.port and "/by-path/" not in line.port:
        yield (
            f"Line {line.name}: {plain(line.port, 60)} may get another number after a restart; "
            "its name under /dev/serial/by-id does not."
        )
    if not any(one.line == line.name for one in site.instruments.values()):
        yield f"Line {line.name} has no instrument."


def _load_doubts(site: Site) -> Iterator[str]:
    keyed = [load.name for load in site.loads.values() if load.transmit_a is not None]
    plan = bank_current_plan(site)
    if keyed and plan.from_shunt is not None:
        every_s = site.instruments[plan.from_shunt].every_s
        if every_s > KEYING_PERIOD_S:
            yield (
                f"{plan.from_shunt} is asked each {every_s:g} s: single transmissions of {_and(keyed)} are missed "
                f"above {KEYING_PERIOD_S:g} s."
            )
    if plan.steady_a > 0.0:
        yield (
            f"{plan.steady_a:.3f} A are taken off without being measured, as the file has them; an error of "
            f"{plan.steady_sigma_a:.3f} A is reckoned with."
        )


def _place(place: Place) -> str:
    north = "N" if place.latitude >= 0.0 else "S"
    east = "E" if place.longitude >= 0.0 else "W"
    text = f"{plain(place.name, 60)}, {abs(place.latitude):.4f} {north} {abs(place.longitude):.4f} {east}, "
    text += place.timezone
    if place.panel_w is None:
        return text + "; panel not described"
    text += f"; panel {place.panel_w:g} W"
    if place.panel_tilt_deg is not None:
        text += f", tilt {place.panel_tilt_deg:g} degrees"
    if place.panel_azimuth_deg is not None:
        text += f", azimuth {place.panel_azimuth_deg:g} degrees"
    return text


def _is_lithium(bank: Bank) -> bool:
    return bank.chemistry == "lifepo4"


def _bank(bank: Bank) -> str:
    nominal_v = bank.cells * VOLTS_PER_CELL.get(bank.chemistry, 2.0)
    kept_ah = bank.half_mark * bank.capacity_ah
    return (
        f"{bank.capacity_ah:g} Ah {bank.chemistry}, {bank.cells} cells in series ({nominal_v:g} V). Half mark "
        f"{bank.half_mark:g}: warned when {kept_ah:.4g} Ah are left, so {bank.capacity_ah - kept_ah:.4g} Ah may be used"
    )


def _charger(bank: Bank) -> str:
    slope = f"{bank.charge_v_per_k * 1000.0:+.4g} mV/K" if bank.charge_v_per_k else "the same at every temperature"
    return f"absorption {bank.absorb_v:g} V, float {bank.float_v:g} V at 25 C, {slope}"


def _lines(site: Site) -> Iterator[tuple[str, str]]:
    for line in site.lines.values():
        if line.port is not None:
            framing = f"8{line.parity[0].upper()}{line.stop_bits}"
            yield line.name, f"serial, {plain(line.port, 80)}, {line.baud} Bd {framing}"
        else:
            yield line.name, f"TCP, {line.tcp}, framing {line.framing}"
        for one in site.instruments.values():
            if one.line == line.name:
                yield "", f"{one.name}: each {one.every_s:g} s, {_driver(one)}"


def _driver(one: Instrument) -> str:
    text = one.driver
    if one.unit is not None:
        text += f", unit {one.unit}"
    return text + (f", {plain(one.map, 60)}" if one.map is not None else "")


def _load(load: Load) -> str:
    text = f"{load.name} draws {load.idle_a:g} A"
    if load.transmit_a is not None:
        text += f", transmitting {load.transmit_a:g} A"
    return text + f", wired to the {load.wired_to}"


def _currents(site: Site) -> Iterator[tuple[str, str]]:
    """Between which two places each current is measured, and what its sign means."""
    for one in site.instruments.values():
        for quantity in ENDS:
            ends = ends_of(one, quantity)
            if quantity in one.gives and ends is not None:
                yield one.name, f"{quantity} flows {_BETWEEN[ends]}{_sign(quantity, ends)}"


def _sign(quantity: str, ends: Ends) -> str:
    if quantity != "bank_a":
        return ""
    return ", above zero when it charges" if ends in (OWN_LEAD, FROM_CONTROLLER) else ", below zero when it is drawn"


def _bank_current(site: Site) -> str:
    plan = bank_current_plan(site)
    if plan.from_shunt is not None:
        text = f"measured by {plan.from_shunt} in the bank's own lead"
        if plan.counter_from is None:
            return text
        whose = "its own counter" if plan.counter_from == plan.from_shunt else f"the counter of {plan.counter_from}"
        return f"{text}; the charge is counted by {whose}"
    text = "formed: " + " + ".join(_term(term) for term in plan.charge_from)
    for term in plan.load_from:
        text += f" {'-' if term.sign < 0.0 else '+'} {_term(term)}"
    if plan.steady_a > 0.0:
        text += f" - {plan.steady_a:.3f} A steady"
    return text + "; not known while one of its parts is missing"


def _term(term: Term) -> str:
    return f"{term.instrument} {term.quantity}"


def _quantities(site: Site) -> Iterator[tuple[str, str]]:
    for quantity, names in sources(site).items():
        if len(names) == 1:
            text = names[0]
        elif QUANTITIES[quantity].join == "sum":
            text = " + ".join(names)
        elif quantity in PER_DEVICE:
            text = ", ".join(names) + ", each its own"
        else:
            text = f"{names[0]}; while it gives none, {' or '.join(names[1:])}"
        yield quantity, text


def _alerts(site: Site) -> str:
    off = [name for name, change in site.alerts.items() if change.off]
    changed = [_change(change) for change in site.alerts.values() if not change.off]
    text = f"{len(RULES) - len(off)} rules"
    text += f"; changed here: {', '.join(changed)}" if changed else "; limits as they come"
    return text + (f"; switched off: {', '.join(off)}" if off else "")


def _regular(site: Site) -> str:
    beat_h = site.notices.heartbeat_h
    told = [f"a sign of life each {beat_h:g} h"] if beat_h is not None else []
    told += ["a summary of each 24 h"] if site.notices.summary else []
    carriers = [way.name for way in site.ways_out.values() if way.least == "advice"] or ["nothing"]
    if not told:
        return "nothing goes out unless an alert asks for it"
    return f"{' and '.join(told)}, carried by {', '.join(carriers)}"


def _change(change: AlertChange) -> str:
    values = [
        ("raise", change.raise_at),
        ("clear", change.clear_at),
        ("dwell_s", change.dwell_s),
        ("calm_s", change.calm_s),
    ]
    words = [f"{key} {value:g}" for key, value in values if value is not None]
    if change.severity is not None:
        words.append(change.severity)
    return f"{change.rule} ({', '.join(words) or 'nothing'})"


def _ways_out(site: Site) -> Iterator[tuple[str, str]]:
    if not site.ways_out:
        yield "", "none: notices go to the journal of this computer, where nobody far away sees them"
    for way in site.ways_out.values():
        yield way.name, _way_out(way)


def _way_out(way: WayOut) -> str:
    text = way.kind
    if way.server is not None:
        port = f":{way.port}" if way.port is not None else ""
        text += f" by {way.server}{port} ({way.security}) to {', '.join(way.to)}"
    if way.url is not None:
        text += f" to {way.url}"
    if way.command:
        text += f": {' '.join(way.command)}"
    if way.least != "advice":
        text += f", only {way.least} and above" if way.least == "act" else f", only {way.least}"
    return text


def _mqtt(mqtt: Mqtt) -> str:
    account = f" as {plain(mqtt.user, 60)}" if mqtt.user is not None else ""
    security = "TLS" if mqtt.security == "tls" else "in the clear"
    return (
        f"latest values to {mqtt.server}:{mqtt.port} ({security}){account}, each {mqtt.every_s:g} s, "
        f"under {plain(mqtt.prefix, 120)}"
    )


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _row(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, COLUMNS, initial_indent=label.ljust(LABEL), subsequent_indent=" " * LABEL, break_on_hyphens=False
    )


def _table(label: str, rows: Sequence[tuple[str, str]]) -> list[str]:
    """A table of names and texts; a name that the row above has already is not said again."""
    width = max((len(name) for name, _ in rows), default=0) + 2
    made: list[str] = []
    before = ""
    for name, text in rows:
        told = "" if name == before else name
        before = name
        made += textwrap.wrap(
            text,
            COLUMNS,
            initial_indent=label.ljust(LABEL) + told.ljust(width),
            subsequent_indent=" " * (LABEL + width + 2),
            break_on_hyphens=False,
        )
        label = ""
    return made


def _list(title: str, texts: Sequence[str]) -> list[str]:
    if not texts:
        return []
    made = ["", title]
    for text in texts:
        made += textwrap.wrap(text, COLUMNS, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)
    return made


def drivers_known() -> str:
    """Tell which drivers there are, and on which lines they work."""
    return ", ".join(f"{name} ({' and '.join(spec.lines)})" for name, spec in DRIVERS.items())
