"""How long a server asks to be left alone: the header Retry-After (RFC 9110, 10.2.3)."""

import re
import time
from collections.abc import Callable
from email.utils import parsedate_to_datetime

RETRY_AFTER_MOST_S = 3600.0  # a server that asks for more is asked again after this all the same


def wait_of(value: str | None, wall_utc_s: Callable[[], float] = time.time) -> float | None:
    """Give the seconds a server asks for, at most RETRY_AFTER_MOST_S; None when it asks for nothing.

    Args:
        value: the header, seconds or a date.
        wall_utc_s: the wall clock, for a date; where it is not set, the cap bounds the mistake.
    """
    text = (value or "").strip()
    if re.fullmatch(r"[0-9]{1,9}", text):
        return min(float(text), RETRY_AFTER_MOST_S)
    try:
        until_utc_s = parsedate_to_datetime(text).timestamp()
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return min(max(0.0, until_utc_s - wall_utc_s()), RETRY_AFTER_MOST_S)
