"""The picture: all that one look at the site can tell, as one JSON object.

The service makes it, answers "status" with it and keeps it in the record as the state "picture", so
that its last words can be read with the service down. Ages are seconds at the time of the picture;
what is not known is null or not there, never zero. Keys are only ever added: whoever reads it must
leave alone what it does not know.
"""

import math
from collections.abc import Mapping
from typing import NotRequired, TypedDict

VERSION = 1
STATE_NAME = "picture"  # its name in the record's state table

# Where the bank current comes from, as one of "shunt", "controllers", "nothing", and in words.
BankCurrentPicture = TypedDict("BankCurrentPicture", {"from": str, "words": str})


class ClockPicture(TypedDict):
    """Whether the wall clock can be believed, and who vouches for it."""

    trusted: bool
    source: str | None


class ServicePicture(TypedDict):
    """The running service; `note` is a sentence for the operator, mostly empty."""

    version: str
    up_s: float
    pid: int
    note: str


class QuantityPicture(TypedDict):
    """A good value, its unit, how old it is, and the instrument (or several, joined by "+") it is from."""

    value: float
    unit: str
    age_s: float
    instrument: str


class AbsentPicture(TypedDict):
    """A quantity this site does not have now, and why."""

    quantity: str
    why: str


class LimitPicture(TypedDict):
    """What a quantity must pass for its rule to raise an alert and to clear it, in the quantity's unit."""

    rule: str
    raise_at: float
    clear_at: float


class AlertPicture(TypedDict):
    """One standing alert; `acked` is null until a person took it on.

    `title` is the alert in a few words, `unit` that of value and limit: "share", "C", "s" or another, or
    empty. `covered_by` names the alert that explains it, so that it is kept quiet; `held` is true while it
    stands only because it came and went too often.
    """

    alert: str
    rule: str
    title: NotRequired[str]
    unit: NotRequired[str]
    severity: str
    for_s: float
    since_utc: str | None
    value: float | None
    limit: float | None
    meaning: str
    to_do: str
    acked: dict[str, object] | None
    covered_by: NotRequired[str | None]
    held: NotRequired[bool]


class InstrumentPicture(TypedDict):
    """One instrument and what became of the questions put to it; `age_s` is that of its last good answer."""

    line: str
    every_s: float
    asked: int
    answered: int
    refused: int
    silent: int
    garbled: int
    suspect: int
    late: int
    last_error: str | None
    last_error_age_s: float | None
    age_s: float | None


class LinePicture(TypedDict):
    """One line, and why and how long it is down."""

    up: bool
    port: str
    why: str | None
    down_s: float | None


class RecordPicture(TypedDict):
    """What the record took; `failing_s` and `why` when it takes nothing more; `damaged`: pieces found so far."""

    folder: str
    last_commit_age_s: float | None
    failing_s: float | None
    why: str | None
    commits: int
    readings: int
    damaged: NotRequired[int]


class Picture(TypedDict):
    """The whole picture. `at_s` counts from the boot `boot_id`; `utc` is there only from a trusted clock.

    `airtime` is that of the local day, or of the last 24 hours without a trusted clock: keyings, seconds, longest_s,
    duty (0 to 1), seen_s, part_s (the sun could hide keyings in it), day (which of the two), keyed (now); null where
    none can be seen. `health` is the bank's: see `daemon.site_health`; `lookahead`: see `daemon.ahead_part`.
    `limits` gives for each quantity with a rule the limit that stands at this site, by quantity.
    """

    v: int
    site: str
    timezone: NotRequired[str]
    at_s: float
    boot_id: NotRequired[str | None]
    utc: str | None
    clock: ClockPicture
    service: ServicePicture
    soc_frac: float | None
    soc_sigma: float | None
    half_mark: float
    share_below_half: float | None
    reserve_points: float | None
    reserve_ah: float | None
    capacity_ah: float
    capacity_sigma_ah: float
    shunt_offset_a: float
    bank_current: BankCurrentPicture
    quantities: dict[str, QuantityPicture]
    absent: list[AbsentPicture]
    limits: NotRequired[dict[str, LimitPicture]]
    alerts: list[AlertPicture]
    instruments: dict[str, InstrumentPicture]
    lines: dict[str, LinePicture]
    record: RecordPicture
    sending: dict[str, object] | None
    airtime: NotRequired[dict[str, object] | None]
    lookahead: NotRequired[dict[str, object] | None]
    health: NotRequired[dict[str, object]]


def read_picture(raw: object) -> Picture:
    """Take a picture that came from outside, of this version or a neighbouring one.

    A part that is missing or not what it should be is left out or not known; keys that are not known
    here are dropped, so this is for screens, not for passing a picture on.

    Args:
        raw: what JSON gave.
    Returns: the picture with every key of `Picture` in it.
    Raises: ValueError: it is no picture at all, or of a later make that can't be read by this one.
    """
    if not isinstance(raw, Mapping) or not isinstance(raw.get("v"), int):
        raise ValueError("no picture of the site")
    if raw["v"] > VERSION:
        raise ValueError(f"the picture is of version {raw['v']}, this command reads up to {VERSION}")
    half_mark = _number(raw, "half_mark")
    if half_mark is None:
        raise ValueError("the picture has no half mark")
    clock, service, record = (_part(raw, key) for key in ("clock", "service", "record"))
    current, sending, ahead = _part(raw, "bank_current"), raw.get("sending"), raw.get("lookahead")
    boot_id = raw.get("boot_id")
    return {
        "v": VERSION,
        "site": _text(raw, "site"),
        "at_s": _number(raw, "at_s") or 0.0,
        "boot_id": boot_id if isinstance(boot_id, str) else None,
        "utc": _text(raw, "utc") or None,
        "clock": {"trusted": clock.get("trusted") is True, "source": _text(clock, "source") or None},
        "service": {
            "version": _text(service, "version"),
            "up_s": _number(service, "up_s") or 0.0,
            "pid": _count(service, "pid"),
            "note": _text(service, "note"),
        },
        "soc_frac": _number(raw, "soc_frac"),
        "soc_sigma": _number(raw, "soc_sigma"),
        "half_mark": half_mark,
        "share_below_half": _number(raw, "share_below_half"),
        "reserve_points": _number(raw, "reserve_points"),
        "reserve_ah": _number(raw, "reserve_ah"),
        "capacity_ah": _number(raw, "capacity_ah") or 0.0,
        "capacity_sigma_ah": _number(raw, "capacity_sigma_ah") or 0.0,
        "shunt_offset_a": _number(raw, "shunt_offset_a") or 0.0,
        "bank_current": {"from": _text(current, "from") or "nothing", "words": _text(current, "words")},
        "quantities": _quantities(_part(raw, "quantities")),
        "absent": [{"quantity": _text(row, "quantity"), "why": _text(row, "why")} for row in _rows(raw, "absent")],
        "limits": _limits(_part(raw, "limits")),
        "alerts": [_alert(row) for row in _rows(raw, "alerts")],
        "instruments": {name: _instrument(_part(part, name)) for part in [_part(raw, "instruments")] for name in part},
        "lines": {name: _line(_part(part, name)) for part in [_part(raw, "lines")] for name in part},
        "record": {
            "folder": _text(record, "folder"),
            "last_commit_age_s": _number(record, "last_commit_age_s"),
            "failing_s": _number(record, "failing_s"),
            "why": _text(record, "why") or None,
            "commits": _count(record, "commits"),
            "readings": _count(record, "readings"),
            "damaged": _count(record, "damaged"),
        },
        "sending": dict(sending) if isinstance(sending, Mapping) else None,
        "lookahead": dict(ahead) if isinstance(ahead, Mapping) else None,
    }


def _quantities(part: Mapping[str, object]) -> dict[str, QuantityPicture]:
    found: dict[str, QuantityPicture] = {}
    for name in part:
        row = _part(part, name)
        value = _number(row, "value")
        if value is not None:
            age_s = _number(row, "age_s") or 0.0
            instrument = _text(row, "instrument")
            found[name] = {"value": value, "unit": _text(row, "unit"), "age_s": age_s, "instrument": instrument}
    return found


def _limits(part: Mapping[str, object]) -> dict[str, LimitPicture]:
    found: dict[str, LimitPicture] = {}
    for name in part:
        row = _part(part, name)
        raise_at, clear_at = _number(row, "raise_at"), _number(row, "clear_at")
        if raise_at is not None:
            clear_at = raise_at if clear_at is None else clear_at
            found[name] = {"rule": _text(row, "rule"), "raise_at": raise_at, "clear_at": clear_at}
    return found


def _alert(row: Mapping[str, object]) -> AlertPicture:
    acked = row.get("acked")
    return {
        "alert": _text(row, "alert"),
        "rule": _text(row, "rule"),
        "title": _text(row, "title"),
        "unit": _text(row, "unit"),
        "severity": _text(row, "severity"),
        "for_s": _number(row, "for_s") or 0.0,
        "since_utc": _text(row, "since_utc") or None,
        "value": _number(row, "value"),
        "limit": _number(row, "limit"),
        "meaning": _text(row, "meaning"),
        "to_do": _text(row, "to_do"),
        "acked": dict(acked) if isinstance(acked, Mapping) else None,
        "covered_by": _text(row, "covered_by") or None,
        "held": row.get("held") is True,
    }


def _instrument(row: Mapping[str, object]) -> InstrumentPicture:
    return {
        "line": _text(row, "line"),
        "every_s": _number(row, "every_s") or 0.0,
        "asked": _count(row, "asked"),
        "answered": _count(row, "answered"),
        "refused": _count(row, "refused"),
        "silent": _count(row, "silent"),
        "garbled": _count(row, "garbled"),
        "suspect": _count(row, "suspect"),
        "late": _count(row, "late"),
        "last_error": _text(row, "last_error") or None,
        "last_error_age_s": _number(row, "last_error_age_s"),
        "age_s": _number(row, "age_s"),
    }


def _line(row: Mapping[str, object]) -> LinePicture:
    why, down_s = _text(row, "why") or None, _number(row, "down_s")
    return {"up": row.get("up") is True, "port": _text(row, "port"), "why": why, "down_s": down_s}


def _part(raw: Mapping[str, object], key: str) -> Mapping[str, object]:
    part = raw.get(key)
    return part if isinstance(part, Mapping) else {}


def _rows(raw: Mapping[str, object], key: str) -> list[Mapping[str, object]]:
    rows = raw.get(key)
    return [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []


def _text(row: Mapping[str, object], key: str) -> str:
    value = row.get(key)
    return value if isinstance(value, str) else ""


def _number(row: Mapping[str, object], key: str) -> float | None:
    value = row.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _count(row: Mapping[str, object], key: str) -> int:
    number = _number(row, key)
    return 0 if number is None else int(number)
