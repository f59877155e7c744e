"""Makes the picture of a running site out of what the service holds; see `daemon.picture` for its keys."""

import os
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from daemon import __version__
from daemon.ahead_part import ahead_part
from daemon.cycle import LineTask, Place
from daemon.picture import (
    VERSION,
    AbsentPicture,
    AlertPicture,
    BankCurrentPicture,
    InstrumentPicture,
    LimitPicture,
    LinePicture,
    Picture,
    QuantityPicture,
    RecordPicture,
)
from daemon.record import Anchor
from daemon.recorder import Recorder
from daemon.site_health import airtime_part, health_part
from shared.alerts import StandingAlert
from shared.quantities import ESTIMATED, QUANTITIES
from shared.rules import RULES
from shared.station import Station

# A site does well without these, but they are missed, and what it costs must be said.
MISSED = {
    "bank_v": "no instrument gives it: the charge can't be checked against the voltage",
    "bank_a": "no shunt in the bank's own lead: its current is worked out from the others, less exactly",
    "bank_c": "no thermometer at the bank: its temperature is not known, the estimate is less sure",
    "controller_c": "no instrument gives it",
    "enclosure_c": "no thermometer in the enclosure",
    "load_a": "no instrument gives it",
    "panel_w": "no instrument gives it",
}


def utc_at(anchor: Anchor | None, now_s: float) -> datetime | None:
    """Wall time now by the newest trusted anchor of this boot; None without one."""
    if anchor is None:
        return None
    return datetime.fromtimestamp(anchor.utc_s, UTC) + timedelta(seconds=now_s - anchor.at_s)


def picture_of(
    station: Station,
    cycles: Mapping[str, LineTask],
    recorder: Recorder,
    *,
    now_s: float,
    started_s: float,
    boot_id: str,
    anchor: Anchor | None,
    folder: str,
    note: str = "",
    sending: dict[str, object] | None = None,
) -> Picture:
    """Everything one look at the site can tell, at `now_s` seconds since boot."""
    charge, known = station.charge, station.fed_s is not None
    utc = utc_at(anchor, now_s)
    half_mark = station.site.bank.half_mark
    reserve = charge.soc_frac - half_mark if known else None
    return {
        "v": VERSION,
        "site": station.site.place.name,
        "timezone": station.site.place.timezone,
        "at_s": now_s,
        "boot_id": boot_id,
        "utc": utc.isoformat(timespec="seconds") if utc else None,
        "clock": {"trusted": anchor is not None, "source": anchor.source if anchor else None},
        "service": {
            "version": __version__,
            "up_s": now_s - started_s,
            "pid": os.getpid(),
            "note": note,
        },
        "soc_frac": charge.soc_frac if known else None,
        "soc_sigma": charge.soc_sigma if known else None,
        "half_mark": half_mark,
        "share_below_half": station.share_below_half(),
        "reserve_points": 100.0 * reserve if reserve is not None else None,
        "reserve_ah": charge.capacity_ah * reserve if reserve is not None else None,
        "capacity_ah": charge.capacity_ah,
        "capacity_sigma_ah": charge.capacity_sigma_ah,
        "shunt_offset_a": charge.shunt_offset_a,
        "bank_current": _bank_current(station),
        "quantities": _quantities(station, now_s),
        "absent": _absent(station, now_s),
        "limits": _limits(station),
        "alerts": [_alert(row, now_s, utc) for row in station.alerts.standing],
        "instruments": {n: _instrument(c, t, now_s) for c in cycles.values() for n, t in c.turns.items()},
        "lines": {name: _line(station, cycle, now_s) for name, cycle in cycles.items()},
        "record": _record(recorder, folder, now_s),
        "sending": sending,
        "airtime": airtime_part(station, now_s, utc),
        "health": health_part(station, now_s),
        "lookahead": ahead_part(station.ahead.forecast(now_s)),
    }


def _bank_current(station: Station) -> BankCurrentPicture:
    plan = station.plan
    if plan.from_shunt is not None:
        return {"from": "shunt", "words": f"measured in the bank's own lead by {plan.from_shunt}"}
    if not plan.charge_from:
        return {"from": "nothing", "words": "not known"}
    plus = " + ".join(f"{term.instrument} {term.quantity}" for term in plan.charge_from)
    minus = "".join(f" - {term.instrument} {term.quantity}" for term in plan.load_from)
    steady = f" - {plan.steady_a:g} A steady" if plan.steady_a else ""
    return {"from": "controllers", "words": f"{plus}{minus}{steady}"}


def _quantities(station: Station, now_s: float) -> dict[str, QuantityPicture]:
    found: dict[str, QuantityPicture] = {}
    for name, quantity in QUANTITIES.items():
        value, source = station.value(name, now_s), station.source_of(name, now_s)
        if value is not None and source is not None and name not in ESTIMATED:
            found[name] = {"value": value, "unit": quantity.unit, "age_s": source[1], "instrument": source[0]}
    return found


def _absent(station: Station, now_s: float) -> list[AbsentPicture]:
    rows: list[AbsentPicture] = []
    for name in QUANTITIES:
        if name in ESTIMATED or station.value(name, now_s) is not None:
            continue
        if name in station.sources:
            rows.append({"quantity": name, "why": "no good value from " + ", ".join(station.sources[name])})
        elif name in MISSED:
            rows.append({"quantity": name, "why": MISSED[name]})
    return rows


def _limits(station: Station) -> dict[str, LimitPicture]:
    return {
        watch.fact: {"rule": watch.rule.name, "raise_at": watch.rule.raise_at, "clear_at": watch.rule.clear_at}
        for watch in station.watches
        if watch.fact in QUANTITIES
    }


def _alert(row: StandingAlert, now_s: float, utc: datetime | None) -> AlertPicture:
    rule = RULES.get(row.rule)
    for_s = now_s - row.since_s
    since = utc - timedelta(seconds=for_s) if utc is not None and row.since_exact else None
    return {
        "alert": row.alert,
        "rule": row.rule,
        "title": rule.title if rule else "",
        "unit": rule.unit if rule else "",
        "severity": row.severity,
        "for_s": for_s,
        "since_utc": since.isoformat(timespec="seconds") if since else None,
        "value": row.value,
        "limit": row.limit,
        "meaning": rule.meaning if rule else "",
        "to_do": rule.to_do if rule else "",
        "acked": _acked(row, now_s),
        "covered_by": row.covered_by,
        "held": row.held,
    }


def _acked(row: StandingAlert, now_s: float) -> dict[str, object] | None:
    if row.acked_by is None:
        return None
    return {"who": row.acked_by, "note": row.acked_note, "age_s": None if row.acked_s is None else now_s - row.acked_s}


def _instrument(cycle: LineTask, turn: Place, now_s: float) -> InstrumentPicture:
    counters = turn.counters
    error_s, answer_s = counters.last_error_s, counters.last_answer_s
    return {
        "line": cycle.name,
        "every_s": turn.poller.every_s,
        "asked": counters.asked,
        "answered": counters.answered,
        "refused": counters.refused,
        "silent": counters.silent,
        "garbled": counters.garbled,
        "suspect": counters.suspect,
        "late": counters.late,
        "last_error": counters.last_error,
        "last_error_age_s": None if error_s is None else now_s - error_s,
        "age_s": None if answer_s is None else now_s - answer_s,
    }


def _line(station: Station, cycle: LineTask, now_s: float) -> LinePicture:
    line = station.site.lines[cycle.name]
    down_s = None if cycle.down_since_s is None else now_s - cycle.down_since_s
    return {"up": cycle.link.is_up, "port": line.port or line.tcp or "", "why": cycle.down_why, "down_s": down_s}


def _record(recorder: Recorder, folder: str, now_s: float) -> RecordPicture:
    last_s, failing_s = recorder.last_commit_s, recorder.failing_since_s
    return {
        "folder": folder,
        "last_commit_age_s": None if last_s is None else now_s - last_s,
        "failing_s": None if failing_s is None else now_s - failing_s,
        "why": recorder.why,
        "commits": recorder.commits,
        "readings": recorder.readings,
        "damaged": recorder.damaged_rows,
    }
