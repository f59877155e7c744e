"""Readings and alerts as lines for the central store: line protocol, every field a float, times in whole ms.

    halfmark,instrument=shunt,site=Cold\\ Fork\\ Ridge bank_a=-0.512,bank_v=13.204 1780000000000
    halfmark_alert,alert=below-half-mark,site=... limit=0.9,severity=3.0,standing=1.0,value=0.95 1780000000000
    halfmark_site,site=... half_mark=0.5,standing=1.0,worst=3.0 1780000000000

A server may answer "all is well" to a line it could not read, so nothing that is not a sound line is
ever made: what no line can carry is left out or replaced here. The rules are those of the published
line protocol reference: commas, equals signs and spaces are escaped in tags, line ends are not possible at all.
"""

import math
from collections.abc import Iterable, Mapping

from shared.notices import plain
from shared.readings import Reading
from shared.site import SEVERITIES

READINGS, ALERTS, SITE = "halfmark", "halfmark_alert", "halfmark_site"
NAME_MOST = 100  # characters of a tag's value
NAMES_KEPT = 4000  # prefixes and keys remembered; beyond it they are made anew
# A server takes 0 for "now", and one year of the first century for a mistake of ours: no line has such a time.
_ESCAPES = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ ", "\\": "/"})


def tag_text(text: str) -> str:
    """Make a text fit to stand as a tag's key or value, or as a field's key.

    A backslash becomes a slash: before a blank or at the end it would change what follows. Empty text,
    which no tag may have, becomes a hyphen.
    """
    return (plain(text, NAME_MOST) or "-").translate(_ESCAPES)


class LineMaker:
    """Makes the lines of one site."""

    def __init__(self, site: str) -> None:
        """Take the site's name, which every line carries."""
        self._site = tag_text(site)
        self._prefixes: dict[str, str] = {}
        self._keys: dict[str, str] = {}

    def reading(self, reading: Reading, offset_ms: int) -> str | None:
        """Write the good values of one reading.

        Args:
            reading: its `at_s` counts from the boot.
            offset_ms: of that boot's start, ms since 1970.
        Returns: None when there is no good value in it.
        """
        keys = self._keys
        fields = [
            f"{keys.get(quantity) or self._key(quantity)}={value!r}"
            for quantity, value in reading.values.items()
            if math.isfinite(value)
        ]
        if not fields:
            return None
        prefix = self._prefixes.get(reading.instrument) or self._prefix(reading.instrument)
        return f"{prefix} {','.join(fields)} {offset_ms + round(reading.at_s * 1000.0)}"

    def alert(self, alert: str, *, standing: bool, severity: str, numbers: Mapping[str, object], ms: int) -> str:
        """Write that an alert stands, or stands no more.

        Args:
            alert: its name.
            standing: whether it stands from this time on.
            severity: its word; its rank is sent, 1 for the mildest.
            numbers: value and limit, as far as they are numbers.
            ms: when, ms since 1970.
        """
        fields = {"standing": float(standing), "severity": rank(severity), **_floats(numbers)}
        return f"{ALERTS},alert={tag_text(alert)},site={self._site} {_fields(fields)} {ms}"

    def site(self, numbers: Mapping[str, object], ms: int) -> str | None:
        """Write what holds for the site as a whole; None when nothing of it is a number."""
        fields = _floats(numbers)
        return f"{SITE},site={self._site} {_fields(fields)} {ms}" if fields else None

    def _prefix(self, instrument: str) -> str:
        if len(self._prefixes) >= NAMES_KEPT:
            self._prefixes.clear()
        made = f"{READINGS},instrument={tag_text(instrument)},site={self._site}"
        self._prefixes[instrument] = made
        return made

    def _key(self, quantity: str) -> str:
        if len(self._keys) >= NAMES_KEPT:
            self._keys.clear()
        # A key with an underscore in front is the server's own.
        made = self._keys[quantity] = tag_text(quantity.lstrip("_"))
        return made


def rank(severity: str) -> float:
    """Give a severity as a number, 1 for the mildest; one this release does not know is the gravest."""
    return 1.0 + (SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES) - 1)


def _floats(numbers: Mapping[str, object]) -> dict[str, float]:
    return {
        name: float(value) for name, value in numbers.items() if isinstance(value, int | float) and math.isfinite(value)
    }


def _fields(fields: Mapping[str, float]) -> str:
    return ",".join(f"{name}={value!r}" for name, value in sorted(fields.items()))


def joined(lines: Iterable[str]) -> bytes:
    """Put lines together as they are sent."""
    return "\n".join(lines).encode("utf-8")
