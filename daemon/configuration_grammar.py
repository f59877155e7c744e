"""The grammar of a site file: every table, every key, what may stand there.

Each class is one table as the file has it, each field one key with its kind. A key without a default
must be given. What several keys mean together is judged in `daemon.configuration_rules`.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any

from attrs import frozen

from daemon.configuration_values import (
    Address,
    Argv,
    DevicePath,
    Endpoint,
    Flag,
    Host,
    ListOf,
    Measures,
    Number,
    OneOf,
    OwnEndpoint,
    SecretName,
    Text,
    Timezone,
    TopicPrefix,
    Url,
    Whole,
    WordsByQuantity,
)
from shared.site import CHEMISTRIES, SEVERITIES

BAUD_RATES = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200)
CURRENT_MOST_A = 200.0


@frozen
class SiteTable:
    """[site]."""

    name: Annotated[str, Text("the station's name", 60)]
    latitude: Annotated[float, Number(-90.0, 90.0, "degrees, north of the equator above zero")]
    longitude: Annotated[float, Number(-180.0, 180.0, "degrees, east of Greenwich above zero, so the Americas below")]
    timezone: Annotated[str, Timezone()] = "UTC"
    panel_w: Annotated[float | None, Number(1.0, 20_000.0, "W, the sum of the panels' nameplates")] = None
    panel_tilt_deg: Annotated[float | None, Number(0.0, 90.0, "degrees, 0 lies flat, 90 stands upright")] = None
    panel_azimuth_deg: Annotated[float | None, Number(0.0, 360.0, "degrees from north over east, 180 looks south")] = (
        None
    )


@frozen
class BankTable:
    """[bank]."""

    chemistry: Annotated[str, OneOf(CHEMISTRIES)]
    capacity_ah: Annotated[float, Number(0.5, 10_000.0, "Ah, the nameplate's at the 20 h rate")]
    cells: Annotated[int, Whole(1, 32, "cells in series, 6 in a 12 V lead-acid bank, 4 in a 12 V lithium one")]
    absorb_v: Annotated[float, Number(1.0, 80.0, "V, the charger's absorption set-point for the whole bank at 25 C")]
    float_v: Annotated[float, Number(1.0, 80.0, "V, the charger's float set-point for the whole bank at 25 C")]
    half_mark: Annotated[
        float | None, Number(0.05, 0.95, "a share of the capacity, 0.5 for lead-acid and 0.3 for lithium unless given")
    ] = None
    charge_v_per_k: Annotated[
        float | None, Number(-1.0, 1.0, "V per kelvin for the whole bank, not mV and not per cell; such as -0.024")
    ] = None
    # Off the maker's own sheet, or measured; the published bands stand in where they are not given.
    rest_full_v: Annotated[float | None, Number(1.0, 80.0, "V, the full bank at rest for a day at 25 C")] = None
    rest_half_v: Annotated[
        float | None, Number(1.0, 80.0, "V, the bank at rest with half its nameplate removed, 25 C")
    ] = None
    health_frac: Annotated[float | None, Number(0.2, 1.3, "what the bank really holds over its nameplate")] = None
    efficiency_frac: Annotated[float | None, Number(0.7, 1.0, "Ah stored for each Ah charged, below the gassing")] = (
        None
    )
    resistance_ohm: Annotated[
        float | None, Number(0.0001, 2.0, "ohm, of the full bank with its leads over some seconds, 25 C")
    ] = None


@frozen
class LineTable:
    """[line.NAME]."""

    port: Annotated[str | None, DevicePath()] = None
    tcp: Annotated[str | None, Endpoint()] = None
    framing: Annotated[str | None, OneOf(("rtu", "tcp"))] = None
    baud: Annotated[int, OneOf(BAUD_RATES)] = 9600
    parity: Annotated[str, OneOf(("none", "even", "odd"))] = "none"
    stop_bits: Annotated[int, OneOf((1, 2))] = 1
    reply_s: Annotated[float, Number(0.02, 5.0, "s, how long an answer may take")] = 0.3
    slowest_s: Annotated[float | None, Number(0.02, 10.0, "s, how late the slowest answer still comes")] = None
    echo: Annotated[bool, Flag()] = False


@frozen
class InstrumentTable:
    """[instrument.NAME]."""

    line: Annotated[str, Text("the NAME of a [line.NAME]")]
    driver: Annotated[str, Text("the name of a driver")]
    every_s: Annotated[float, Number(0.2, 3600.0, "s, how often it is asked, or how often it talks by itself")]
    unit: Annotated[int | None, Whole(1, 247, "the unit's number on its line")] = None
    map: Annotated[str | None, Text("the path of a map file, taken from this file's folder")] = None
    measures: Annotated[str | Mapping[str, str] | None, Measures()] = None


@frozen
class LoadTable:
    """[load.NAME]."""

    idle_a: Annotated[float, Number(0.0, CURRENT_MOST_A, "A, what it draws all the time")] = 0.0
    transmit_a: Annotated[float | None, Number(0.0, CURRENT_MOST_A, "A, what it draws while transmitting")] = None
    wired_to: Annotated[str, OneOf(("controller", "bank"))] = "controller"


@frozen
class AlertTable:
    """[alert.RULE]; limits are judged by the rule itself."""

    raise_at: Annotated[float | None, Number(-1e9, 1e9, "the limit that raises the alert")] = None
    clear_at: Annotated[float | None, Number(-1e9, 1e9, "the limit that clears it")] = None
    dwell_s: Annotated[float | None, Number(0.0, 86_400.0, "s, how long the limit must be passed")] = None
    calm_s: Annotated[float | None, Number(0.0, 604_800.0, "s, how long it must be calm before it is over")] = None
    severity: Annotated[str | None, OneOf(SEVERITIES)] = None
    off: Annotated[bool, Flag()] = False


@frozen
class WayOutTable:
    """[way-out.NAME]; which keys a kind needs is told by WAYS_OUT."""

    kind: Annotated[str, OneOf(("mail", "webhook", "command", "journal"))]
    server: Annotated[str | None, Host()] = None
    port: Annotated[int | None, Whole(1, 65_535, "the server's port")] = None
    security: Annotated[str | None, OneOf(("starttls", "tls", "none"))] = None
    user: Annotated[str | None, Text("the account's name at the server")] = None
    sender: Annotated[str | None, Address()] = None
    to: Annotated[tuple[str, ...], ListOf(Address(), "mail addresses")] = ()
    secret: Annotated[str | None, SecretName()] = None
    url: Annotated[str | None, Url()] = None
    command: Annotated[tuple[str, ...], Argv()] = ()
    least: Annotated[str, OneOf(SEVERITIES)] = "advice"


@frozen
class CentralTable:
    """[central]."""

    url: Annotated[str, Url()]
    org: Annotated[str, Text("the organisation at the central store")]
    bucket: Annotated[str, Text("the bucket at the central store")]
    secret: Annotated[str | None, SecretName()] = None
    every_s: Annotated[float, Number(10.0, 86_400.0, "s, how often what is new is sent to the central store")] = 300.0


@frozen
class NoticesTable:
    """[notices]."""

    heartbeat_h: Annotated[float | None, Number(0.5, 720.0, "h, how often a sign of life goes out")] = None
    summary: Annotated[bool, Flag()] = False


@frozen
class MqttTable:
    """[mqtt]."""

    server: Annotated[str, Host()]
    port: Annotated[int | None, Whole(1, 65_535, "the broker's port; 8883 with TLS and 1883 without unless given")] = (
        None
    )
    security: Annotated[str, OneOf(("tls", "none"))] = "tls"
    user: Annotated[str | None, Text("the account's name at the broker")] = None
    secret: Annotated[str | None, SecretName()] = None
    prefix: Annotated[str | None, TopicPrefix()] = None
    every_s: Annotated[float, Number(10.0, 86_400.0, "s, how often what has changed is published")] = 60.0


@frozen
class MetricsTable:
    """[metrics]."""

    listen: Annotated[str, OwnEndpoint()] = "127.0.0.1:7412"


@frozen
class ClockTable:
    """[clock]."""

    trust: Annotated[
        tuple[str, ...], ListOf(OneOf(("kernel", "rtc", "operator")), "whom to believe the time, best first")
    ] = ("kernel", "rtc", "operator")


@frozen
class RecordTable:
    """[record]."""

    commit_s: Annotated[float, Number(0.5, 120.0, "s, how often the record is written; what a power cut may cost")] = (
        10.0
    )
    # Five years of a large site at the sizes measured, and no more than a sixteenth of an 8 GB card.
    budget_mb: Annotated[
        float, Number(16.0, 100_000.0, "MB, what the record may take; then the oldest readings go")
    ] = 512.0


@frozen
class LookaheadTable:
    """[lookahead]."""

    clouds: Annotated[str | None, Text("a file with the cloudiness of the next days, one number a line")] = None


@frozen
class ReplayTable:
    """[replay]."""

    columns: Annotated[Mapping[str, str], WordsByQuantity('quantity = "column name in the file"')] = MappingProxyType(
        {}
    )


@frozen
class WayOutKeys:
    """Which keys one kind of way out needs, and which it may have besides `kind` and `least`."""

    needed: tuple[str, ...]
    allowed: tuple[str, ...]


WAYS_OUT: Mapping[str, WayOutKeys] = MappingProxyType(
    {
        "mail": WayOutKeys(("server", "to"), ("port", "security", "user", "sender", "secret")),
        "webhook": WayOutKeys(("url",), ("secret",)),
        "command": WayOutKeys(("command",), ()),
        "journal": WayOutKeys((), ()),
    }
)

# Tables that stand once, and tables of which there is one for each NAME.
SECTIONS: Mapping[str, type[Any]] = MappingProxyType(
    {
        "site": SiteTable,
        "bank": BankTable,
        "central": CentralTable,
        "mqtt": MqttTable,
        "metrics": MetricsTable,
        "clock": ClockTable,
        "notices": NoticesTable,
        "record": RecordTable,
        "lookahead": LookaheadTable,
        "replay": ReplayTable,
    }
)
NAMED_SECTIONS: Mapping[str, type[Any]] = MappingProxyType(
    {
        "line": LineTable,
        "instrument": InstrumentTable,
        "load": LoadTable,
        "alert": AlertTable,
        "way-out": WayOutTable,
    }
)
PREFER = "prefer"  # quantity = "instrument", judged with the instruments at hand
NAMED_MOST = 64  # tables of one kind

# Keys that can't be, or should not be, the field's own name.
KEY_OF_FIELD: Mapping[str, str] = MappingProxyType({"raise_at": "raise", "clear_at": "clear"})
