"""What became of each step, as it stands in the record: an entry of kind "commission" with a JSON text."""

import json
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from attrs import field, frozen

from daemon.record import RecordReader

KIND = "commission"
DONE, WRONG, UNSURE, SKIPPED = "done", "wrong", "unsure", "skipped"
OUTCOMES = (DONE, WRONG, UNSURE, SKIPPED)
ENTRIES_AT_ONCE = 200


@frozen
class StepFinding:
    """One step as it was found.

    Attributes:
        run: which commissioning, from 1.
        step: the step's name.
        outcome: done, wrong, unsure or skipped.
        words: what was found.
        figures: the numbers behind it, by name.
    """

    run: int
    step: str
    outcome: str
    words: str
    figures: Mapping[str, float] = field(factory=dict)

    def text(self) -> str:
        """As it goes into the record."""
        figures = {name: round(value, 4) for name, value in self.figures.items()}
        return json.dumps(
            {"run": self.run, "step": self.step, "outcome": self.outcome, "words": self.words, "figures": figures}
        )


class Dated(NamedTuple):
    """A finding, who made it, and when: UTC seconds, or None where no clock was trusted."""

    finding: StepFinding
    who: str
    utc_s: float | None


def read_finding(text: str) -> StepFinding | None:
    """Read an entry's text; None when it is none of ours."""
    try:
        row = json.loads(text)
        figures = {str(name): float(value) for name, value in row["figures"].items()}
        found = StepFinding(int(row["run"]), str(row["step"]), str(row["outcome"]), str(row["words"]), figures)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return found if found.outcome in OUTCOMES and found.run > 0 else None


def findings_in(reader: RecordReader) -> list[Dated]:
    """Give every finding of a record, oldest first."""
    found: list[Dated] = []
    after = 0
    while rows := reader.entries(after, ENTRIES_AT_ONCE):
        for row in rows:
            finding = read_finding(row.text) if row.kind == KIND else None
            if finding is not None:
                found.append(Dated(finding, row.who, reader.utc_of(row.boot, row.at_s)))
        after = rows[-1].id
    return found


def newest_run(found: Iterable[Dated]) -> int:
    """The number of the newest commissioning, 0 when there was none."""
    return max((row.finding.run for row in found), default=0)


def of_run(found: Iterable[Dated], run: int) -> dict[str, Dated]:
    """The newest finding of each step of one commissioning."""
    return {row.finding.step: row for row in found if row.finding.run == run}
