"""What the service saved of airtime and bank health, out of a record: its last words, at most minutes old."""

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from attrs import frozen

from daemon.errors import StoreError
from daemon.picture import STATE_NAME
from daemon.record import RecordReader
from daemon.screens.lettering import span
from daemon.timeline import moment_of, zone_of
from shared.airtime import Airtime
from shared.bank_health import BankHealth
from shared.daybook import midnight_s

LONG_AGO_S = -1e12


@frozen
class KeptStation:
    """Airtime and health as they were saved.

    Attributes:
        site: the site's name.
        at_s: when, seconds since the boot in which the service ran.
        utc_s: the same, seconds since 1970; None when nobody vouched for a clock.
        zone: in which times are shown.
        health: the bank's.
        airtime: None where no keying can be seen.
        since_s: from where on somebody wants to see, seconds since that boot.
    """

    site: str
    at_s: float
    utc_s: float | None
    zone: tzinfo
    health: BankHealth
    airtime: Airtime | None
    since_s: float = LONG_AGO_S

    def words(self, at_s: float, form: str = "%Y-%m-%d %H:%M") -> str:
        """Say when something was: its local date and time, or how long before."""
        if self.utc_s is None:
            return f"{span(max(0.0, self.at_s - at_s))} before"
        return datetime.fromtimestamp(self.utc_s + at_s - self.at_s, UTC).astimezone(self.zone).strftime(form)

    @property
    def midnight_s(self) -> float | None:
        """The last local midnight, seconds since boot; None without a date."""
        if self.utc_s is None:
            return None
        day = datetime.fromtimestamp(self.utc_s, UTC).astimezone(self.zone).date()
        return self.at_s - (self.utc_s - midnight_s(day, self.zone))


def kept_station(store: Path, *, since: str | None = None, timezone: str | None = None) -> KeptStation:
    """Read them out of a record.

    Args:
        store: the record, a file or its folder.
        since: what a person gave for --since.
        timezone: shown instead of the site's.
    Raises: StoreError: the record can't be read, or the service has saved nothing in it yet; ConfigError: no such time.
    """
    with RecordReader(store) as reader:
        saved = reader.saved("station")
        picture = reader.state(STATE_NAME) or {}
        zone = zone_of(reader, timezone)
        moment = moment_of(since, reader, zone)
        if saved is None:
            raise StoreError(
                f"{reader.file}: the service has saved nothing yet: ask again some minutes after its start"
            )
        at_s = _time_of(saved.body, saved.at_s)
        utc_s = reader.utc_of(saved.boot, at_s)
        boot = saved.boot
    if isinstance(moment, datetime):
        since_s = LONG_AGO_S if utc_s is None else at_s - (utc_s - moment.timestamp())
    elif moment is not None:
        since_s = moment[1] if moment[0] == boot else LONG_AGO_S
    else:
        since_s = LONG_AGO_S
    health, airtime = _parts(saved.body, store)
    name = picture.get("site")
    return KeptStation(name if isinstance(name, str) else "", at_s, utc_s, zone, health, airtime, since_s)


def _time_of(body: Mapping[str, object], committed_s: float) -> float:
    at_s = body.get("at_s")
    return float(at_s) if isinstance(at_s, int | float) else committed_s


def _parts(body: Mapping[str, object], store: Path) -> tuple[BankHealth, Airtime | None]:
    health, airtime = body.get("health"), body.get("airtime")
    if not isinstance(health, Mapping):
        raise StoreError(
            f"{store}: the service that kept this record knew nothing of bank health yet; start a newer one"
        )
    try:
        return BankHealth.of(health), Airtime.of(airtime) if isinstance(airtime, Mapping) else None
    except (ValueError, KeyError, TypeError) as why:
        raise StoreError(f"{store}: what it keeps of bank health can't be read by this version: {why}") from why
