"""Text maps: what is understood, and every mistake told at once."""

from pathlib import Path

import pytest

from drivers.errors import MapError
from drivers.map_tables import MapMistake
from drivers.text_maps import load_text_map
from servers.text_forms import BARE, FORMS, PAIRS_BLANK_LINE, SENTENCE

EXAMPLE = Path(__file__).parents[2] / "config" / "maps" / "example-text-shunt.toml"


def mistakes(text: str) -> dict[str, MapMistake]:
    with pytest.raises(MapError) as caught:
        load_text_map(text, "map")
    return {mistake.key: mistake for mistake in caught.value.mistakes}


def test_the_example_is_what_its_words_say() -> None:
    found = load_text_map(EXAMPLE.read_text(), "map")
    assert found.gives == ("bank_v", "bank_a", "bank_ah_counter", "bank_c")
    assert (found.start, found.tag, found.fields, found.line_end) == (b"$", "SHN", 7, b"\r\n")
    assert (found.check.kind, found.check.mark, found.check.notation) == ("xor", b"*", "hex")


def test_each_mistake_is_told_at_once() -> None:
    text = SENTENCE.replace('"xor"', '"xor32"').replace("position = 1", "position = 5").replace("min = 5", "min = -5")
    found = mistakes(text + '\n[[point]]\nquantity = "bank_v"\nposition = 2\nkey = "V"\n')
    assert set(found) >= {"check.kind", "point[0].position", "point[0].min", "point[4].quantity", "point[4].key"}


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (SENTENCE.replace("fields = 5", "feilds = 5"), "record.feilds"),
        (SENTENCE.replace('mark = "*"', ""), "check.mark"),
        (SENTENCE.replace('start = "$"', 'ends = "check"'), "record.ends"),
        (SENTENCE.replace('start = "$"', 'ends = "blank-line"'), "record.ends"),
        (SENTENCE.replace('start = "$"', 'start = "\\u0007"'), "record.start"),
        (SENTENCE.replace('start = "$"', 'line_end = ""'), "record.line_end"),
        (SENTENCE.replace('start = "$"', "pause_most_s = 60"), "record.pause_most_s"),
        (SENTENCE.replace("min = 5", "scale = 0"), "point[0].scale"),
        (SENTENCE.replace("min = 5", f"scale = 1{'0' * 400}"), "point[0].scale"),
        (SENTENCE.replace('missing = "---"', "missing = 0"), "point[3].missing"),
        (SENTENCE.replace('kind = "xor"', 'kind = "xor"\nzero_sum = true'), "check.zero_sum"),
        (SENTENCE.replace('kind = "xor"', 'kind = "xor"\nbytes = "low-first"'), "check.bytes"),
        (BARE.replace("fields = 3", ""), "record.fields"),
        (BARE.replace('separator = ";"', ""), "record.separator"),
        (BARE.replace('kind = "none"', 'kind = "none"\nmark = "*"'), "check.mark"),
        (BARE.replace("min = 5", "optional = true"), "point[0].optional"),
        (PAIRS_BLANK_LINE.replace('"blank-line"', '"first-key"'), "record.first_key"),
        (PAIRS_BLANK_LINE.replace('key = "T"', ""), "point[2].key"),
        ("[record", "(file)"),
        ("", "record"),
        ("record = 3\ncheck = 4\npoint = 5", "check"),
    ],
)
def test_a_mistake_is_told_with_its_key(text: str, key: str) -> None:
    found = mistakes(text)
    assert key in found, found
    assert "allowed is" in str(found[key])


@pytest.mark.parametrize("form", FORMS)
def test_all_forms_of_the_tests_are_maps(form: str) -> None:
    assert "bank_v" in load_text_map(FORMS[form], form).gives
