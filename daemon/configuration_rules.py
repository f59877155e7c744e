"""What several keys of a site file must be together.

Bands are per cell at 25 C. A set-point outside of what any charger of that chemistry uses is taken for
a slip in cells, chemistry or volts and refused; one outside of the usual band only gets a word from
`check`, because the file must say what the charger does, not what it should do.
"""

from collections.abc import Collection, Iterator, Mapping
from types import MappingProxyType
from urllib.parse import urlsplit

from attrs import frozen

from daemon.configuration_grammar import WAYS_OUT, WayOutKeys
from daemon.configuration_structure import Findings, Sound
from drivers.table import DRIVERS
from shared.quantities import ESTIMATED, QUANTITIES
from shared.rules import RULES, rule_mistakes
from shared.site import Site
from shared.wiring import ENDS, MUST_BE_SAID, Ends, ends_of_word, ends_word, mistakes, sources

Gives = Mapping[str, tuple[str, ...]]

TIME_COLUMN = "time_s"
RESERVED_NAMES = ("halfmark",)
OWN_HOSTS = ("localhost", "127.0.0.1", "[::1]")  # of this computer: nothing said to them goes over a line
# Each device has its own of these: several of them need no preferred one, the hottest counts for the rules.
PER_DEVICE = ("panel_v", "controller_c")


@frozen
class Band:
    """Volts per cell at 25 C: what is usual, and what is possible at all."""

    usual: tuple[float, float]
    possible: tuple[float, float]


@frozen
class SetPoints:
    """The bands of one chemistry's charger set-points, and of their slope in mV per kelvin and cell."""

    absorb_v: Band
    float_v: Band
    slope_mv: tuple[float, float]


# Usual bands: common practice and makers' sheets, from memory: absorption flooded 14.4-14.8 V, AGM 14.4-14.7,
# gel 14.1-14.4, float 13.5-13.8 for 6 cells; LiFePO4 3.45-3.65 V per cell, and never above 3.65. Possible: from
# a float charger to an equalising one (2.67 V per cell, from memory). Slope: 3 to 5 mV/K a cell, sources
# disagree; 0 where the charger does not compensate.
_LEAD_FLOAT = Band((2.25, 2.30), (2.15, 2.45))
SET_POINTS: Mapping[str, SetPoints] = MappingProxyType(
    {
        "flooded": SetPoints(Band((2.40, 2.47), (2.25, 2.67)), _LEAD_FLOAT, (-6.0, 0.0)),
        "agm": SetPoints(Band((2.40, 2.45), (2.25, 2.60)), _LEAD_FLOAT, (-6.0, 0.0)),
        "gel": SetPoints(Band((2.35, 2.40), (2.25, 2.50)), _LEAD_FLOAT, (-6.0, 0.0)),
        "lifepo4": SetPoints(Band((3.45, 3.65), (3.35, 3.65)), Band((3.30, 3.45), (3.20, 3.60)), (0.0, 0.0)),
    }
)
ASSUMED_SLOPE_MV = -4.0  # per kelvin and cell, the middle of 3 to 5; for lead-acid when the file does not say
_ROUNDING_V = 1e-6


def assumed_slope(chemistry: str, cells: int) -> float:
    """Give the slope of the charger's set-points when the file leaves it out, V/K for the whole bank."""
    return 0.0 if chemistry == "lifepo4" else ASSUMED_SLOPE_MV * cells / 1000.0


# Rest voltages no lead-acid cell leaves: published tables and 50 mV for 12 V around them (reference bands).
REST_FULL_V_CELL = (12.5 / 6, 13.1 / 6)
REST_HALF_V_CELL = (12.0 / 6, 12.45 / 6)


def check_bank(findings: Findings, bank: Sound) -> None:
    """Cells, chemistry and the charger's set-points must agree."""
    if "chemistry" not in bank or "cells" not in bank:
        return
    known = SET_POINTS[bank["chemistry"]]
    told = len(findings.mistakes)
    for key, band in (("absorb_v", known.absorb_v), ("float_v", known.float_v)):
        least, most = (limit * bank["cells"] for limit in band.possible)
        if key in bank and not least - _ROUNDING_V <= bank[key] <= most + _ROUNDING_V:
            findings.add(
                ("bank", key),
                f"{least:.4g} to {most:.4g} V for {bank['cells']} cells {bank['chemistry']} ({band.possible[0]:g} to "
                f"{band.possible[1]:g} V each); look again at cells, chemistry and volts",
                bank[key],
            )
    if len(findings.mistakes) == told and {"absorb_v", "float_v"} <= bank.keys() and bank["float_v"] > bank["absorb_v"]:
        findings.add(("bank", "float_v"), f"at most absorb_v, which is {bank['absorb_v']:g} V", bank["float_v"])
    _check_rest(findings, bank)
    if bank.get("charge_v_per_k") is not None:
        _check_slope(findings, bank["chemistry"], bank["cells"], bank["charge_v_per_k"])


def _check_rest(findings: Findings, bank: Sound) -> None:
    """The rest voltages of a maker's sheet are those of a lead-acid bank, full above half."""
    full_v, half_v = bank.get("rest_full_v"), bank.get("rest_half_v")
    for key, volts, (least, most) in (
        ("rest_full_v", full_v, REST_FULL_V_CELL),
        ("rest_half_v", half_v, REST_HALF_V_CELL),
    ):
        if volts is None:
            continue
        if bank["chemistry"] == "lifepo4":
            findings.add(("bank", key), "left out: a lithium bank's rest voltage is no straight line", volts)
        elif not least * bank["cells"] <= volts <= most * bank["cells"]:
            allowed = f"{least * bank['cells']:.4g} to {most * bank['cells']:.4g} V for {bank['cells']} lead-acid cells"
            findings.add(("bank", key), allowed, volts)


def _check_slope(findings: Findings, chemistry: str, cells: int, slope: float) -> None:
    least, most = (limit * cells / 1000.0 for limit in SET_POINTS[chemistry].slope_mv)
    if least - _ROUNDING_V <= slope <= most + _ROUNDING_V:
        return
    if chemistry == "lifepo4":
        allowed = (
            "0: lithium is charged to the same voltage at every temperature; switch the charger's temperature "
            "compensation off, in the cold it would overcharge the cells"
        )
    else:
        allowed = (
            f"{least:.3g} to 0 V/K for {cells} lead-acid cells, below zero because the set-points fall as it gets "
            "warmer; 0 if the charger does not compensate"
        )
    findings.add(("bank", "charge_v_per_k"), allowed, slope)


def check_lines(findings: Findings, lines: Mapping[str, Sound]) -> None:
    """Each line is one port or one endpoint, and no two lines are the same one."""
    seen: dict[str, str] = {}
    for name, line in lines.items():
        kind = kind_of_line(line)
        if kind is None:
            if {"port", "tcp"} <= line.keys():
                findings.add(("line", name), 'one of port = "/dev/..." and tcp = "HOST:PORT", not both and not none')
            continue
        key = "port" if kind == "serial" else "tcp"
        if line[key] in seen:
            findings.add(("line", name, key), f"a port of its own: line {seen[line[key]]} has this one too", line[key])
        seen.setdefault(line[key], name)
        if kind == "serial" and line.get("framing") == "tcp":
            findings.add(("line", name, "framing"), 'only "rtu" on a serial port', "tcp")
        slowest_s, reply_s = line.get("slowest_s"), line.get("reply_s")
        if slowest_s is not None and reply_s is not None and slowest_s < reply_s:
            findings.add(("line", name, "slowest_s"), f"at least reply_s, which is {reply_s:g} s", slowest_s)


def kind_of_line(line: Sound) -> str | None:
    """Tell what kind of line it is, "serial" or "tcp"; None while that is in doubt."""
    if "port" not in line or "tcp" not in line or (line["port"] is None) == (line["tcp"] is None):
        return None
    return "serial" if line["port"] is not None else "tcp"


def check_instruments(
    findings: Findings,
    instruments: Mapping[str, Sound],
    lines: Mapping[str, Sound],
    gives: Gives,
) -> None:
    """Each instrument has a line, a driver that works on it, a unit of its own, and a place in the wiring."""
    units: dict[tuple[str, int], str] = {}
    drivers: dict[str, str] = {}
    for name, one in instruments.items():
        if name in RESERVED_NAMES:
            findings.add(("instrument", name), f"another name: {name} stands for the estimate in the record")
        if "line" in one and one["line"] not in lines:
            findings.add(("instrument", name, "line"), _one_of("a [line.NAME]", tuple(lines)), one["line"])
        if "driver" in one:
            _check_driver(findings, name, one, lines, drivers)
        if "line" in one and one.get("unit") is not None:
            other = units.setdefault((one["line"], one["unit"]), name)
            if other != name:
                allowed = f"a unit of its own on line {one['line']}: {other} has this number already"
                findings.add(("instrument", name, "unit"), allowed, one["unit"])
        if gives[name] and "measures" in one:
            _check_measures(findings, name, one["measures"], gives[name])


def _check_driver(
    findings: Findings, name: str, one: Sound, lines: Mapping[str, Sound], drivers: dict[str, str]
) -> None:
    """`drivers` remembers the driver of each line's first instrument."""
    driver = one["driver"]
    if driver not in DRIVERS:
        findings.add(("instrument", name, "driver"), _one_of("a driver", tuple(DRIVERS)), driver)
        return
    spec = DRIVERS[driver]
    for key in spec.needs:
        if key in one and one[key] is None:
            findings.add(("instrument", name, key), f"must be given for the driver {driver}")
    for key in spec.has_no:
        if one.get(key) is not None:
            findings.add(("instrument", name, key), f"nothing: {driver} has no such key", one[key])
    kind = kind_of_line(lines.get(one.get("line", ""), {}))
    if kind is not None and kind not in spec.lines:
        works_on = " and ".join(spec.lines)
        allowed = f"a line this driver works on: {driver} works on {works_on} lines, and {one['line']} is {kind}"
        findings.add(("instrument", name, "line"), allowed, one["line"])
    other = drivers.setdefault(one.get("line", ""), driver)
    if other != driver:
        allowed = f"{other}, like the others on line {one['line']}: one line takes one driver"
        findings.add(("instrument", name, "driver"), allowed, driver)


def currents(gives: tuple[str, ...]) -> tuple[str, ...]:
    """Give the currents whose two places matter; a charge counter sits where its shunt's current flows."""
    return tuple(q for q in ENDS if q in gives or (q == "bank_a" and "bank_ah_counter" in gives))


def words_for(measures: str | Mapping[str, str] | None, gives: tuple[str, ...]) -> Mapping[str, str]:
    """Give `measures` as a table; one word alone means the shunt's bank_a, or the only current there is."""
    if measures is None:
        return {}
    if not isinstance(measures, str):
        return measures
    found = currents(gives)
    if "bank_a" in found:
        return {"bank_a": measures}
    return {found[0]: measures} if len(found) == 1 else {}


def measured_between(measures: str | Mapping[str, str] | None, gives: tuple[str, ...]) -> dict[str, Ends]:
    """Give the two places of each current the file tells about, as far as it can be right."""
    pairs = {quantity: ends_of_word(word) for quantity, word in words_for(measures, gives).items()}
    return {quantity: ends for quantity, ends in pairs.items() if ends is not None}


def _check_measures(
    findings: Findings, name: str, measures: str | Mapping[str, str] | None, gives: tuple[str, ...]
) -> None:
    path: tuple[str, ...] = ("instrument", name, "measures")
    known = currents(gives)
    words = words_for(measures, gives)
    if isinstance(measures, str) and not words:
        allowed = (
            f"a table, because it gives {', '.join(known)}: measures = {{ {known[0]} = ... }}"
            if known
            else "nothing: this instrument's map gives no current"
        )
        findings.add(path, allowed, measures)
        return
    for quantity, word in words.items():
        place = path if isinstance(measures, str) else (*path, quantity)
        if quantity not in known:
            findings.add(place, _one_of("a current its map gives", known), word)
        elif ends_of_word(word) not in ENDS[quantity]:
            allowed = _one_of(f"where {quantity} can flow", tuple(ends_word(ends) for ends in ENDS[quantity]))
            findings.add(place, allowed, word)
    for quantity in MUST_BE_SAID:
        if quantity in known and quantity not in words:
            choice = _one_of("where the shunt sits", tuple(ends_word(ends) for ends in ENDS[quantity]))
            findings.add(path, f'must be given: {choice}; "bank" is the bank\'s own lead')


def check_loads(findings: Findings, loads: Mapping[str, Sound]) -> None:
    """A load that transmits draws more then than before."""
    for name, load in loads.items():
        idle_a, transmit_a = load.get("idle_a"), load.get("transmit_a")
        if idle_a is not None and transmit_a is not None and transmit_a <= idle_a:
            allowed = f"above idle_a, which is {idle_a:g} A: the whole current while transmitting"
            findings.add(("load", name, "transmit_a"), allowed, transmit_a)


def check_ways_out(findings: Findings, ways: Mapping[str, Sound]) -> None:
    """Each kind of way out has its own keys; a password never goes over an open connection."""
    for name, way in ways.items():
        if "kind" in way:
            _check_way_keys(findings, name, way, WAYS_OUT[way["kind"]])
        if way.get("user") is not None and way.get("secret", "") is None:
            allowed = "must be given with user: the name of the file with its password"
            findings.add(("way-out", name, "secret"), allowed)
        if way.get("security") == "none" and way.get("secret") is not None:
            allowed = "starttls or tls: with a secret the password would go over the line in the clear"
            findings.add(("way-out", name, "security"), allowed, way["security"])
        if way.get("secret") is not None and _is_open(way.get("url")):
            allowed = "https: with a secret it would go over the line in the clear"
            findings.add(("way-out", name, "url"), allowed, way["url"])


def check_mqtt(findings: Findings, mqtt: Sound) -> None:
    """A password goes with a user, and over an open connection only to this computer itself."""
    if mqtt.get("user") is not None and mqtt.get("secret", "") is None:
        findings.add(("mqtt", "secret"), "must be given with user: the name of the file with its password")
    if mqtt.get("secret") is not None and mqtt.get("user", "") is None:
        findings.add(("mqtt", "user"), "must be given with secret: the account's name at the broker")
    if mqtt.get("security") == "none" and mqtt.get("secret") is not None and mqtt.get("server") not in OWN_HOSTS:
        allowed = "tls: with a secret the password would go over the line in the clear"
        findings.add(("mqtt", "security"), allowed, mqtt["security"])


def _is_open(url: str | None) -> bool:
    """Whether what is sent to an address can be read on the way; this computer's own is no way at all."""
    try:
        parts = urlsplit(url or "")
    except ValueError:  # an address in brackets that is none
        return True
    return parts.scheme == "http" and parts.hostname not in ("localhost", "127.0.0.1", "::1")


def _check_way_keys(findings: Findings, name: str, way: Sound, keys: WayOutKeys) -> None:
    for key in ("server", "port", "security", "user", "sender", "to", "secret", "url", "command"):
        given = way.get(key, "in doubt") not in (None, ())
        if key in keys.needed and not given:
            findings.add(("way-out", name, key), f"must be given for the kind {way['kind']}")
        elif key in way and given and key not in keys.needed + keys.allowed:
            findings.add(("way-out", name, key), f"nothing: the kind {way['kind']} has no such key")


def check_prefer(
    findings: Findings,
    prefer: Mapping[str, str],
    instruments: Collection[str],
    gives: Gives,
) -> None:
    """A preferred source must be an instrument that gives the quantity."""
    for quantity, name in prefer.items():
        if quantity not in QUANTITIES or quantity in ESTIMATED:
            findings.add_unknown(("prefer",), quantity, [q for q in QUANTITIES if q not in ESTIMATED], name)
        elif QUANTITIES[quantity].join == "sum":
            findings.add(("prefer", quantity), f"nothing: all instruments that give {quantity} are added up", name)
        elif name not in instruments:
            findings.add(("prefer", quantity), _one_of("an [instrument.NAME]", tuple(instruments)), name)
        elif gives.get(name) and quantity not in gives[name]:
            able = tuple(one for one in gives if quantity in gives[one])
            findings.add(("prefer", quantity), _one_of(f"an instrument that gives {quantity}", able), name)


def check_sources(findings: Findings, site: Site) -> None:
    """Where two instruments give one quantity the file must say which one counts."""
    found = sources(site)
    for quantity, names in found.items():
        if QUANTITIES[quantity].join == "sum" or quantity in PER_DEVICE or len(names) < 2:
            continue
        follows_shunt = quantity == "bank_ah_counter" and found.get("bank_a", ("",))[0] in names
        if quantity not in site.prefer and not follows_shunt:
            allowed = f"must be given: {' and '.join(names)} give {quantity}; name the one that counts"
            findings.add(("prefer", quantity), f'{allowed}, such as {quantity} = "{names[0]}"')


def check_alerts(findings: Findings, site: Site) -> None:
    """A site changes rules that there are, within what the rule bears."""
    unknown = [name for name in site.alerts if name not in RULES]
    for name in unknown:
        findings.add_unknown(("alert",), name, RULES, None)
    for key, value, allowed in rule_mistakes(site):
        if key not in [f"alert.{name}" for name in unknown]:
            findings.add(tuple(key.split(".")), allowed, value)


def check_replay(findings: Findings, columns: Mapping[str, str]) -> None:
    """Columns go to known quantities, each once, and never from the answers of a truth set."""
    known = (TIME_COLUMN, *(q for q in QUANTITIES if q not in ESTIMATED))
    taken: dict[str, str] = {}
    for quantity, column in columns.items():
        path = ("replay", "columns")
        if quantity not in known:
            findings.add_unknown(path, quantity, known, column)
        if column.startswith("true_"):
            findings.add((*path, quantity), "a measured column: true_ columns are answers and are never read", column)
        other = taken.setdefault(column, quantity)
        if other != quantity:
            findings.add((*path, quantity), f"a column of its own: {other} is read from this one", column)


def check_wiring(findings: Findings, site: Site) -> None:
    """The bank's own current must be measured, or be formed from what is."""
    for why in mistakes(site):
        findings.add(("instrument",), why)


def usual_cautions(chemistry: str, cells: int, absorb_v: float, float_v: float, slope: float) -> Iterator[str]:
    """Tell which set-points are possible but not usual for the chemistry."""
    known = SET_POINTS[chemistry]
    for what, value, band in (("absorption", absorb_v, known.absorb_v), ("float", float_v, known.float_v)):
        least, most = (limit * cells for limit in band.usual)
        if not least - _ROUNDING_V <= value <= most + _ROUNDING_V:
            yield (
                f"{what} at {value:g} V is outside of the usual {least:.4g} to {most:.4g} V for {cells} cells "
                f"{chemistry}: compare with the bank's own data sheet"
            )
    if chemistry != "lifepo4" and slope == 0.0:
        yield "the charger does not compensate for temperature: in heat it overcharges, in the cold it leaves less"


def _one_of(what: str, names: tuple[str, ...]) -> str:
    return f"{what}, {'of which there is none yet' if not names else 'here ' + ' or '.join(names)}"
