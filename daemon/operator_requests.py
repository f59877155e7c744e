"""What a person may ask of the running service besides the picture: to write down, to weigh, to forget, to trust.

Every request is checked here, leaves an entry in the record with who and when, and is answered only
when that entry and what it changed are on the disk together, so that a power cut right after
neither loses nor doubles it.
"""

import asyncio
import math
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Protocol

from daemon.ahead_part import ahead_part
from daemon.clock import DRIFT, Anchor, as_utc, operator_anchor, wall_utc_s
from daemon.errors import ConfigError, ServiceError, shown
from daemon.record import Entry
from daemon.record.damage import SWEPT_TABLES, names_of
from daemon.recorder import Recorder
from daemon.screens.lettering import clean
from shared.charge import PARTS
from shared.field_measurements import MEASUREMENTS
from shared.lookahead import Supposed
from shared.readings import Reading
from shared.site import Site
from shared.station import Station

TEXT_MOST = 500  # characters of one entry
WHO_MOST = 40
SHEET_MOST = 4000  # characters of one step of the commissioning
ENTRIES_A_MINUTE = 60  # a script that goes wild must not wear the memory card out
PLACES_MOST = 100  # damaged rows in one request
STORED_S = 8.0  # less than the socket gives an answer
CLOCK_ERROR_S = 60.0  # of a time a person types
CLOCK_ERROR_MOST_S = 3600.0
BANK_C_LEAST, BANK_C_MOST = -55.0, 110.0

Answer = dict[str, object]


class Keeper(Protocol):
    """The service, as far as these requests reach."""

    site: Site
    station: Station
    recorder: Recorder
    anchor: Anchor | None
    latest: dict[str, Reading]

    def clock(self) -> float:
        """Seconds since boot."""

    @property
    def newest_anchor(self) -> Anchor | None:
        """The newest trusted pair of any boot."""

    def believe(self, anchor: Anchor) -> None:
        """Take a trusted pair of this boot."""

    def save_state(self, now_s: float) -> None:
        """Put the estimate and the alerts into the next commit."""

    async def reload(self) -> list[str]:
        """Take the site file again; tells what changed. Raises ConfigError."""


class OperatorRequests:
    """Answers what people ask for; one for the life of a service."""

    def __init__(self, keeper: Keeper, *, wall: Callable[[], float] = wall_utc_s) -> None:
        """Take what is acted on, and the machine's wall clock, believed only when a person says so."""
        self._keeper = keeper
        self._wall = wall
        self._entered_s: deque[float] = deque(maxlen=ENTRIES_A_MINUTE)
        self.asks: Mapping[str, Callable[[Mapping[str, object]], Awaitable[Answer]]] = {
            "readings": self._readings,
            "note": self._note,
            "measured": self._measured,
            "changed": self._changed,
            "clock": self._clock,
            "commission": self._commission,
            "ack": self._ack,
            "reload": self._reload,
            "suppose": self._suppose,
            "set-aside": self._set_aside,
        }

    async def answer(self, request: Mapping[str, object]) -> Answer:
        """Answer one request.

        Raises: ServiceError: it is not known, or what it says can't be; the message says what can.
        """
        ask = request["ask"]
        if not isinstance(ask, str) or ask not in self.asks:
            raise ServiceError(f"this service does not know {shown(ask)}; it answers: status, {', '.join(self.asks)}")
        return await self.asks[ask](request)

    # -- the requests --------------------------------------------------------------------------

    async def _readings(self, request: Mapping[str, object]) -> Answer:
        """The newest answer of every instrument, for looks that must know who said what."""
        now_s = self._keeper.clock()
        return {
            "at_s": now_s,
            "readings": {
                name: {
                    "at_s": reading.at_s,
                    "values": dict(reading.values),
                    "suspect": dict(reading.suspect),
                    "missing": list(reading.missing),
                }
                for name, reading in self._keeper.latest.items()
            },
        }

    async def _suppose(self, request: Mapping[str, object]) -> Answer:
        """Look ahead under other traffic; nothing is kept of it."""
        traffic, for_h = number_of(request, "traffic"), number_of(request, "for_h")
        if not 0.0 <= traffic <= 100.0 or not 0.0 <= for_h <= 72.0:
            raise ServiceError("traffic is 0 to 100 times the usual, for_h 0 to 72 hours")
        now_s, station = self._keeper.clock(), self._keeper.station
        if station.fed_s is None:
            raise ServiceError("the charge is not known yet: ask again when instruments have answered")
        usual = station.ahead.suppose(now_s, station.charge, Supposed())
        supposed = station.ahead.suppose(now_s, station.charge, Supposed(traffic, for_h))
        return {"usual": ahead_part(usual), "supposed": ahead_part(supposed)}

    async def _note(self, request: Mapping[str, object]) -> Answer:
        return await self._enter(request, "note", text_of(request, "text"))

    async def _commission(self, request: Mapping[str, object]) -> Answer:
        return await self._enter(request, "commission", text_of(request, "text", most=SHEET_MOST))

    async def _measured(self, request: Mapping[str, object]) -> Answer:
        what = request.get("what")
        row = MEASUREMENTS.get(what) if isinstance(what, str) else None
        if row is None:
            raise ServiceError(f"{shown(what)} can't be measured; there are: {', '.join(MEASUREMENTS)}")
        bank, station = self._keeper.site.bank, self._keeper.station
        value = number_of(request, "value")
        error = optional_of(request, "error")
        error = row.error(bank) if error is None else error
        bank_c = optional_of(request, "bank_c")
        if bank_c is not None and not BANK_C_LEAST <= bank_c <= BANK_C_MOST:
            raise ServiceError(f"temperature {bank_c:g} C is not between {BANK_C_LEAST:g} and {BANK_C_MOST:g}")
        refused = row.why_not(bank, value, error)
        if refused is not None:
            raise ServiceError(refused)
        told = text_of(request, "text", needed=False)
        who = who_of(request)
        self._make_room()
        before = _estimate(station)
        row.observe(station.charge, value, error, bank_c)
        after = _estimate(station)
        words = [f"{row.name} {value:g} {row.unit}".rstrip() + f" +-{error:g}"]
        words += [f"at {bank_c:g} C"] if bank_c is not None else []
        words += [f"estimate {_estimate_words(before)}, then {_estimate_words(after)}", *([told] if told else [])]
        answer = await self._store(Entry(self._keeper.clock(), who, "measured", "; ".join(words)), with_state=True)
        return {**answer, "what": row.name, "before": before, "after": after}

    async def _changed(self, request: Mapping[str, object]) -> Answer:
        part = request.get("part")
        if not isinstance(part, str) or part not in PARTS:
            raise ServiceError(f"part {shown(part)} is not known; one of: {', '.join(PARTS)}")
        told = text_of(request, "text", needed=False)
        who = who_of(request)
        self._make_room()
        before = _estimate(self._keeper.station)
        self._keeper.station.changed(part)
        after = _estimate(self._keeper.station)
        text = f"{part}; {told}" if told else part
        answer = await self._store(Entry(self._keeper.clock(), who, "changed", text), with_state=True)
        return {**answer, "part": part, "before": before, "after": after}

    async def _clock(self, request: Mapping[str, object]) -> Answer:
        if "utc_s" not in request:
            return self._clock_words()
        at_s, said = self._keeper.clock(), request["utc_s"]
        utc_s = self._wall() if said == "now" else number_of(request, "utc_s")
        error_s = optional_of(request, "error_s")
        error_s = CLOCK_ERROR_S if error_s is None else error_s
        if not 0.0 < error_s <= CLOCK_ERROR_MOST_S:
            raise ServiceError(f"error {error_s:g} s is not between 0 and {CLOCK_ERROR_MOST_S:g}")
        who = who_of(request)
        try:
            anchor = operator_anchor(at_s, utc_s, error_s=error_s)
        except ValueError as why:
            raise ServiceError(f"{why}; give the time again, or set the machine's clock first") from why
        refused = self._clock_refusal(anchor)
        if refused is not None:
            raise ServiceError(refused)
        self._make_room()
        self._keeper.believe(anchor)
        answer = await self._store(Entry(at_s, who, "clock", f"{as_utc(utc_s)} +-{error_s:g} s"))
        return {**self._clock_words(), **answer}

    async def _ack(self, request: Mapping[str, object]) -> Answer:
        said, who = text_of(request, "alert"), who_of(request)
        note = text_of(request, "text", needed=False)
        alert = self._standing(said)
        self._make_room()
        now_s = self._keeper.clock()
        event = self._keeper.station.alerts.acknowledge(alert, who, note or None, now_s)
        self._keeper.recorder.add_event(event, None)
        answer = await self._store(Entry(now_s, who, "ack", f"{alert}; {note}" if note else alert), with_state=True)
        return {**answer, "alert": alert}

    def _standing(self, said: str) -> str:
        """Which standing alert is meant: by its whole name, or by its rule's where only one of those stands."""
        standing = self._keeper.station.alerts.standing
        names = [row.alert for row in standing if row.alert == said] or [r.alert for r in standing if r.rule == said]
        if len(names) == 1:
            return names[0]
        if names:
            raise ServiceError(f"several of {shown(said)} stand, name one: {', '.join(names)}")
        there = ", ".join(row.alert for row in standing) or "none"
        raise ServiceError(f"no alert {shown(said)} stands; there is: {clean(there)}")

    async def _reload(self, request: Mapping[str, object]) -> Answer:
        who = who_of(request)
        self._make_room()
        try:
            # A swap that has begun is ended, though who asked for it may be gone.
            changes = await asyncio.shield(asyncio.ensure_future(self._keeper.reload()))
        except ConfigError as why:
            rows = [{"file": m.file, "key": m.key, "value": m.value, "allowed": m.allowed} for m in why.mistakes]
            return {"ok": False, "why": "the site file has mistakes; the old one goes on", "mistakes": rows}
        text = clean("; ".join(changes) or "nothing changed")[:TEXT_MOST]
        answer = await self._store(Entry(self._keeper.clock(), who, "reload", text), with_state=True)
        return {**answer, "changes": changes}

    async def _set_aside(self, request: Mapping[str, object]) -> Answer:
        """Move damaged rows of the record away; the record itself judges which are."""
        who, places, recorder = who_of(request), places_of(request), self._keeper.recorder
        folder = text_of(request, "folder")
        if not recorder.keeps(Path(folder)):
            raise ServiceError(f"this service keeps no record in {folder}: name its own folder with --state")
        self._make_room()
        moved = await recorder.set_aside_damaged(places)
        if not moved:
            return {"moved": [], "stored": True}
        text = clean(f"{len(moved)} damaged rows of the record: {names_of(moved)}")[:TEXT_MOST]
        answer = await self._store(Entry(self._keeper.clock(), who, "set-aside", text))
        return {**answer, "moved": [list(one) for one in moved]}

    # -- the clock -----------------------------------------------------------------------------

    def _clock_words(self) -> Answer:
        anchor, now_s, wall = self._keeper.anchor, self._keeper.clock(), self._wall()
        known: Answer = {"trusted": False, "source": None, "utc_s": None, "error_s": None, "age_s": None}
        if anchor is not None:
            age_s = now_s - anchor.at_s
            known = {
                "trusted": True,
                "source": anchor.source,
                "utc_s": anchor.utc_s + age_s,
                "error_s": anchor.error_s + DRIFT * age_s,
                "age_s": age_s,
            }
        return {**known, "wall_utc_s": wall, "trust": list(self._keeper.site.clock_trust)}

    def _clock_refusal(self, anchor: Anchor) -> str | None:
        """Why a person's time is not taken, or None: whoever is surer goes first."""
        site, known, newest = self._keeper.site, self._keeper.anchor, self._keeper.newest_anchor
        if "operator" not in site.clock_trust:
            return '[clock] trust of the site file does not name "operator": add it and reload'
        if known is not None and known.source != "operator":
            now_utc_s = known.utc_s + anchor.at_s - known.at_s
            apart_s = anchor.utc_s - now_utc_s
            if abs(apart_s) <= known.error_s + anchor.error_s + 1.0:
                return f"the {known.source} vouches for {as_utc(now_utc_s)} already, and surer: nothing to do"
            return (
                f"the {known.source} vouches for {as_utc(now_utc_s)}, which is {abs(apart_s):.0f} s "
                f"{'before' if apart_s > 0.0 else 'after'} that; if the {known.source} is wrong, "
                "take it out of [clock] trust, reload, and say the time again"
            )
        if newest is not None and newest.source != "operator":
            earliest_s = newest.utc_s - newest.error_s - anchor.error_s
            if anchor.utc_s < earliest_s:
                return (
                    f"{as_utc(anchor.utc_s)} is before {as_utc(newest.utc_s)}, for which the {newest.source} vouched "
                    "in this record: look at the date again"
                )
        return None

    # -- keeping -------------------------------------------------------------------------------

    async def _enter(self, request: Mapping[str, object], kind: str, text: str) -> Answer:
        who = who_of(request)
        self._make_room()
        return await self._store(Entry(self._keeper.clock(), who, kind, text))

    def _make_room(self) -> None:
        """Refuse before anything is changed when too many entries came in too short a time."""
        now_s = self._keeper.clock()
        while self._entered_s and now_s - self._entered_s[0] >= 60.0:
            self._entered_s.popleft()
        if len(self._entered_s) >= ENTRIES_A_MINUTE:
            raise ServiceError(f"{ENTRIES_A_MINUTE} entries in a minute are enough: wait a little and ask again")
        if not self._keeper.recorder.takes_entries:
            why = self._keeper.recorder.why or "it does not say why"
            raise ServiceError(f"no more entries can wait for the record, which can't be written: {why}")
        self._entered_s.append(now_s)

    async def _store(self, entry: Entry, *, with_state: bool = False) -> Answer:
        """Commit the entry, and with it the estimate as it is now; tell whether it is on the disk."""
        recorder = self._keeper.recorder
        recorder.add_entry(entry)
        if with_state:
            self._keeper.save_state(self._keeper.clock())
        try:
            async with asyncio.timeout(STORED_S):
                stored = await recorder.stored()
        except TimeoutError:
            stored = False
        return {"stored": stored, "text": entry.text, "who": entry.who, "why_not_stored": recorder.why}


# -- reading a request -------------------------------------------------------------------------


def text_of(request: Mapping[str, object], key: str, *, most: int = TEXT_MOST, needed: bool = True) -> str:
    """Read a text of a request, made fit for one line.

    Raises: ServiceError: it is no text, empty though needed, or longer than `most`.
    """
    value = request.get(key)
    if value is None and not needed:
        return ""
    if not isinstance(value, str):
        raise ServiceError(f"{key} must be a text, not {shown(value)}")
    if len(value) > most:
        raise ServiceError(f"{key} has {len(value)} characters, at most {most} are taken")
    text = _cleaned(value)
    if needed and not text:
        raise ServiceError(f"{key} is empty")
    return text


def _cleaned(text: str) -> str:
    """Word by word, because `clean` looks at one screen's worth only, and an entry may be longer."""
    return " ".join(word for part in text.split() if (word := clean(part)))


def who_of(request: Mapping[str, object]) -> str:
    """Read who asks. Raises: ServiceError: nobody is named, or too long a name."""
    return text_of(request, "who", most=WHO_MOST)


def places_of(request: Mapping[str, object]) -> list[tuple[str, int]]:
    """Read which rows of the record are meant. Raises: ServiceError: too many, or no such table."""
    value = request.get("rows")
    if not isinstance(value, list) or len(value) > PLACES_MOST:
        raise ServiceError(f"rows must be a list of at most {PLACES_MOST}")
    found: list[tuple[str, int]] = []
    for row in value:
        table, key = row if isinstance(row, list) and len(row) == 2 else (None, None)
        if table not in SWEPT_TABLES or not isinstance(key, int) or isinstance(key, bool) or key.bit_length() > 63:
            raise ServiceError(f"{shown(row)} is no row of a record: a table and a key are wanted")
        found.append((str(table), key))
    return found


def number_of(request: Mapping[str, object], key: str) -> float:
    """Read a finite number. Raises: ServiceError: it is none."""
    value = request.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ServiceError(f"{key} must be a number, not {shown(value)}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ServiceError(f"{key} must be a number that is finite")
    return number


def optional_of(request: Mapping[str, object], key: str) -> float | None:
    """Read a number that may be left out. Raises: ServiceError: something else stands there."""
    return None if request.get(key) is None else number_of(request, key)


def _estimate(station: Station) -> dict[str, float]:
    charge = station.charge
    return {
        "soc_frac": charge.soc_frac,
        "soc_sigma": charge.soc_sigma,
        "capacity_ah": charge.capacity_ah,
        "capacity_sigma_ah": charge.capacity_sigma_ah,
        "shunt_offset_a": charge.shunt_offset_a,
        "shunt_offset_sigma_a": charge.shunt_offset_sigma_a,
    }


def _estimate_words(row: Mapping[str, float]) -> str:
    return f"{row['soc_frac']:.3f} +-{row['soc_sigma']:.3f}"
