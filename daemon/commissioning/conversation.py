"""`halfmark commission`: leads a person through the steps on any terminal; what is done is kept as it goes.

Plain lines only, nothing is redrawn: it must work over a slow link, at 40 columns, on paper.
"""

import io
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TextIO

from daemon.commissioning.findings import (
    DONE,
    KIND,
    SKIPPED,
    Dated,
    StepFinding,
    findings_in,
    newest_run,
    of_run,
)
from daemon.commissioning.sheet import MARKS, sheet
from daemon.commissioning.steps import ALONE, STEPS, Phase, Step, Verdict
from daemon.configuration import load_site
from daemon.errors import ServiceError, StoreError
from daemon.folders import Folders
from daemon.live_look import LiveLook, look_at_service
from daemon.operator_entries import own_name, tell_service
from daemon.record import RecordReader
from daemon.screens.lettering import clean, wrap
from shared.site import Site

FINISHED, NOT_FINISHED, USAGE = 0, 1, 2
COLUMNS_LEAST, COLUMNS_MOST = 40, 80
MEASURE_MOST_S = 120.0
TRIES_MOST = 5  # of a number that can't be read
FOREVER = 1_000_000  # more answers than any measuring waits for
CHOICES = "Enter: begin, s: skip, q: stop here"
AFTER = "Enter: go on, r: repeat, q: stop here"


class Stopped(Exception):
    """The person wants to stop here."""


class Talk:
    """Puts words on the terminal and hears the answers."""

    def __init__(self, out: TextIO, hear: Callable[[str], str], columns: int) -> None:
        """Take where to write, what gives a line for a prompt, and the width."""
        self.columns = min(COLUMNS_MOST, max(COLUMNS_LEAST, columns))
        self._out = out
        self._hear = hear

    def say(self, text: str = "", first: str = "") -> None:
        """Write a paragraph."""
        pad = " " * len(first)
        rows = list(wrap(clean(text), self.columns - len(first))) or [""]
        for number, row in enumerate(rows):
            self._out.write(f"{first if number == 0 else pad}{row}".rstrip() + "\n")
        self._out.flush()

    def ask(self, prompt: str) -> str:
        """Ask for a line; raises Stopped at its end."""
        try:
            return self._hear(prompt).strip()
        except EOFError:
            raise Stopped from None

    def choose(self, choices: str) -> str:
        """Give the first letter of what was chosen, empty for Enter; raises Stopped at q."""
        self.say(choices)
        letter = self.ask("> ").lower()[:1]
        if letter == "q":
            raise Stopped
        return letter

    def number(self, words: str) -> float | None:
        """Ask for a number; None when nothing is said."""
        for _ in range(TRIES_MOST):
            self.say(words)
            said = self.ask("> ").replace(",", ".")
            if not said:
                return None
            try:
                value = float(said)
            except ValueError:
                self.say("That is no number.")
                continue
            if abs(value) < 1e6:
                return value
            self.say("That can't be.")
        return None


class Desk:
    """A step's view of site and service."""

    def __init__(self, site: Site, folders: Folders, found: Mapping[str, Dated]) -> None:
        self.site = site
        self._folders = folders
        self._found = found

    def clock(self) -> Mapping[str, object]:
        """How far the clock is trusted."""
        return tell_service(self._folders, {"ask": "clock"})

    def try_ways(self) -> tuple[int, str] | None:
        """Send a test notice by every way out of the site."""
        if not self.site.ways_out:
            return None
        from daemon.secret_files import read_secret
        from daemon.sending.try_ways import run_try

        told = io.StringIO()
        secrets = self._folders.secrets
        code = run_try(self.site, (), every=True, secret=lambda name: read_secret(secrets, name), out=told)
        return code, told.getvalue()

    def figure(self, step: str, name: str) -> float | None:
        """A figure an earlier step found, if that step was as it should be."""
        dated = self._found.get(step)
        return dated.finding.figures.get(name) if dated is not None and dated.finding.outcome == DONE else None

    def measure(self, phase: Phase) -> LiveLook:
        """Take readings for the time of a phase; raises ServiceError."""
        return look_at_service(self.site, self._folders.runtime, wanted=FOREVER, limit_s=self.measure_s(phase))

    def measure_s(self, phase: Phase) -> float:
        """How long a phase is measured, s."""
        slowest_s = max((row.every_s for row in self.site.instruments.values()), default=0.0)
        return min(MEASURE_MOST_S, max(phase.measure_s, phase.answers * slowest_s + phase.answers))


def run_commission(
    path: Path,
    folders: Folders,
    *,
    who: str | None,
    again: bool,
    out: TextIO,
    hear: Callable[[str], str] = input,
    columns: int | None = None,
) -> int:
    """Lead through the steps that are not done yet.

    Args:
        path: the site file.
        folders: of the running service.
        who: who does it; the login name if None.
        again: begin a new commissioning though the last one is not finished, or is.
        out: where to write.
        hear: gives the line a person types.
        columns: width of the terminal; asked of it if None.
    Returns: 0 when every step is done or skipped and none was found wrong, else 1.
    Raises: ConfigError: the site file is wrong; ServiceError: no service answers.
    """
    site = load_site(path)
    talk = Talk(out, hear, columns or shutil.get_terminal_size().columns)
    tell_service(folders, {"ask": "clock"})  # without a service nothing can be measured or kept
    found = _in_record(folders.state)
    run = max(1, newest_run(found) + again)
    done = of_run(found, run)
    guide = Guide(site, folders, talk, who or own_name(), run, done)
    try:
        guide.lead()
    except (Stopped, KeyboardInterrupt):
        talk.say()
        talk.say("Stopped here; what is done is kept. Go on any time with: halfmark commission")
        return NOT_FINISHED
    out.write("\n" + sheet(site.place.name, run, done, talk.columns))
    talk.say("Print it again any time: halfmark commission --sheet. Begin anew: halfmark commission --again")
    return FINISHED if all(row.finding.outcome in (DONE, SKIPPED) for row in done.values()) else NOT_FINISHED


def run_sheet(path: Path, store: Path, out: TextIO, columns: int | None = None) -> int:
    """Print the sheet of the newest commissioning in a record."""
    site = load_site(path)
    with RecordReader(store) as reader:
        found = findings_in(reader)
    run = newest_run(found)
    if not run:
        print("halfmark commission: nothing was commissioned yet", file=sys.stderr)
        return NOT_FINISHED
    width = min(COLUMNS_MOST, max(COLUMNS_LEAST, columns or shutil.get_terminal_size().columns))
    out.write(sheet(site.place.name, run, of_run(found, run), width))
    return FINISHED


def is_interactive() -> bool:
    """Whether somebody can be led: a person who types."""
    return sys.stdin.isatty()


class Guide:
    """Leads through one commissioning."""

    def __init__(self, site: Site, folders: Folders, talk: Talk, who: str, run: int, done: dict[str, Dated]) -> None:
        self._site = site
        self._folders = folders
        self._talk = talk
        self._who = who
        self._run = run
        self._done = done
        self._desk = Desk(site, folders, done)

    def lead(self) -> None:
        """Go through all steps that were not done or skipped; raises Stopped."""
        talk = self._talk
        talk.say(f"{self._site.place.name}: commissioning {self._run}")
        talk.say(ALONE)
        talk.say("Ctrl-C stops at any time; what is done is kept, and the next call goes on from there.")
        for number, step in enumerate(STEPS, 1):
            head = f"Step {number} of {len(STEPS)}: {step.title}"
            known = self._done.get(step.name)
            talk.say()
            if known is not None and known.finding.outcome in (DONE, SKIPPED):
                talk.say(f"{head}: {known.finding.outcome}", MARKS[known.finding.outcome] + " ")
                continue
            talk.say(head)
            if known is not None:
                talk.say(f"last time: {known.finding.words}")
            self._step(step)

    def _step(self, step: Step) -> None:
        needless = step.needless(self._site)
        if needless is not None:
            self._keep(step, Verdict(SKIPPED, f"no use here: {needless}", {}))
            return
        while True:
            for caution in step.cautions:
                self._talk.say(caution, "! ")
            if (step.phases or step.questions) and self._skipped(step):
                return
            self._keep(step, step.judge(self._desk, *self._measured(step)))
            if self._done[step.name].finding.outcome == DONE or self._talk.choose(AFTER) != "r":
                return

    def _skipped(self, step: Step) -> bool:
        for phase in step.phases[:1]:
            self._talk.say(phase.do, "* ")
        if self._talk.choose(CHOICES) != "s":
            return False
        self._keep(step, Verdict(SKIPPED, "skipped", {}))
        return True

    def _measured(self, step: Step) -> tuple[Sequence[LiveLook], Mapping[str, float]]:
        looks: list[LiveLook] = []
        for number, phase in enumerate(step.phases):
            if number:
                self._talk.say(phase.do, "* ")
                self._talk.choose("Enter: done, q: stop here")
            measure_s = self._desk.measure_s(phase)
            if measure_s > 0.0:
                self._talk.say(f"measuring for {measure_s:.0f} s ...")
                looks.append(self._desk.measure(phase))
        answers = {row.name: value for row in step.questions if (value := self._talk.number(row.words)) is not None}
        return looks, answers

    def _keep(self, step: Step, verdict: Verdict) -> None:
        """Tell the finding, and have it in the record before going on; raises ServiceError."""
        self._talk.say(verdict.words, MARKS[verdict.outcome] + " ")
        finding = StepFinding(self._run, step.name, verdict.outcome, verdict.words, verdict.figures)
        answer = tell_service(self._folders, {"ask": KIND, "who": self._who, "text": finding.text()})
        if answer.get("ok") is not True:
            raise ServiceError(f"the finding was not kept: {clean(str(answer.get('why')))}")
        self._done[step.name] = _dated_now(self._folders, finding, self._who)


def _dated_now(folders: Folders, finding: StepFinding, who: str) -> Dated:
    utc_s = tell_service(folders, {"ask": "clock"}).get("utc_s")
    return Dated(finding, who, float(utc_s) if isinstance(utc_s, int | float) else None)


def _in_record(folder: Path) -> list[Dated]:
    try:
        with RecordReader(folder) as reader:
            return findings_in(reader)
    except StoreError as why:
        raise ServiceError(f"what was commissioned before can't be read: {why}") from why
