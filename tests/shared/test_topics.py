"""Names of MQTT topics. Source: MQTT 3.1.1 (OASIS standard), 4.7: "/", "+", "#", "$", U+0000."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.topics import LEVEL_MOST, is_prefix, topic_level


def test_a_plain_name_stays_as_it_is() -> None:
    assert topic_level("Cold Fork Ridge") == "Cold Fork Ridge"
    assert topic_level("instrument-silent:shunt") == "instrument-silent:shunt"
    assert topic_level("Grüner Kogel") == "Grüner Kogel"


@pytest.mark.parametrize("text", ["a/b", "a+b", "a#b", "a\0b", "a\nb", "a\x1b[2Jb", "$SYS", "", "\ud800", "a\u2028b"])
def test_what_can_t_stand_is_replaced_and_kept_apart(text: str) -> None:
    level = topic_level(text)
    assert level != text
    assert level.encode("utf-8")
    assert not set(level) & set("/+#\0\n\x1b\u2028")
    assert not level.startswith("$")
    assert topic_level(level) == level
    assert len({topic_level(other) for other in ("a/b", "a+b", "a#b", "a_b")}) == 4


@given(st.text(max_size=3 * LEVEL_MOST))
def test_any_text_gives_one_sound_level(text: str) -> None:
    level = topic_level(text)
    assert 1 <= len(level) <= LEVEL_MOST
    assert is_prefix(level)
    assert "/" not in level


@given(st.text(alphabet="ab/+", max_size=6), st.text(alphabet="ab/+", max_size=6))
def test_two_texts_never_share_a_level(one: str, other: str) -> None:
    assert (topic_level(one) == topic_level(other)) == (one == other)


@pytest.mark.parametrize("text", ["halfmark", "halfmark/Cold Fork Ridge", "a/b/c", "a$b"])
def test_a_prefix(text: str) -> None:
    assert is_prefix(text)


@pytest.mark.parametrize("text", ["", "/a", "a/", "a//b", "a/+/b", "#", "a/b#", "$SYS/a", "a\0", "a\n", "x" * 121])
def test_no_prefix(text: str) -> None:
    assert not is_prefix(text)
