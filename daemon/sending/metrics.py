"""The site as OpenMetrics families: gauges for what is measured now, counters for what the service has counted.

A value that is missing or too old is not there; nothing has a time of its own, because whoever reads it stamps it.
"""

from collections.abc import Mapping
from types import MappingProxyType

from daemon.picture import Picture
from daemon.sending.site_now import ESTIMATE, SiteNow
from shared.open_metrics import COUNTER, GAUGE, Family
from shared.quantities import QUANTITIES, Quantity
from shared.site import SEVERITIES

# Base units, as the format wants them: the word at the end of a family's name, and what a value is multiplied by.
UNITS: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "V": ("volts", 1.0),
        "A": ("amperes", 1.0),
        "W": ("watts", 1.0),
        "Wh": ("watt_hours", 1.0),
        "Ah": ("ampere_hours", 1.0),
        "C": ("celsius", 1.0),
        "%": ("ratio", 0.01),
        "ohm": ("ohms", 1.0),
        "s": ("seconds", 1.0),
    }
)
# Where the quantity's own name says too little, or has another unit than the family: stem and unit's word.
NAMES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "bank_ah_counter": ("bank_counter", "ampere_hours"),
        "enclosure_rh": ("enclosure_humidity", "ratio"),
        "door": ("door_open", ""),
        "soc_frac": ("state_of_charge", "ratio"),
        "soc_sigma": ("state_of_charge_error", "ratio"),
    }
)
FAILURES = ("refused", "silent", "garbled", "suspect", "late")


def family_name(quantity: Quantity) -> tuple[str, str]:
    """Give the name of a quantity's family and its unit's word, empty for none."""
    if quantity.name in NAMES:
        stem, word = NAMES[quantity.name]
    else:
        word = UNITS[quantity.unit][0] if quantity.unit in UNITS else ""
        stem = quantity.name.rpartition("_")[0] if word and "_" in quantity.name else quantity.name
    return "_".join(part for part in ("halfmark", stem, word) if part), word


def families(site: str, now: SiteNow) -> list[Family]:
    """Give everything there is to tell.

    Args:
        site: the site's name, a label of each sample.
        now: how it stands.
    """
    of = ("site", site)
    running = Family("halfmark_running", GAUGE, "1 while the service tells of itself, 0 when it has fallen silent")
    running.add(int(now.running), of)
    found = [running, *_quantities(of, now), _ages(of, now), *_alerts(of, now)]
    if now.running and now.picture is not None:
        found += [*_bank(of, now.picture), *_instruments(of, now.picture), *_service(of, now.picture)]
    return found


def _quantities(of: tuple[str, str], now: SiteNow) -> list[Family]:
    made: list[Family] = []
    for quantity in QUANTITIES.values():
        name, unit = family_name(quantity)
        factor = UNITS[quantity.unit][1] if quantity.unit in UNITS else 1.0
        family = Family(name, GAUGE, f"{quantity.label}, by instrument", unit)
        for instrument, reading in now.readings.items():
            value = reading.values.get(quantity.name)
            if value is not None:
                labels = (of,) if instrument == ESTIMATE else (of, ("instrument", instrument))
                family.add(value * factor, *labels)
        made.append(family)
    return made


def _ages(of: tuple[str, str], now: SiteNow) -> Family:
    family = Family("halfmark_reading_age_seconds", GAUGE, "how old an instrument's newest good values are", "seconds")
    for instrument, reading in now.readings.items():
        family.add(round(reading.age_s, 3), of, ("instrument", instrument))
    return family


def _alerts(of: tuple[str, str], now: SiteNow) -> list[Family]:
    counts = Family("halfmark_alerts", GAUGE, "alerts that stand, by severity; as told last when the service is silent")
    for severity in SEVERITIES:
        counts.add(sum(alert.severity == severity for alert in now.alerts.values()), of, ("severity", severity))
    each = Family("halfmark_alert_standing", GAUGE, "1 for each alert that stands")
    for name, alert in now.alerts.items():
        each.add(1, of, ("alert", name), ("severity", alert.severity), ("acked", "yes" if alert.acked else "no"))
    return [counts, each]


def _bank(of: tuple[str, str], picture: Picture) -> list[Family]:
    half_mark = Family("halfmark_half_mark_ratio", GAUGE, "the reserve limit, a share of the capacity", "ratio")
    half_mark.add(picture["half_mark"], of)
    below = Family("halfmark_below_half_mark_ratio", GAUGE, "how likely the charge is below the half mark", "ratio")
    below.add(picture["share_below_half"], of)
    capacity = Family("halfmark_capacity_ampere_hours", GAUGE, "what the bank holds now", "ampere_hours")
    capacity.add(picture["capacity_ah"], of)
    reserve = Family(
        "halfmark_reserve_ampere_hours", GAUGE, "what is left above the half mark, below zero under it", "ampere_hours"
    )
    reserve.add(picture["reserve_ah"], of)
    return [half_mark, below, capacity, reserve]


def _instruments(of: tuple[str, str], picture: Picture) -> list[Family]:
    asked = Family("halfmark_instrument_questions", COUNTER, "turns of an instrument since the service started")
    answered = Family("halfmark_instrument_answers", COUNTER, "good answers since the service started")
    failed = Family(
        "halfmark_instrument_failures", COUNTER, "what went wrong since the service started, by what it was"
    )
    for name, row in picture["instruments"].items():
        label = ("instrument", name)
        asked.add(row["asked"], of, label)
        answered.add(row["answered"], of, label)
        for what in FAILURES:
            failed.add(row[what], of, label, ("what", what))  # type: ignore[literal-required]
    up = Family("halfmark_line_up", GAUGE, "1 while a line is open")
    for name, line in picture["lines"].items():
        up.add(int(line["up"]), of, ("line", name))
    return [asked, answered, failed, up]


def _service(of: tuple[str, str], picture: Picture) -> list[Family]:
    record = picture["record"]
    commits = Family("halfmark_record_commits", COUNTER, "commits of the record since the service started")
    commits.add(record["commits"], of)
    stored = Family("halfmark_record_readings", COUNTER, "readings stored since the service started")
    stored.add(record["readings"], of)
    clock = Family("halfmark_clock_trusted", GAUGE, "1 while somebody vouches for the clock")
    clock.add(int(picture["clock"]["trusted"]), of)
    up = Family("halfmark_service_up_seconds", GAUGE, "since the service started", "seconds")
    up.add(round(picture["service"]["up_s"], 3), of)
    return [commits, stored, clock, up]
