"""Drop-ins from site files; the directives are those of systemd.exec(5) and systemd.resource-control(5)."""

from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.unit_dropins import DROP_IN, drop_ins, write_drop_ins
from shared.site import Bank, Line, Place, Site


def site(*lines: Line) -> Site:
    return Site(
        place=Place("Cold Fork Ridge", 37.284, -81.139),
        bank=Bank("agm", 24.0, 6, 0.5, 14.4, 13.7),
        lines={line.name: line for line in lines},
    )


def directives(*lines: Line) -> list[str]:
    text = drop_ins(site(*lines))[DROP_IN]
    head, section, *rest = text.splitlines()
    assert head.startswith("# Written by the halfmark installer")
    assert section == "[Service]"
    return rest


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0",
        "/dev/ttyACM12",
        "/dev/serial/by-id/usb-EXAMPLE-if00",
        "/dev/serial/by-path/platform-usb-0:1.2:1.0-port0",
        "/dev/pts/7",
    ],
)
def test_what_the_unit_allows_already_needs_nothing(port: str) -> None:
    assert drop_ins(site(Line("a", port=port))) == {}


def test_a_site_without_lines_needs_nothing() -> None:
    assert drop_ins(site()) == {}


@pytest.mark.parametrize(
    ("port", "directive"),
    [
        ("/dev/ttyAMA0", "DeviceAllow=char-ttyAMA rw"),
        ("/dev/ttyS1", "DeviceAllow=char-ttyS rw"),
        ("/dev/serial0", "DeviceAllow=/dev/serial0 rw"),
        ("/dev/hill/shunt-1", "DeviceAllow=/dev/hill/shunt-1 rw"),
        ("/dev/ttyUSB-shunt", "DeviceAllow=/dev/ttyUSB-shunt rw"),
    ],
)
def test_another_port_is_allowed_and_no_network(port: str, directive: str) -> None:
    assert directives(Line("a", port=port)) == [directive]


def test_two_lines_of_one_kind_are_allowed_once() -> None:
    lines = Line("a", port="/dev/ttyAMA0"), Line("b", port="/dev/ttyAMA1"), Line("c", port="/dev/ttyUSB0")
    assert directives(*lines) == ["DeviceAllow=char-ttyAMA rw"]


def test_an_address_opens_the_network_to_it_alone() -> None:
    lines = (
        Line("a", tcp="192.0.2.10:502"),
        Line("b", tcp="[2001:DB8::7]:502"),
        Line("c", tcp="192.0.2.10:503"),
        Line("d", port="/dev/ttyS0"),
    )
    assert directives(*lines) == [
        "DeviceAllow=char-ttyS rw",
        "PrivateNetwork=no",
        "RestrictAddressFamilies=AF_INET AF_INET6",
        "IPAddressAllow=192.0.2.10",
        "IPAddressAllow=2001:db8::7",
    ]


def test_a_name_takes_the_filter_away_and_says_so() -> None:
    got = directives(Line("a", tcp="192.0.2.10:502"), Line("b", tcp="meter.example.org:502"))
    assert "IPAddressDeny=" in got
    assert not [line for line in got if line.startswith("IPAddressAllow")]
    assert any(line.startswith("# meter.example.org: a name") for line in got)


def test_nothing_of_the_site_file_can_add_a_directive_and_all_mistakes_come_at_once() -> None:
    bad = (
        Line("a", port="/dev/ttyS0 rw\nExecStartPre=/bin/false"),
        Line("b", port="/dev/%i"),
        Line("c", port="COM1"),
        Line("d", tcp="192.0.2.10\nUser=root:502"),
        Line("e", tcp="nowhere"),
    )
    with pytest.raises(ConfigError) as caught:
        drop_ins(site(*bad))
    assert [m.key for m in caught.value.mistakes] == [
        "line.a.port",
        "line.b.port",
        "line.c.port",
        "line.d.tcp",
        "line.e.tcp",
    ]


def test_writing_is_idempotent_and_follows_the_site(tmp_path: Path) -> None:
    target = tmp_path / DROP_IN
    assert write_drop_ins(site(), tmp_path) == ()
    assert not target.parent.exists()
    assert write_drop_ins(site(Line("a", port="/dev/ttyAMA0")), tmp_path) == (target,)
    assert "char-ttyAMA" in target.read_text()
    assert write_drop_ins(site(Line("a", port="/dev/ttyAMA0")), tmp_path) == ()
    assert write_drop_ins(site(Line("a", tcp="192.0.2.10:502")), tmp_path) == (target,)
    assert "char-ttyAMA" not in target.read_text()
    assert write_drop_ins(site(), tmp_path) == (target,)
    assert list(target.parent.iterdir()) == []
