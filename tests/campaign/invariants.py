"""What must hold in a campaign, whatever the faults: each check gives the breaches it found, in words.

The checks take plain data, so that each can be shown a breach on purpose.
"""

import struct
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from daemon.record.contents import Placed, StoredEvent, StoredNotice
from drivers.virtual.register_tables import TablePoint
from drivers.virtual.rtu_line import Exchange, RtuLine
from drivers.virtual.rtu_units import RtuUnit
from shared.quantities import QUANTITIES
from shared.readings import Reading

_UNPACKED: Mapping[str, str] = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
MEMORY_MOST_BYTES = 2 << 20
WARM_S = 6.0  # after its start a service is warm
FROZEN_MOST_S = 60.0
JOINT = ("bank_v", "bank_a")
BREACHES_TOLD = 5

Key = tuple[int, str, float]
Span = tuple[float, float]
_Change = tuple[object, object, float]  # alert, state, seconds since boot


# -- readings: none wrong, none lost, none twice ---------------------------------------------------


@dataclass
class Witness:
    """Has seen readings in the record, and knows what the instruments truly held.

    Attributes:
        windows_s: instrument -> how long one of its turns may take from the first question to the last answer.
    """

    line: RtuLine
    units: Mapping[str, RtuUnit]
    windows_s: Mapping[str, float]
    seen: dict[Key, Mapping[str, float]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    judged: int = 0
    _judged_keys: set[Key] = field(default_factory=set)

    def take(self, found: Iterable[Placed]) -> None:
        """Remember readings that are in the record now, and judge the new ones."""
        for placed in found:
            key = key_of(placed)
            self.seen.setdefault(key, dict(placed.reading.values))
            if key not in self._judged_keys and placed.reading.instrument in self.units:
                self._judged_keys.add(key)
                self.judged += 1
                self._judge(placed.reading)

    def lost(self, found: Sequence[Placed]) -> list[str]:
        """Tell what was in the record once and is not there now, or says something else now."""
        there = {key_of(placed): dict(placed.reading.values) for placed in found}
        gone = [f"{key} is gone" for key in self.seen if key not in there]
        return gone + [f"{key} has changed" for key, values in self.seen.items() if there.get(key, values) != values]

    def _judge(self, reading: Reading) -> None:
        unit = self.units[reading.instrument]
        until_s = reading.at_s + 0.002  # the record keeps milliseconds
        since_s = until_s - self.windows_s[reading.instrument]
        for table in {point.table for point in unit.table.points}:
            points = [p for p in unit.table.points if p.table == table and p.quantity in reading.values]
            for piece in _pieces(points):
                if self._held(unit, piece, reading.values, since_s, until_s):
                    continue
                told = {p.quantity: reading.values[p.quantity] for p in piece}
                where = self._held_at(unit, piece, reading)
                self.wrong.append(f"{reading.instrument} at {reading.at_s:.3f}: {told} was not held then, {where}")

    def _held_at(self, unit: RtuUnit, points: Sequence[TablePoint], reading: Reading) -> str:
        """For whoever looks into it: how long before it was held, and what the line did around it."""
        at_s, values = reading.at_s, reading.values
        ages_s = (n / 20.0 for n in range(1, 400))
        ago_s = next((age for age in ages_s if self._held(unit, points, values, at_s - age, at_s)), None)
        around = [
            f"{e.at_s - at_s:+.3f}/{'-' if e.due_s is None else format(e.due_s - at_s, '+.3f')} {e.fault or 'good'}"
            for e in self._exchanges(at_s - 4.0, at_s + 0.5)
            if e.request.unit == unit.number
        ]
        return f"but {ago_s} s before; asked/answered: {', '.join(around[::-1])}"

    def _held(
        self, unit: RtuUnit, points: Sequence[TablePoint], values: Mapping[str, float], since_s: float, until_s: float
    ) -> bool:
        if any(e.fault == "frozen" and e.request.unit == unit.number for e in self._exchanges(since_s, until_s)):
            since_s -= FROZEN_MOST_S  # the instrument itself repeats old values: no line can tell
        first = min(point.address for point in points)
        count = max(point.address + point.size for point in points) - first
        blocks = self.line.was(unit.number, points[0].table, first, count, since_s, until_s)
        return any(all(_shows(block, first, p, values[p.quantity]) for p in points) for block in blocks)

    def _exchanges(self, since_s: float, until_s: float) -> list[Exchange]:
        found = []
        for exchange in reversed(list(self.line.log)):
            if exchange.at_s < since_s:
                break
            if exchange.at_s <= until_s:
                found.append(exchange)
        return found


def _pieces(points: Sequence[TablePoint]) -> list[list[TablePoint]]:
    """Points that have to be of one moment: voltage and current of the bank; a turn may ask for the rest apart."""
    joint = [point for point in points if point.quantity in JOINT]
    return [*([joint] if joint else []), *([point] for point in points if point.quantity not in JOINT)]


def _shows(block: Sequence[int], first: int, point: TablePoint, value: float) -> bool:
    """Whether registers hold a value, within the step in which the record keeps it."""
    words = block[point.address - first : point.address - first + point.size]
    ordered = words[::-1] if point.low_first else words
    data = b"".join(word.to_bytes(2, "big") for word in ordered)
    (raw,) = struct.unpack(_UNPACKED[point.type], data)
    held = raw * point.scale + point.offset
    return bool(abs(held - value) <= 0.5001 * QUANTITIES[point.quantity].step + 1e-6 * abs(held))


def key_of(placed: Placed) -> Key:
    """What tells a reading from all others."""
    return placed.boot, placed.reading.instrument, round(placed.reading.at_s, 3)


def doubled(found: Sequence[Placed]) -> list[str]:
    """Tell readings that are in the record more than once."""
    counts = Counter(key_of(placed) for placed in found)
    return [f"{key} is there {count} times" for key, count in counts.items() if count > 1]


def unacknowledged(found: Sequence[Placed], lives: Iterable[tuple[float, float, int]]) -> list[str]:
    """Tell lives of the service of which fewer readings are kept than it had counted as committed.

    Args:
        found: every reading there is.
        lives: of each service: from when to when it ran, and how many readings it acknowledged.
    """
    times = sorted(placed.reading.at_s for placed in found)
    breaches = []
    for began_s, ended_s, acknowledged in lives:
        kept = sum(began_s <= at_s <= ended_s for at_s in times)
        if kept < acknowledged:
            breaches.append(f"{acknowledged - kept} of {acknowledged} acknowledged readings lost ({began_s:.1f} s)")
    return breaches


def holes(times_s: Sequence[float], spells: Sequence[Span], most_s: float) -> list[str]:
    """Tell gaps between readings that no fault explains.

    Args:
        times_s: of one instrument's readings.
        spells: when readings may be missing.
        most_s: how long a gap may be outside of them, s.
    """
    ordered = sorted(times_s)
    found = []
    for before_s, after_s in zip(ordered, ordered[1:], strict=False):
        left_s = after_s - before_s - covered_s((before_s, after_s), spells)
        if left_s > most_s:
            found.append(f"no reading for {after_s - before_s:.2f} s at {before_s:.1f} s, {left_s:.2f} s unexplained")
    return found


def covered_s(span: Span, spells: Iterable[Span]) -> float:
    """How much of a span lies in spells, which may overlap."""
    inside = sorted((max(span[0], a), min(span[1], b)) for a, b in spells if b > span[0] and a < span[1])
    total_s, end_s = 0.0, span[0]
    for begin_s, until_s in inside:
        total_s += max(0.0, until_s - max(begin_s, end_s))
        end_s = max(end_s, until_s)
    return total_s


# -- alerts and notices ----------------------------------------------------------------------------


def alert_disorder(events: Sequence[StoredEvent]) -> list[str]:
    """Tell alerts that were raised twice, or anything but raised while they did not stand, and numbers used twice."""
    found, stands = [], set[str]()
    for event in events:
        if (event.state == "raised") == (event.alert in stands):
            found.append(f"{event.alert} {event.state} at {event.at_s:.1f} s, out of turn")
        if event.state == "raised":
            stands.add(event.alert)
        elif event.state == "cleared":
            stands.discard(event.alert)
    numbers = [event.body["id"] for event in events]
    return found + [f"event number {n} used {c} times" for n, c in Counter(numbers).items() if c > 1]


def notice_disorder(events: Sequence[StoredEvent], notices: Sequence[StoredNotice]) -> list[str]:
    """Tell events without their one notice, and notices without an event that is to be told."""
    told = [event for event in events if event.body.get("told", True)]
    wanted = Counter[_Change]((event.alert, event.state, round(event.at_s, 3)) for event in told)
    queued = Counter[_Change]((n.body["alert"], n.body["state"], round(n.at_s, 3)) for n in notices)
    missing = [f"no notice of {key}" for key in wanted - queued]
    return missing + [f"a notice too many of {key}" for key in queued - wanted]


def letter_disorder(queued: Sequence[str], taken: Sequence[str], *, doubles_most: int) -> list[str]:
    """Tell notices that the mail server never took, letters of no notice, and too many taken twice.

    Args:
        queued: a name for each notice.
        taken: the same names, of the letters that were taken.
        doubles_most: how often the sender was killed: between a server's yes and its own note of it, it sends again.
    """
    counts = Counter(taken)
    found = [f"{name!r} was never taken" for name in queued if name not in counts]
    found += [f"{name!r} is of no notice" for name in counts if name not in queued]
    twice = sum(count - 1 for count in counts.values())
    return found + ([f"{twice} letters taken twice, {doubles_most} may be"] if twice > doubles_most else [])


# -- the process -----------------------------------------------------------------------------------


def memory_growth(samples: Sequence[tuple[float, int]], began_s: float) -> int | None:
    """Bytes by which a service has grown since it was warm; None when it did not live for that."""
    warm = [size for at_s, size in samples if at_s - began_s >= WARM_S]
    return warm[-1] - warm[0] if len(warm) > 4 else None


def ping_gaps(pings: Sequence[float], span: Span, pauses: Sequence[Span], most_s: float) -> list[str]:
    """Tell when the service manager would have heard nothing for too long."""
    times = [span[0], *[at_s for at_s in pings if span[0] <= at_s <= span[1]], span[1]]
    return [text.replace("reading", "ping") for text in holes(times, pauses, most_s)]


def few(name: str, breaches: Sequence[str]) -> list[str]:
    """The first few of many, under a name."""
    told = [f"{name}: {breach}" for breach in breaches[:BREACHES_TOLD]]
    return told + ([f"{name}: {len(breaches)} in all"] if len(breaches) > BREACHES_TOLD else [])
