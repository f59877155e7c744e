"""Lines for the central store, read back by a strict reader written from the published rules."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.sending.central_lines import LineMaker, joined, rank, tag_text
from servers.letters import HOSTILE
from shared.readings import Reading

OFFSET_MS = 1_780_000_000_000


class NotALine(ValueError):
    pass


def split_unescaped(text: str, at: str, most: int = -1) -> list[str]:
    """Split at a character that has no backslash in front."""
    parts: list[str] = []
    part, escaped = "", False
    for character in text:
        if escaped:
            part, escaped = part + character, False
        elif character == "\\":
            part, escaped = part + character, True
        elif character == at and len(parts) != most:
            parts.append(part)
            part = ""
        else:
            part += character
    if escaped:
        raise NotALine(f"a backslash at the end: {text!r}")
    return [*parts, part]


def unescaped(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def read_line(line: str) -> tuple[str, dict[str, str], dict[str, float], int]:
    """Read one point, as the line protocol reference has it (v2): measurement, tags, float fields, time."""
    if "\n" in line or "\r" in line or line.startswith(("#", "_")):
        raise NotALine(line)
    parts = split_unescaped(line, " ")
    if len(parts) != 3:  # the first unescaped space ends the tags, the second the fields
        raise NotALine(line)
    measurement, *tags = split_unescaped(parts[0], ",")
    read_tags, read_fields = {}, {}
    for tag in tags:
        key, value = split_unescaped(tag, "=")
        if not key or not value:
            raise NotALine(f"an empty tag in {line!r}")
        read_tags[unescaped(key)] = unescaped(value)
    for field in split_unescaped(parts[1], ","):
        key, value = split_unescaped(field, "=")
        if not re.fullmatch(r"-?[0-9]+(\.[0-9]+)?(e[+-]?[0-9]+)?", value) or not key or key.startswith("_"):
            raise NotALine(f"no float: {field!r}")
        read_fields[unescaped(key)] = float(value)
    return unescaped(measurement), read_tags, read_fields, int(parts[2])


def test_the_reader_reads_the_published_example() -> None:
    # The example of the line protocol reference's rules, its other field types left out.
    line = r"site\ power,site=Hill\,\ North\=1,unit=a v=12.5 1556813561098"
    assert read_line(line) == ("site power", {"site": "Hill, North=1", "unit": "a"}, {"v": 12.5}, 1556813561098)


def test_names_are_escaped_as_published() -> None:
    assert tag_text("Hill, North=1") == r"Hill\,\ North\=1"
    assert tag_text("site power") == r"site\ power"
    assert tag_text("") == "-", "a tag is never empty"


def test_one_reading() -> None:
    reading = Reading("shunt", 12.5, {"bank_v": 13.204, "bank_a": -0.512}, {"bank_c": "open circuit"}, ("load_a",))
    line = LineMaker("Cold Fork Ridge").reading(reading, OFFSET_MS)
    assert line == r"halfmark,instrument=shunt,site=Cold\ Fork\ Ridge bank_v=13.204,bank_a=-0.512 1780000012500"


def test_what_is_no_number_is_left_out_and_a_reading_without_any_is_no_line() -> None:
    maker = LineMaker("R")
    values = {"bank_v": math.nan, "bank_a": math.inf, "load_a": 1.0}
    line = maker.reading(Reading("shunt", 0.0, values), OFFSET_MS)
    assert line is not None
    assert read_line(line)[2] == {"load_a": 1.0}
    assert maker.reading(Reading("shunt", 0.0, {"bank_v": math.nan}), OFFSET_MS) is None
    assert maker.reading(Reading("shunt", 0.0, {}, {"bank_v": "open"}), OFFSET_MS) is None


def test_alerts_and_the_site_as_a_whole() -> None:
    maker = LineMaker("R")
    numbers = {"value": 0.95, "limit": None}
    line = maker.alert("instrument-silent:shunt", standing=True, severity="urgent", numbers=numbers, ms=5)
    fields = {"standing": 1.0, "severity": 3.0, "value": 0.95}
    assert read_line(line) == ("halfmark_alert", {"alert": "instrument-silent:shunt", "site": "R"}, fields, 5)
    assert [rank(word) for word in ("advice", "act", "urgent", "unheard-of")] == [1.0, 2.0, 3.0, 3.0]
    line = maker.site({"half_mark": 0.5, "worst": 0, "capacity_ah": None}, 5) or ""
    assert read_line(line)[2] == {"half_mark": 0.5, "worst": 0.0}
    assert maker.site({"half_mark": None}, 5) is None


@pytest.mark.parametrize("text", [*HOSTILE, "a\\", "\\ b", "a\\,b", "a=b,c d", "#x", "_x", "", " ", '"', "č\u0301 °"])
def test_hostile_names_make_sound_lines(text: str) -> None:
    maker = LineMaker(text)
    lines = (
        maker.reading(Reading(text, 1.0, {text: 1.5, "bank_v": 2.0}), OFFSET_MS),
        maker.alert(text, standing=False, severity=text, numbers={}, ms=OFFSET_MS),
        maker.site({"half_mark": 0.5}, OFFSET_MS),
    )
    for line in lines:
        assert line is not None
        read_line(line)
        assert line.isprintable()


names = st.text(max_size=40)
values = st.floats(allow_nan=False, allow_infinity=False)


@given(names, names, st.dictionaries(st.from_regex(r"[a-z][a-z0-9_]{0,12}", fullmatch=True), values, min_size=1))
def test_whatever_the_names_every_value_reads_back_as_it_was(site: str, instrument: str, of: dict[str, float]) -> None:
    line = LineMaker(site).reading(Reading(instrument, 0.001, of), OFFSET_MS)
    assert line is not None
    _, tags, fields, ms = read_line(line)
    assert (set(tags), fields, ms) == ({"site", "instrument"}, of, OFFSET_MS + 1)
    assert joined([line, line]).decode().split("\n") == [line, line]
