"""The site as configured: what the file `site.toml` says, checked and complete.

Plain frozen data. Reading the file, telling its mistakes and filling defaults is the work of
`daemon.configuration`; whether the wiring lets the bank current be formed is told by
`shared.wiring`.
"""

from collections.abc import Mapping
from types import MappingProxyType

from attrs import field, frozen

CHEMISTRIES = ("flooded", "agm", "gel", "lifepo4")
SEVERITIES = ("advice", "act", "urgent")
HALF_MARKS: Mapping[str, float] = MappingProxyType({"flooded": 0.50, "agm": 0.50, "gel": 0.50, "lifepo4": 0.30})


def _empty() -> Mapping[str, str]:
    return MappingProxyType({})


@frozen
class Place:
    """[site]: where it is, and the panel, as far as known. Angles in degrees, azimuth from north over east."""

    name: str
    latitude: float
    longitude: float
    timezone: str = "UTC"
    panel_w: float | None = None
    panel_tilt_deg: float | None = None
    panel_azimuth_deg: float | None = None


@frozen
class Bank:
    """[bank]: what the owner knows. Voltages are for the whole bank at 25 C, capacity at the 20 h rate.

    The last five are off the maker's own sheet or measured, and narrow the published bands (`shared.own_bands`).
    """

    chemistry: str
    capacity_ah: float
    cells: int
    half_mark: float
    absorb_v: float
    float_v: float
    charge_v_per_k: float = 0.0
    rest_full_v: float | None = None
    rest_half_v: float | None = None
    health_frac: float | None = None
    efficiency_frac: float | None = None
    resistance_ohm: float | None = None

    def is_same_as(self, other: "Bank") -> bool:
        """Tell whether both can be one bank: half mark and charger settings may differ, the bank's own data not."""
        mine, others = ((b.chemistry, b.capacity_ah, b.cells) for b in (self, other))
        return mine == others


@frozen
class Line:
    """[line.NAME]: a serial port or a TCP endpoint that one or more instruments share.

    `reply_s` is how long an answer may take, `slowest_s` how late the slowest answer still comes:
    after a failure nothing is sent for that long, so that a late answer can't be taken for the next.
    """

    name: str
    port: str | None = None
    tcp: str | None = None
    framing: str = "rtu"  # rtu, or for a TCP endpoint: tcp
    baud: int = 9600
    parity: str = "none"
    stop_bits: int = 1
    reply_s: float = 0.3
    slowest_s: float = 0.4
    echo: bool = False


@frozen
class Instrument:
    """[instrument.NAME]: one device on a line.

    `measures` gives for each current of the instrument the two places it flows between, for
    instance {"charge_a": ("controller", "bank")}; the whole bank's own lead is ("bank", "bank").
    `gives` are the quantities it delivers, taken from its map.
    """

    name: str
    line: str
    driver: str
    every_s: float
    unit: int | None = None
    map: str | None = None
    measures: Mapping[str, tuple[str, str]] = field(factory=dict)
    gives: tuple[str, ...] = ()


@frozen
class Load:
    """[load.NAME]: what it draws; `wired_to` is the controller's load output or the bank itself."""

    name: str
    idle_a: float = 0.0
    transmit_a: float | None = None
    wired_to: str = "controller"


@frozen
class AlertChange:
    """[alert.RULE]: what this site changes about a rule; None keeps the rule's own default."""

    rule: str
    raise_at: float | None = None
    clear_at: float | None = None
    dwell_s: float | None = None
    severity: str | None = None
    off: bool = False
    calm_s: float | None = None


@frozen
class WayOut:
    """[way-out.NAME]: one way in which notices leave the hill. `secret` names a file, never the secret."""

    name: str
    kind: str
    server: str | None = None
    port: int | None = None
    security: str = "starttls"  # starttls, tls, none
    user: str | None = None
    sender: str | None = None
    to: tuple[str, ...] = ()
    secret: str | None = None
    url: str | None = None
    command: tuple[str, ...] = ()
    least: str = "advice"  # the mildest severity it carries


@frozen
class Central:
    """[central]: the group's InfluxDB-v2 server; `every_s` is how often what is new is sent there."""

    url: str
    org: str
    bucket: str
    secret: str | None = None
    every_s: float = 300.0


@frozen
class RegularNotices:
    """[notices]: what is told though no alert asks for it; by ways out that carry advice.

    `heartbeat_h` is how often a sign of life goes out, h; `summary` sends one message on each 24 h.
    """

    heartbeat_h: float | None = None
    summary: bool = False


@frozen
class Mqtt:
    """[mqtt]: the broker that shows the latest values; `prefix` is what all topics begin with."""

    server: str
    port: int
    prefix: str
    security: str = "tls"  # tls, none
    user: str | None = None
    secret: str | None = None
    every_s: float = 60.0


@frozen
class Metrics:
    """[metrics]: where on this computer the latest values can be read as OpenMetrics."""

    listen: str = "127.0.0.1:7412"


@frozen
class Site:
    """One station on one hill, as its file describes it."""

    place: Place
    bank: Bank
    lines: Mapping[str, Line] = field(factory=dict)
    instruments: Mapping[str, Instrument] = field(factory=dict)
    loads: Mapping[str, Load] = field(factory=dict)
    alerts: Mapping[str, AlertChange] = field(factory=dict)
    ways_out: Mapping[str, WayOut] = field(factory=dict)
    central: Central | None = None
    mqtt: Mqtt | None = None
    metrics: Metrics | None = None
    notices: RegularNotices = RegularNotices()
    cloud_file: str | None = None  # cloudiness of the next days, written by something else
    clock_trust: tuple[str, ...] = ("kernel", "rtc", "operator")
    prefer: Mapping[str, str] = field(factory=_empty)  # quantity -> instrument
    replay_columns: Mapping[str, str] = field(factory=_empty)  # quantity -> column
    commit_s: float = 10.0
    record_budget_mb: float = 512.0  # of the record's file; then the oldest raw readings go
    source: str = "site.toml"  # the file it came from, for messages
    assumed: tuple[str, ...] = ()  # key paths the file leaves out and a default was filled in for
