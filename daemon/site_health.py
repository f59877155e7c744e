"""What the picture tells of airtime and of the bank's health: short, because everybody who watches asks for it."""

from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from shared.daybook import midnight_s
from shared.station import Station

DAY_S = 86_400.0


def day_began_s(now_s: float, utc: datetime, zone: tzinfo) -> float:
    """Give the last local midnight, seconds since boot.

    Args:
        now_s: seconds since boot.
        utc: the same moment by a trusted clock, aware.
        zone: whose midnight.
    """
    return now_s - (utc.timestamp() - midnight_s(utc.astimezone(zone).date(), zone))


def zone_of_site(station: Station) -> tzinfo | None:
    """The site's time zone; None when this machine does not know it."""
    try:
        return ZoneInfo(station.site.place.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def align(station: Station, now_s: float, utc: datetime | None) -> None:
    """Let the station's days and hours begin with the clock's, once that is trusted."""
    zone = zone_of_site(station)
    if utc is not None and zone is not None:
        station.align(day_began_s(now_s, utc, zone))


def airtime_part(station: Station, now_s: float, utc: datetime | None) -> dict[str, object] | None:
    """Airtime of the local day; of the last 24 hours without a trusted clock; None where none can be seen."""
    airtime = station.airtime
    if airtime is None:
        return None
    zone = zone_of_site(station)
    dated = utc is not None and zone is not None
    since_s = day_began_s(now_s, utc, zone) if utc is not None and zone is not None else now_s - DAY_S
    found = airtime.since(since_s)
    if found is None:
        return None
    return {**found, "day": "today" if dated else "last 24 h", "keyed": airtime.keyed}


def health_part(station: Station, now_s: float) -> dict[str, object]:
    """The figures of the bank's health that a screen has room for; what is not known is null."""
    facts = station.health.facts(now_s)
    report = station.health.report(now_s)
    left, wear, full = report["left"], report["wear"], report["full"]
    assert isinstance(left, dict) and isinstance(wear, dict) and isinstance(full, dict)
    return {
        "capacity_share": left["share"],
        "days_since_full": None if full["ago_s"] is None else full["ago_s"] / DAY_S,
        "below_half_h_month": wear["below_half_h_month"],
        "wear_least": wear["wear_least"],
        "wear_most": wear["wear_most"],
        "ohm": wear["ohm"],
        "ohm_jump": facts["ohm_jump"],
        "lead_ohm": wear["lead_ohm"],
        "charge_v_off": facts["charge_v_off"],
    }
