"""Keys out of bytes, however they are cut."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.screens.keys import Keys

TYPED = b"q\t\x1b[Z\x1b[A\x1bOB\x1b[5~\r\x7f\xc3\xa9\x0c?"
NAMES = ["q", "tab", "backtab", "up", "down", "page-up", "enter", "rub", "é", "redraw", "?"]


@pytest.mark.parametrize("size", [1, 2, 3, 100])
def test_where_a_read_ends_does_not_matter(size: int) -> None:
    keys = Keys()
    found = [key for place in range(0, len(TYPED), size) for key in keys.feed(TYPED[place : place + size])]
    assert found == NAMES
    assert not keys.waiting


def test_a_lone_escape_is_the_key_once_nothing_follows() -> None:
    keys = Keys()
    assert keys.feed(b"\x1b") == []
    assert keys.waiting
    assert keys.settle() == ["escape"]
    assert keys.settle() == []


def test_unknown_sequences_and_control_bytes_are_no_keys() -> None:
    assert Keys().feed(b"\x1b[200~\x1b[1;5C\x00\x01\x1b[Iq") == ["q"]


@given(st.binary(max_size=200))
def test_no_bytes_break_it(data: bytes) -> None:
    keys = Keys()
    found = keys.feed(data) + keys.settle()
    assert not keys.waiting
    assert all(len(key) > 1 or key.isprintable() for key in found)
