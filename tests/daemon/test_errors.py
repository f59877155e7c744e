"""The tree of errors, and how a mistake reads."""

import pytest

from daemon import errors


@pytest.mark.parametrize("kind", [errors.StoreBusy, errors.StoreFull, errors.StoreReadOnly])
def test_every_store_error_can_be_caught_as_one(kind: type[errors.StoreError]) -> None:
    assert issubclass(kind, errors.StoreError)
    assert issubclass(kind, errors.HalfmarkError)


def test_a_mistake_names_file_key_value_and_what_is_allowed() -> None:
    mistake = errors.Mistake("site.toml", "bank.cells", "7", "3 to 24 cells")
    assert str(mistake) == "site.toml: bank.cells = 7: 3 to 24 cells"


def test_a_missing_key_has_no_value() -> None:
    mistake = errors.Mistake("site.toml", "bank.cells", None, "must be given")
    assert str(mistake) == "site.toml: bank.cells: must be given"


def test_the_error_text_tells_every_mistake() -> None:
    error = errors.ConfigError([errors.Mistake("a.toml", "x", "1", "no"), errors.Mistake("a.toml", "y", "2", "no")])
    assert len(error.mistakes) == 2
    assert str(error).splitlines() == ["a.toml: x = 1: no", "a.toml: y = 2: no"]


def test_a_value_is_shown_as_the_file_has_it_without_control_bytes() -> None:
    assert errors.shown(True) == "true"
    assert errors.shown("agm") == '"agm"'
    assert errors.shown("a\x1b[2Jb\nc") == '"a?[2Jb?c"'
    assert len(errors.shown("x" * 10_000)) == errors.VALUE_SHOWN_MAX


def test_a_mistake_is_one_line_whatever_the_file_holds() -> None:
    text = str(errors.Mistake("site.toml", "line." + "x" * 10_000, None, "one of a\x1b[2J, b\n"))
    assert text.isprintable()
    assert len(text) == errors.MISTAKE_SHOWN_MAX


def test_a_number_too_long_to_write_is_still_shown() -> None:
    assert errors.shown(10**4000) == "a number of hundreds of digits"
    assert errors.shown(10**15) == "1000000000000000"


def test_the_number_of_mistakes_has_a_limit() -> None:
    error = errors.ConfigError(errors.Mistake("a.toml", f"k{n}", None, "no") for n in range(10_000))
    assert len(error.mistakes) == errors.MISTAKES_MAX
