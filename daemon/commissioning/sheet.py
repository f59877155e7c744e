"""The commissioning sheet: what was found, by whom and when, as a text to print and keep at the site."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

from daemon.commissioning.findings import DONE, SKIPPED, UNSURE, WRONG, Dated
from daemon.commissioning.steps import ALONE, STEPS
from daemon.screens.lettering import clean, wrap

MARKS = {DONE: "[ok]", WRONG: "[NO]", UNSURE: "[??]", SKIPPED: "[--]"}
LEGEND = "[ok] as it should be  [NO] not so  [??] could not be told  [--] skipped"


def sheet(site_name: str, run: int, found: Mapping[str, Dated], columns: int) -> str:
    """Write the sheet of one commissioning.

    Args:
        site_name: of the site.
        run: its number.
        found: the newest finding of each step, by the step's name.
        columns: width, at least 40.
    """
    rows = [*wrap(f"{clean(site_name)}: commissioning {run}", columns), *wrap(_span(found), columns), ""]
    for step in STEPS:
        dated = found.get(step.name)
        if dated is None:
            rows += [f"[  ] {step.title}", "     not done yet"]
            continue
        finding = dated.finding
        rows.append(f"{MARKS[finding.outcome]} {step.title}")
        rows += [f"     {row}" for row in wrap(clean(finding.words), columns - 5)]
        rows += [f"     {row}" for row in wrap(f"{when(dated.utc_s)}, {clean(dated.who)}", columns - 5)]
    rows += ["", *wrap(LEGEND, columns), *wrap(ALONE, columns)]
    return "\n".join(rows) + "\n"


def when(utc_s: float | None) -> str:
    """A date for people; of what nobody has dated yet it says so."""
    if utc_s is None:
        return "undated: no clock was trusted"
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M} UTC"


def _span(found: Mapping[str, Dated]) -> str:
    return " ".join(_span_words(found))


def _span_words(found: Mapping[str, Dated]) -> Iterator[str]:
    times = sorted(row.utc_s for row in found.values() if row.utc_s is not None)
    if times:
        first, last = when(times[0]), when(times[-1])
        yield first if first == last else f"{first} to {last}"
    else:
        yield when(None)
    yield "by " + ", ".join(dict.fromkeys(clean(row.who) for row in found.values())) if found else "nothing done yet"
