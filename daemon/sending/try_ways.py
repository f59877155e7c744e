"""`halfmark try-way-out`: send a test notice by a way at once and tell what became of it.

It works without the service and without the sender, and never touches the queue or the receipts.
"""

import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import TextIO

from daemon.errors import ConfigError
from daemon.sending.process import make_ways
from daemon.sending.ways import Letter, Outcome, Way
from shared.notices import SHORT_MOST, SITE_MOST, SUBJECT_MOST, plain
from shared.site import Site

ALL_TAKEN, SOME_REFUSED, UNREACHED = 0, 1, 3  # exit codes


def run_try(
    site: Site,
    names: Sequence[str],
    *,
    every: bool,
    secret: Callable[[str], str],
    out: TextIO,
    wall_utc_s: Callable[[], float] = time.time,
) -> int:
    """Try ways out, one after the other, in the site file's order.

    Args:
        site: as configured.
        names: the ways to try; none means the only one there is.
        every: try all of them.
        secret: gives the content of a named secret.
        out: where to tell.
        wall_utc_s: the wall clock; the test says that it is not vouched for.
    Returns: 0 when every way took it, 3 when one could not be reached or put it off, else 1 when one refused it.
    Raises: ConfigError: no such way, or several and none named.
    """
    ways, kinds = make_ways(site, secret)
    codes = []
    for name in _chosen(site, tuple(ways), names, every=every):
        out.write(f"{name} ({kinds[name]}): trying ...\n")
        out.flush()
        began_s = time.monotonic()
        outcome = ways[name].send(make_test_letter(site, wall_utc_s()), ways[name].recipients)
        code, words = _told(ways[name], outcome)
        out.write(f"{name} ({kinds[name]}): {words}, {time.monotonic() - began_s:.1f} s\n")
        codes.append(code)
    return max(codes)


def make_test_letter(site: Site, utc_s: float) -> Letter:
    """Write the test notice; nobody can take it for a real one."""
    name = plain(site.place.name, SITE_MOST)
    text = (
        f"Site:     {name}\n"
        "What:     a test of this way out, asked for by a person at the site's computer\n"
        "\n"
        "Nothing is wrong and nothing needs to be done. Whoever reads this would be told of a real\n"
        "alert in the same way. The time it was written is this computer's own and is not vouched for.\n"
    )
    return Letter(
        key=f"test-{uuid.uuid4().hex}",
        alert="test",
        state="raised",
        severity="advice",
        utc_s=utc_s,
        site=name,
        subject=plain(f"{name}: TEST of a way out, nothing is wrong", SUBJECT_MOST),
        text=text,
        short=plain(f"{name} TEST: this way out works. Nothing is wrong.", SHORT_MOST),
    )


def _chosen(site: Site, known: Sequence[str], names: Sequence[str], *, every: bool) -> Sequence[str]:
    if every or (not names and len(known) == 1):
        return known
    there = f"{site.source} has {', '.join(known)}"
    if not names:
        raise ConfigError.of(site.source, f"which one? {there}; name one, or say --all", key="way-out")
    for name in names:
        if name not in known:
            raise ConfigError.of(site.source, f"there is no such way out; {there}", key="way-out", value=name)
    return names


def _told(way: Way, outcome: Outcome) -> tuple[int, str]:
    """Give the exit code and what to say, on one line."""
    if outcome.broken is not None:
        return UNREACHED, f"does not work now: {plain(outcome.broken, 300)}"
    parts = [f"taken for {who}" for who in outcome.taken]
    parts += _each("refused for", outcome.refused) + _each("put off for", outcome.later)
    code = UNREACHED if outcome.later else SOME_REFUSED if outcome.refused else ALL_TAKEN
    if not parts:
        return UNREACHED, f"way {way.name} told nothing"
    return code, "; ".join(parts)


def _each(what: str, who: Mapping[str, str]) -> list[str]:
    return [f"{what} {plain(name, 80)} ({plain(why, 200)})" for name, why in who.items()]
