"""How long the reserve lasts: by the lookahead when the service made one, else by plain division."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.picture import Picture
from daemon.screens.curve import Band
from daemon.screens.lettering import span

HOURS_MOST = 400  # of a lookahead; more is not ours
OLD_S = 3600.0  # a lookahead older than this says so
LEAST_DRAW_A = 0.001  # below this a bank is idle, and dividing by it says nothing
LONG_H = 24.0 * 60.0


@dataclass(frozen=True, slots=True)
class Lookahead:
    """What the service expects.

    Attributes:
        made_s: when it was made, seconds since boot.
        bands: (hours after that, charge surely, likely, at most).
        likely_h, cautious_h: hours after that until the half mark; None when not within sight.
        crossing: probability of falling below the half mark, by hours.
    """

    made_s: float
    bands: tuple[tuple[float, Band], ...]
    likely_h: float | None
    cautious_h: float | None
    crossing: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Airtime:
    """How much the transmitter was keyed today."""

    keyings: int
    seconds: float
    longest_s: float | None
    duty: float | None


def read_lookahead(raw: Mapping[str, object]) -> Lookahead | None:
    """Take the lookahead out of a picture as it came; None when there is none that can be used."""
    part = raw.get("lookahead")
    if not isinstance(part, Mapping):
        return None
    made_s = _number(part.get("made_s"))
    columns = [_numbers(part.get(key)) for key in ("hours", "low", "likely", "high")]
    hours, low, likely, high = columns
    if made_s is None or not hours or len({len(column) for column in columns}) != 1:
        return None
    if any(later <= earlier for earlier, later in zip(hours, hours[1:], strict=False)):
        return None
    rows = zip(hours, low, likely, high, strict=True)
    bands = tuple((at_h, Band(*sorted(min(1.0, max(0.0, v)) for v in values))) for at_h, *values in rows)
    return Lookahead(
        made_s,
        bands,
        _number(part.get("hours_to_half_likely")),
        _number(part.get("hours_to_half_cautious")),
        _shares(part.get("share_crossing")),
    )


def _shares(part: object) -> dict[str, float]:
    if not isinstance(part, Mapping):
        return {}
    known = {str(key): _number(value) for key, value in part.items()}
    return {key: min(1.0, max(0.0, value)) for key, value in known.items() if value is not None}


def read_airtime(raw: Mapping[str, object]) -> Airtime | None:
    """Take today's airtime out of a picture as it came; None when there is none."""
    part = raw.get("airtime")
    if not isinstance(part, Mapping):
        return None
    keyings, seconds = _number(part.get("keyings")), _number(part.get("seconds"))
    if keyings is None or seconds is None:
        return None
    return Airtime(int(keyings), seconds, _number(part.get("longest_s")), _number(part.get("duty")))


def lasts(picture: Picture, ahead: Lookahead | None, draw_a: float | None) -> list[str]:
    """Say in short pieces how long the reserve lasts, the weightiest first.

    Args:
        picture: the site.
        ahead: the service's own lookahead.
        draw_a: mean current drawn from bank and charger together over the last day, A.
    """
    if ahead is not None:
        return _by_lookahead(picture, ahead)
    left_ah, points = picture["reserve_ah"], picture["reserve_points"]
    if left_ah is None or points is None:
        return ["not known yet"]
    if left_ah <= 0.0:
        return [f"below the half mark: {-left_ah:.1f} Ah missing"]
    if draw_a is None:
        return ["not known before some hours are recorded"]
    if draw_a < LEAST_DRAW_A:
        return ["nothing draws from the bank"]
    hours = left_ah / draw_a
    return [f"{_hours(hours)} to the half mark without any sun", f"at the last day's mean draw of {draw_a:.2f} A"]


def _by_lookahead(picture: Picture, ahead: Lookahead) -> list[str]:
    age_s = max(0.0, picture["at_s"] - ahead.made_s)
    pieces = []
    points = picture["reserve_points"]
    if points is not None and points <= 0.0:
        pieces.append("below the half mark now")
    elif ahead.likely_h is None and ahead.cautious_h is None:
        pieces.append("the half mark is not in sight")
    else:
        likely, cautious = (_to_go(h, age_s) for h in (ahead.likely_h, ahead.cautious_h))
        pieces.append(f"likely {likely} to half, cautious {cautious}")
    shares = [f"{hours} h {100.0 * ahead.crossing[hours]:.0f} %" for hours in ("24", "72") if hours in ahead.crossing]
    if shares:
        pieces.append(f"below it in {', '.join(shares)}")
    if age_s > OLD_S:
        pieces.append(f"worked out {span(age_s - age_s % 60.0)} ago")
    return pieces


def _to_go(hours: float | None, age_s: float) -> str:
    return "not in sight" if hours is None else _hours(max(0.0, hours - age_s / 3600.0))


def _hours(hours: float) -> str:
    """Say hours as roughly as they are known."""
    if hours > LONG_H:
        return "over 60 d"
    if hours >= 48.0:
        return span(round(hours) * 3600.0)
    return f"{hours:.0f} h" if hours >= 5.5 else span(round(hours * 6.0) * 600.0) if hours > 0.1 else "less than 10 min"


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _numbers(value: object) -> Sequence[float]:
    if not isinstance(value, list) or len(value) > HOURS_MOST:
        return ()
    found = [number for item in value if (number := _number(item)) is not None]
    return found if len(found) == len(value) else ()
