"""What waited for the record may be in it already: when the service was killed just after the commit."""

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

from daemon.record.contents import Batch
from daemon.record.packing import at_ms

LOOK_BACK = 1000  # of the newest rows; what is committed at once is never as much
NOTICES_QUESTION = "SELECT json FROM notice ORDER BY id DESC LIMIT ?"
EVENTS_QUESTION = "SELECT at_ms, json FROM alert_event WHERE boot = ? ORDER BY id DESC LIMIT ?"


def without_doubles(ask: Callable[..., list[Any]], boot: int, batch: Batch) -> Batch:
    """Leave out of a batch the notices and events that are stored: notices by their key, events by number and time.

    Args:
        ask: gives the rows of a question to the record.
        boot: the number of this boot, whose events these are.
        batch: stays as it is.
    """
    keys = {_part(text, "key") for (text,) in ask(NOTICES_QUESTION, LOOK_BACK)} - {None}
    events = {(_part(text, "id"), time_ms) for time_ms, text in ask(EVENTS_QUESTION, boot, LOOK_BACK)}
    return replace(
        batch,
        notices=[notice for notice in batch.notices if _field(notice, "key") not in keys],
        events=[event for event in batch.events if (_field(event, "id"), at_ms(event.at_s)) not in events],
    )


def _part(text: str, name: str) -> object:
    with suppress(ValueError, AttributeError):
        part: object = json.loads(text).get(name)
        return part if isinstance(part, str | int) else None
    return None


def _field(plain: object, name: str) -> object:
    part = plain.get(name) if isinstance(plain, Mapping) else getattr(plain, name, None)
    return part if isinstance(part, str | int) else None
