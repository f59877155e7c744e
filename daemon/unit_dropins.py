"""What the service's unit must allow beyond its own rules, worked out from the site file.

The unit as shipped lets the service reach USB serial adapters and no network at all. A site that
uses another kind of port, or instruments behind Modbus/TCP, needs more, and exactly that: the
installer writes it to a drop-in (systemd.unit(5)) beside the unit. The text is a pure function of the site.
"""

import ipaddress
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from daemon.errors import ConfigError
from shared.site import Line, Site

DROP_IN = "halfmark.service.d/10-site.conf"

_HEAD = "# Written by the halfmark installer from the site file; changes made here are lost. Run it again instead.\n"
# Allowed by the unit as it is: USB adapters by any of their names, and pseudo-terminals.
_ALLOWED_ALREADY = re.compile(r"/dev/(serial/by-(id|path)/|tty(USB|ACM)[0-9]+$|pts/[0-9]+$)")
_KERNEL_NAME = re.compile(r"/dev/(tty[A-Za-z]+)[0-9]+$")
_PLAIN_PATH = re.compile(r"/dev/[A-Za-z0-9_.:+,=@/-]+")


def drop_ins(site: Site) -> Mapping[str, str]:
    """The drop-ins a site needs: their text by their path below the folder of units; empty when none.

    Raises: ConfigError: a port or an address that can't be written into a unit, all of them at once.
    """
    lines = tuple(site.lines.values())
    mistakes = [mistake for line in lines for mistake in _mistakes(line, site.source)]
    if mistakes:
        raise ConfigError(m for error in mistakes for m in error.mistakes)
    directives = [*_devices(lines), *_network(lines)]
    if not directives:
        return {}
    return {DROP_IN: _HEAD + "[Service]\n" + "".join(f"{directive}\n" for directive in directives)}


def write_drop_ins(site: Site, folder: Path) -> tuple[Path, ...]:
    """Make the drop-ins below `folder` those of the site, and take away one that is no longer needed.

    Returns: the files that changed, gone ones included; a second call returns none.
    Raises: ConfigError: see `drop_ins`. OSError: the folder can't be written.
    """
    target = folder / DROP_IN
    wanted = drop_ins(site).get(DROP_IN)
    there = target.read_text(encoding="utf-8") if target.exists() else None
    if wanted == there:
        return ()
    if wanted is None:
        target.unlink()
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
        fresh = target.with_suffix(".new")
        fresh.write_text(wanted, encoding="utf-8")
        fresh.replace(target)
    return (target,)


def _mistakes(line: Line, source: str) -> Iterable[ConfigError]:
    if line.port is not None and not _PLAIN_PATH.fullmatch(line.port):
        allowed = "for a unit the port must be a path below /dev, of letters, digits and _.:+,=@/-"
        yield ConfigError.of(source, allowed, key=f"line.{line.name}.port", value=line.port)
    if line.tcp is not None and not re.fullmatch(r"[A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\]", _host(line.tcp)):
        allowed = "must be HOST:PORT, an IPv6 address in brackets"
        yield ConfigError.of(source, allowed, key=f"line.{line.name}.tcp", value=line.tcp)


def _devices(lines: Iterable[Line]) -> list[str]:
    """DeviceAllow for the ports the unit doesn't allow already, each once."""
    allowed: dict[str, None] = {}
    for line in lines:
        if line.port is None or _ALLOWED_ALREADY.match(line.port):
            continue
        kernel = _KERNEL_NAME.fullmatch(line.port)
        # By the kernel's name for the kind where there is one: a path is only looked up at the start.
        allowed[f"DeviceAllow={'char-' + kernel[1] if kernel else line.port} rw"] = None
    return list(allowed)


def _network(lines: Iterable[Line]) -> list[str]:
    """What opens the way to the TCP endpoints and, where all are addresses, to nothing else."""
    hosts = list(dict.fromkeys(_host(line.tcp) for line in lines if line.tcp is not None))
    if not hosts:
        return []
    directives = ["PrivateNetwork=no", "RestrictAddressFamilies=AF_INET AF_INET6"]
    addresses = [_address(host) for host in hosts]
    if None in addresses:
        named = ", ".join(host for host, address in zip(hosts, addresses, strict=True) if address is None)
        directives.append(f"# {named}: a name, no address, so that no filter of addresses can be set.")
        return [*directives, "IPAddressDeny="]
    return [*directives, *(f"IPAddressAllow={address}" for address in addresses)]


def _host(tcp: str) -> str:
    return tcp.rpartition(":")[0]


def _address(host: str) -> str | None:
    try:
        return str(ipaddress.ip_address(host.strip("[]")))
    except ValueError:
        return None
