"""Setting words: nothing that could harm a terminal gets through, and nothing is wider than it may be."""

import string
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.screens.lettering import GSM7, clean, columns, cut, pad, span, span_short, to_ascii, to_gsm7, wrap


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        ("a\x1b[2Jb", "a?[2Jb"),  # escape sequence
        ("a\x9b31mb", "a?31mb"),  # the same in one byte of the upper controls
        ("a\x00\x07\x7fb", "a???b"),
        ("a\r\n\t b", "a b"),
        ("a\u202eb\u2066c\u200dd\ufeff", "a?b?c?d?"),  # turns of direction, joiner, byte order mark
        ("a\ud800b\ue000c", "a?b?c"),  # half of a pair, private use
        ("a\u2028b", "a b"),
        ("e\u0301" + "\u0301" * 300, "\u00e9"),  # marks that pile up
        ("x" * 5000, "x" * 1000),
    ],
)
def test_clean_leaves_nothing_that_moves_a_cursor_or_turns_the_writing(hostile: str, shown: str) -> None:
    assert clean(hostile) == shown


@given(st.text(alphabet=st.characters(), max_size=120), st.integers(3, 40))
@settings(max_examples=200, deadline=None)
def test_any_text_is_set_in_its_alphabet_and_its_room(text: str, room: int) -> None:
    cleaned = clean(text)
    assert cleaned.isprintable()
    assert not any(unicodedata.category(c) in ("Mn", "Me") for c in cleaned)
    assert to_ascii(cleaned).isascii()
    assert to_ascii(cleaned).isprintable()
    assert set(to_gsm7(cleaned)) <= GSM7
    assert columns(cut(cleaned, room)) <= room
    assert columns(pad(cleaned, room)) == room
    assert all(columns(line) <= room for line in wrap(cleaned, room))


def test_wide_characters_take_two_columns() -> None:
    # Unicode Standard Annex 11: ideographs are wide, Latin letters are narrow.
    assert columns("山ab") == 4
    assert cut("山山山", 5) == "山.."


def test_the_alphabet_is_the_basic_table() -> None:
    # 3GPP TS 23.038: 128 places, of which line feed, carriage return and escape are not set here; the characters
    # ^ { } \ [ ] ~ | and the euro sign are in the extension table and cost two septets (seen in a message splitter).
    assert len(GSM7) == 125
    assert set(string.ascii_letters + string.digits + " .,:;+-/%()") <= GSM7
    assert not GSM7 & set("^{}\\[]~|\u20ac`\x1b\n\r")
    assert to_gsm7("Höhe [1] \u0141 \u20ac") == "Höhe ?1? ? ?"
    assert to_gsm7("\u0160umava \u00b13") == "Sumava +-3"


def test_ascii_drops_accents_and_spells_our_own_signs() -> None:
    assert to_ascii("H\u00f6he \u00b13 \u20ac \u5c71") == "Hohe +-3 ? ?"


@pytest.mark.parametrize(
    ("seconds", "long", "short"),
    [
        (0.0, "0.0 s", "0s"),
        (0.44, "0.4 s", "0s"),
        (9.94, "9.9 s", "10s"),
        (9.96, "10 s", "10s"),
        (99.4, "99 s", "2min"),
        (99.6, "2 min", "2min"),
        (3569.0, "59 min", "59min"),
        (3599.0, "1 h", "60min"),
        (12_000.0, "3 h 20 min", "3h"),
        (172_740.0, "47 h 59 min", "48h"),
        (172_800.0, "2 d", "2d"),
        (187_200.0, "2 d 4 h", "2d"),
        (1e9, "11574 d", "11574d"),
        (-90.0, "-90 s", "0s"),
    ],
)
def test_spans_of_time(seconds: float, long: str, short: str) -> None:
    assert span(seconds) == long
    assert span_short(seconds) == short
