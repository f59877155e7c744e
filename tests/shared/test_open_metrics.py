"""The OpenMetrics text, read back by the strict parser of prometheus_client, which shares no code with ours."""

import math
import sys
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics import parser

from shared.open_metrics import COUNTER, GAUGE, Family, exposition

parse: Any = parser.text_string_to_metric_families


def family(name: str = "bank_volts", kind: str = GAUGE, unit: str = "", text: str = "x", **labels: str) -> Family:
    made = Family(name, kind, text, unit)
    made.add(1.0, *labels.items())
    return made


def test_the_reference_s_example() -> None:
    # Reference page of the format: escapes in HELP and label values, UNIT at the end of the name, EOF last.
    made = Family("battery_volts", GAUGE, 'Bank "A"\nrest', "volts", [((("bank", 'a\\b"c'),), 12.5)])
    assert exposition([made]) == (
        "# TYPE battery_volts gauge\n# UNIT battery_volts volts\n"
        '# HELP battery_volts Bank \\"A\\"\\nrest\nbattery_volts{bank="a\\\\b\\"c"} 12.5\n# EOF\n'
    )


def test_a_counter_s_samples_end_in_total_and_count_whole() -> None:
    made = Family("asked", COUNTER, "turns", samples=[((("i", "shunt"),), 36_000)])
    assert 'asked_total{i="shunt"} 36000\n' in exposition([made])


def test_nothing_to_tell_is_a_whole_text_too() -> None:
    assert exposition([Family("a", GAUGE, "x")]) == "# EOF\n"
    assert list(parse("# EOF\n")) == []


@given(
    st.dictionaries(st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True), st.text(max_size=20), max_size=4),
    st.text(max_size=30),
    st.floats(),
)
def test_what_is_written_reads_back_the_same(labels: dict[str, str], text: str, value: float) -> None:
    made = Family("any_thing", GAUGE, text, samples=[(tuple(labels.items()), value)])
    (read,) = parse(exposition([made]))
    (sample,) = read.samples
    assert sample.labels == {name: found.replace("\r", " ") for name, found in labels.items()}
    assert sample.value == value or math.isnan(value)
    assert math.isnan(sample.value) == math.isnan(value)
    assert read.documentation.strip() == text.replace("\r", " ").strip(), "the parser takes blanks off the ends"


@pytest.mark.parametrize(
    "wrong",
    [
        [family("0volts")],
        [family("bänk")],
        [family("bank volts")],
        [family("bank_total", COUNTER)],
        [family("bank", unit="volts")],
        [family(), family()],
        [family(**{"a-b": "x"})],
        [family(**{"__a": "x"})],
        [Family("a", GAUGE, "x", samples=[((), 1.0), ((), 2.0)])],
        [Family("a", GAUGE, "x", samples=[((("l", "1"), ("l", "2")), 1.0)])],
        [Family("a", COUNTER, "x", samples=[((), -1.0)])],
        [Family("a", COUNTER, "x", samples=[((), math.nan)])],
    ],
)
def test_what_no_reader_would_take_is_never_written(wrong: list[Family]) -> None:
    with pytest.raises(ValueError):
        exposition(wrong)


def test_the_program_itself_needs_no_such_library() -> None:
    import subprocess

    code = "import sys, shared.open_metrics; print('prometheus_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "False\n"
