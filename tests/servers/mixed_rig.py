"""The real service at a site with a shunt that talks by itself and a controller behind a TCP gateway."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from daemon.example_files import example
from drivers.virtual.live import Display, LiveSite
from drivers.virtual.port import VirtualPort
from drivers.virtual.register_tables import RegisterTable
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit
from drivers.virtual.site import SitePlan
from drivers.virtual.tcp_port import TcpGateway, TcpPort
from drivers.virtual.text_stream import TextForm, TextStream
from servers.site_rig import SITE, START_UTC_S, SiteRig

TEXT_MAP, CONTROLLER_MAP = "maps/example-text-shunt.toml", "maps/example-controller.toml"
LINES = """
[line.talk]
port = "{port}"
[line.net]
tcp = "{endpoint}"
framing = "{framing}"
baud = 115200
"""


@dataclass
class MixedRig(SiteRig):
    """Like `SiteRig`, with other ways in.

    Attributes:
        stream_faults: asked before each record of the shunt for the name of a fault, or None.
        tcp_faults: asked before each answer of the gateway.
        framing: "tcp" or "rtu".
    """

    stream_faults: Callable[[], str | None] = lambda: None
    tcp_faults: Callable[[], str | None] = lambda: None
    framing: str = "tcp"

    def __enter__(self) -> "MixedRig":
        (self.folder / "maps").mkdir(parents=True, exist_ok=True)
        for name in (TEXT_MAP, CONTROLLER_MAP):
            (self.folder / name).write_text(example(name))
        self.site_file = self.folder / "site.toml"
        self.port_link = self.folder / "port"
        self.stream = TextStream(TextForm.parse(example(TEXT_MAP)), every_s=self.shunt_s, faults=self.stream_faults)
        controller = RtuUnit(1, RegisterTable.parse(example(CONTROLLER_MAP)))
        self.units = {"controller": controller}
        self.line = RtuLine((controller,), faults=self.faults)
        gateway = TcpGateway(self.line, faults=self.tcp_faults) if self.framing == "tcp" else self.line
        self.tcp_port = TcpPort(gateway)
        site = self.make_site(seed=self.seed, start_utc_s=START_UTC_S, plan=self.plan or SitePlan())
        shown: dict[str, Display] = {"controller": controller, "shunt": self.stream}
        self.live = LiveSite(site, shown, tick_s=self.tick_s, rate=self.rate)
        self.port = VirtualPort(self.stream, link=self.port_link)
        self.live.start()
        self.port.start()
        self.tcp_port.start()
        self.write_site()
        return self

    def __exit__(self, *_: object) -> None:
        super().__exit__()
        self.tcp_port.__exit__()

    def write_site(self, **changed: Any) -> None:
        """Write the site file."""
        lines = LINES.format(port=self.port_link, endpoint=self.tcp_port.endpoint, framing=self.framing)
        text = SITE.format(
            port="unused",
            line="",
            commit_s=self.commit_s,
            shunt_s=self.shunt_s,
            controller_s=self.controller_s,
            more=self.more,
        )
        start, end = text.index("[line.rs485]"), text.index("[instrument.shunt]")
        text = text[:start] + lines + text[end:]
        text = text.replace('line = "rs485"', 'line = "talk"', 1).replace('line = "rs485"', 'line = "net"')
        text = text.replace('"register-map"', '"text-lines"', 1).replace("unit = 2\n", "")
        self.site_file.write_text(text.replace("maps/example-shunt.toml", TEXT_MAP))
