"""The OpenMetrics text format, version 1.0.0: families of samples written so that a strict reader takes them.

A text with one wrong line is wholly invalid to its reader, so what can't be right raises here and is never sent.
Source: OpenMetrics 1.0 specification (the text format's section): TYPE, UNIT and HELP in that order, at most one
each; a unit is the end of its family's name; counters' samples end in `_total`; `# EOF` is the last line.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
GAUGE, COUNTER = "gauge", "counter"
_KINDS = {GAUGE: "", COUNTER: "_total"}  # and how the names of their samples end
_FAMILY_NAME = re.compile(r"[a-zA-Z_:][a-zA-Z0-9_:]*\Z")
_LABEL_NAME = re.compile(r"(?!__)[a-zA-Z_][a-zA-Z0-9_]*\Z")
_ESCAPES = str.maketrans({"\\": "\\\\", '"': '\\"', "\n": "\\n"})

Labels = tuple[tuple[str, str], ...]


@dataclass(slots=True)
class Family:
    """One family: samples of one meaning that differ in their labels.

    Attributes:
        name: without the ending of its samples; ends with "_" and the unit when there is one.
        kind: gauge or counter.
        help: what it is, for a person.
        unit: a word in the plural such as "volts"; empty for none.
        samples: labels and value of each.
    """

    name: str
    kind: str
    help: str
    unit: str = ""
    samples: list[tuple[Labels, float]] = field(default_factory=list)

    def add(self, value: float | None, *labels: tuple[str, str]) -> None:
        """Add a sample; a value that is not known is not there."""
        if value is not None:
            self.samples.append((labels, value))


def exposition(families: Iterable[Family]) -> str:
    """Write families as one text; those without a sample are left out.

    Raises: ValueError: a name, a unit or a value can't stand, or something is there twice.
    """
    lines: list[str] = []
    names: set[str] = set()
    for family in families:
        if not family.samples:
            continue
        if family.name in names:
            raise ValueError(f"family {family.name} is there twice")
        names.add(family.name)
        lines += _family(family)
    return "\n".join([*lines, "# EOF", ""])


def _family(family: Family) -> list[str]:
    name, ending = family.name, _KINDS[family.kind]
    if not _FAMILY_NAME.match(name) or name.endswith(("_total", "_created", "_info")):
        raise ValueError(f"no name for a family: {name!r}")
    if family.unit and not name.endswith(f"_{family.unit}"):
        raise ValueError(f"family {name} must end with its unit {family.unit}")
    head = [f"# TYPE {name} {family.kind}"]
    head += [f"# UNIT {name} {family.unit}"] if family.unit else []
    head.append(f"# HELP {name} {_text(family.help)}")
    if len({frozenset(labels) for labels, _ in family.samples}) != len(family.samples):
        raise ValueError(f"family {name} has one sample twice")
    return head + [f"{name}{ending}{_labels(labels)} {_number(value, family.kind)}" for labels, value in family.samples]


def _labels(labels: Sequence[tuple[str, str]]) -> str:
    names = [name for name, _ in labels]
    if len(set(names)) != len(names) or not all(map(_LABEL_NAME.match, names)):
        raise ValueError(f"no names for labels: {names}")
    return "{" + ",".join(f'{name}="{_text(text)}"' for name, text in labels) + "}" if labels else ""


def _number(value: float, kind: str) -> str:
    if kind == COUNTER and not 0.0 <= value < math.inf:
        raise ValueError(f"no count: {value}")
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0.0 else "-Inf"
    return repr(value)


def _text(text: str) -> str:
    # The format holds any UTF-8; half of a surrogate pair is none, and a carriage return some readers take for an end.
    return text.encode("utf-8", "replace").decode("utf-8").replace("\r", " ").translate(_ESCAPES)
