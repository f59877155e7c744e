"""Loading a site: its file and the maps it names become one checked `Site`.

    text -> parsed tables -> checked tables -> rules between them -> Site

Each stage goes as far as it can and every mistake is told in one `ConfigError`, so that a file with
five of them is mended in one go.
"""

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import attrs
from attrs import AttrsInstance, define, field

from daemon.configuration_grammar import (
    NAMED_SECTIONS,
    PREFER,
    SECTIONS,
    AlertTable,
    BankTable,
    CentralTable,
    ClockTable,
    InstrumentTable,
    LineTable,
    LoadTable,
    LookaheadTable,
    MetricsTable,
    MqttTable,
    NoticesTable,
    RecordTable,
    ReplayTable,
    SiteTable,
    WayOutTable,
)
from daemon.configuration_rules import (
    assumed_slope,
    check_alerts,
    check_bank,
    check_instruments,
    check_lines,
    check_loads,
    check_mqtt,
    check_prefer,
    check_replay,
    check_sources,
    check_ways_out,
    check_wiring,
    measured_between,
)
from daemon.configuration_structure import Findings, Sound, sound, sound_named, structure, structure_named
from daemon.configuration_text import parse, read_text
from daemon.errors import ConfigError, Mistake, shown
from drivers.errors import MapError
from drivers.table import DRIVERS, InstrumentMap
from shared.site import (
    HALF_MARKS,
    AlertChange,
    Bank,
    Central,
    Instrument,
    Line,
    Load,
    Metrics,
    Mqtt,
    Place,
    RegularNotices,
    Site,
    WayOut,
)
from shared.topics import topic_level

MQTT_PORTS: Mapping[str, int] = MappingProxyType({"tls": 8883, "none": 1883})
LATE_S = 0.1  # how much later than allowed the slowest answer may come, unless the site says
NEEDED = ("site", "bank", "line", "instrument")
NEEDED_FOR_REPLAY = ("site", "bank")


def load_site(path: Path) -> Site:
    """Load the file of a site that is watched live.

    Raises: ConfigError: carries every mistake of the file and of the maps it names.
    """
    return _load(path, NEEDED)


def load_replay_site(path: Path) -> Site:
    """Load a site file for replay: only [site] and [bank] must be there, whatever else is there must be right.

    Raises: ConfigError: carries every mistake.
    """
    return _load(path, NEEDED_FOR_REPLAY)


def load_maps(site: Site) -> Mapping[str, InstrumentMap]:
    """Load the map of each instrument that has one, by the instrument's name.

    Raises: ConfigError: a map is missing or wrong.
    """
    findings = Findings(site.source)
    maps = _Maps(Path(site.source).parent, findings)
    found = {
        name: maps.load(name, row.driver, row.map) for name, row in site.instruments.items() if row.map is not None
    }
    if findings.mistakes:
        raise ConfigError(findings.mistakes)
    return MappingProxyType({name: one for name, one in found.items() if one is not None})


@define
class _Tables:
    """The file's tables, checked one by one; None or absent where a table has mistakes or is not there."""

    site: SiteTable | None = None
    bank: BankTable | None = None
    central: CentralTable | None = None
    mqtt: MqttTable | None = None
    metrics: MetricsTable | None = None
    clock: ClockTable | None = None
    notices: NoticesTable | None = None
    record: RecordTable | None = None
    lookahead: LookaheadTable | None = None
    replay: ReplayTable | None = None
    lines: dict[str, LineTable] = field(factory=dict)
    instruments: dict[str, InstrumentTable] = field(factory=dict)
    loads: dict[str, LoadTable] = field(factory=dict)
    alerts: dict[str, AlertTable] = field(factory=dict)
    ways_out: dict[str, WayOutTable] = field(factory=dict)
    prefer: Mapping[str, str] = field(factory=dict)


def _load(path: Path, needed: tuple[str, ...]) -> Site:
    file = str(path)
    raw = parse(read_text(path, file), file)
    findings = Findings(file)
    for section in needed:
        if section not in raw:
            named = ".NAME" if section in NAMED_SECTIONS else ""
            findings.add((section,), f"must be given: a table [{section}{named}]")
    tables = _read_tables(raw, findings)
    rows = sound_named(raw.get("instrument"), InstrumentTable)
    maps = _Maps(path.parent, findings)
    gives = {name: maps.gives(name, row) for name, row in rows.items()}
    _check_sound(raw, rows, gives, tables.prefer, findings)
    _check_whole(tables, rows, gives, findings, live="instrument" in needed)
    if findings.mistakes:
        raise ConfigError(findings.mistakes)
    return _assemble(tables, gives, file)


def _read_tables(raw: Mapping[str, object], findings: Findings) -> _Tables:
    known = (*SECTIONS, *NAMED_SECTIONS, PREFER)
    for key in raw:
        if key not in known:
            findings.add_unknown((), key, known, raw[key])
    one: dict[str, Any] = {
        name: structure(findings, raw[name], table, (name,)) for name, table in SECTIONS.items() if name in raw
    }
    many: dict[str, dict[str, Any]] = {
        name: structure_named(findings, raw.get(name, {}), table, name) for name, table in NAMED_SECTIONS.items()
    }
    return _Tables(
        **one,
        lines=many["line"],
        instruments=many["instrument"],
        loads=many["load"],
        alerts=many["alert"],
        ways_out=many["way-out"],
        prefer=_read_prefer(raw.get(PREFER, {}), findings),
    )


def _read_prefer(raw: object, findings: Findings) -> Mapping[str, str]:
    """Take the entries that are texts, so that one slip does not undo the others."""
    if not isinstance(raw, dict):
        findings.add((PREFER,), 'a table [prefer] with rows quantity = "instrument"', raw)
        return {}
    for quantity, name in raw.items():
        if not isinstance(name, str):
            findings.add((PREFER, quantity), "the name of an instrument, as a text", name)
    return {quantity: name for quantity, name in raw.items() if isinstance(name, str)}


def _check_sound(
    raw: Mapping[str, object],
    instruments: Mapping[str, Sound],
    gives: Mapping[str, tuple[str, ...]],
    prefer: Mapping[str, str],
    findings: Findings,
) -> None:
    """Judge what several keys must be together, as far as each is right by itself."""
    lines = sound_named(raw.get("line"), LineTable)
    if "bank" in raw:
        check_bank(findings, sound(raw["bank"], BankTable))
    check_lines(findings, lines)
    check_instruments(findings, instruments, lines, gives)
    check_loads(findings, sound_named(raw.get("load"), LoadTable))
    check_ways_out(findings, sound_named(raw.get("way-out"), WayOutTable))
    check_prefer(findings, prefer, instruments, gives)
    if "mqtt" in raw:
        check_mqtt(findings, sound(raw["mqtt"], MqttTable))
    replay = raw.get("replay")
    columns = replay.get("columns") if isinstance(replay, dict) else None
    if isinstance(columns, dict):
        check_replay(findings, {quantity: name for quantity, name in columns.items() if isinstance(name, str)})


def _check_whole(
    tables: _Tables,
    instruments: Mapping[str, Sound],
    gives: Mapping[str, tuple[str, ...]],
    findings: Findings,
    *,
    live: bool,
) -> None:
    """Judge what needs the site as a whole, with stand-ins where an instrument has mistakes."""
    stand_in = {"line": "", "driver": "", "every_s": 1.0}
    every = {name: InstrumentTable(**{**stand_in, **row}) for name, row in instruments.items()}
    site = _assemble(attrs.evolve(tables, instruments=every), gives, findings.file)
    check_alerts(findings, site)
    check_sources(findings, site)
    in_doubt = any(m.file != findings.file or m.key.startswith(("instrument", "load")) for m in findings.mistakes)
    if live and not in_doubt:  # else it would blame the wiring for a mistyped name
        check_wiring(findings, site)


class _Maps:
    """The maps beside a site file, each read once; their mistakes join the site's own."""

    def __init__(self, folder: Path, findings: Findings) -> None:
        self.folder = folder
        self.findings = findings
        self._read: dict[tuple[str, str], InstrumentMap | None] = {}

    def gives(self, name: str, row: Sound) -> tuple[str, ...]:
        found = self.load(name, row.get("driver", ""), row["map"]) if row.get("map") is not None else None
        return found.gives if found is not None else ()

    def load(self, instrument: str, driver: str, map_file: str) -> InstrumentMap | None:
        """Load one map; none is loaded for a driver that does not exist, which is told elsewhere."""
        if driver not in DRIVERS:
            return None
        if (driver, map_file) not in self._read:
            self._read[driver, map_file] = self._load(instrument, driver, map_file)
        return self._read[driver, map_file]

    def _load(self, instrument: str, driver: str, map_file: str) -> InstrumentMap | None:
        path = self.folder / map_file
        try:
            text = read_text(path, str(path))
            parse(text, str(path))
            return DRIVERS[driver].load_map(text, str(path))
        except ConfigError as why:
            for mistake in why.mistakes:
                allowed = f"{mistake.file}: {mistake.allowed}"
                self.findings.add(("instrument", instrument, "map"), allowed, map_file)
        except MapError as why:
            for wrong in why.mistakes:
                value = None if wrong.value is None else shown(wrong.value)
                self.findings.mistakes.append(Mistake(str(path), wrong.key, value, f"must be {wrong.allowed}"))
        return None


def _assemble(tables: _Tables, gives: Mapping[str, tuple[str, ...]], file: str) -> Site:
    """Build the site; tables with mistakes get a stand-in, which never leaves this module."""
    place = tables.site or SiteTable("unknown", 0.0, 0.0)
    bank = tables.bank or BankTable("agm", 1.0, 6, 14.4, 13.7)
    return Site(
        place=Place(**_fields(place)),
        bank=_bank(bank),
        lines={name: _line(name, table) for name, table in tables.lines.items()},
        instruments={name: _instrument(name, table, gives[name]) for name, table in tables.instruments.items()},
        loads={name: Load(name, **_fields(table)) for name, table in tables.loads.items()},
        alerts={name: AlertChange(name, **_fields(table)) for name, table in tables.alerts.items()},
        ways_out={name: _way_out(name, table) for name, table in tables.ways_out.items()},
        central=Central(**_fields(tables.central)) if tables.central else None,
        mqtt=_mqtt(tables.mqtt, place.name) if tables.mqtt else None,
        metrics=Metrics(**_fields(tables.metrics)) if tables.metrics else None,
        notices=RegularNotices(**_fields(tables.notices or NoticesTable())),
        clock_trust=(tables.clock or ClockTable()).trust,
        prefer=MappingProxyType(dict(tables.prefer)),
        replay_columns=MappingProxyType(dict((tables.replay or ReplayTable()).columns)),
        commit_s=(tables.record or RecordTable()).commit_s,
        cloud_file=(tables.lookahead or LookaheadTable()).clouds,
        record_budget_mb=(tables.record or RecordTable()).budget_mb,
        source=file,
        assumed=_assumed(bank),
    )


def _fields(table: AttrsInstance) -> dict[str, Any]:
    return {one.name: getattr(table, one.name) for one in attrs.fields(type(table))}


def _bank(table: BankTable) -> Bank:
    half_mark = table.half_mark if table.half_mark is not None else HALF_MARKS[table.chemistry]
    slope = table.charge_v_per_k if table.charge_v_per_k is not None else assumed_slope(table.chemistry, table.cells)
    rest = {name: value for name, value in _fields(table).items() if name not in ("half_mark", "charge_v_per_k")}
    return Bank(**rest, half_mark=half_mark, charge_v_per_k=slope)


def _assumed(bank: BankTable) -> tuple[str, ...]:
    return tuple(f"bank.{key}" for key in ("half_mark", "charge_v_per_k") if getattr(bank, key) is None)


def _line(name: str, table: LineTable) -> Line:
    fields = _fields(table)
    fields["framing"] = table.framing or ("tcp" if table.tcp else "rtu")
    fields["slowest_s"] = table.slowest_s if table.slowest_s is not None else table.reply_s + LATE_S
    return Line(name, **fields)


def _instrument(name: str, table: InstrumentTable, gives: tuple[str, ...]) -> Instrument:
    fields = _fields(table)
    fields["measures"] = MappingProxyType(measured_between(table.measures, gives))
    return Instrument(name, **fields, gives=gives)


def _mqtt(table: MqttTable, site: str) -> Mqtt:
    fields = _fields(table)
    fields["port"] = table.port if table.port is not None else MQTT_PORTS[table.security]
    fields["prefix"] = table.prefix if table.prefix is not None else f"halfmark/{topic_level(site)}"
    return Mqtt(**fields)


def _way_out(name: str, table: WayOutTable) -> WayOut:
    fields = _fields(table)
    fields["security"] = table.security or "starttls"
    return WayOut(name, **fields)
