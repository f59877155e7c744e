"""The reserve curve: columns on the half mark, told apart by how sure they are."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.screens.curve import (
    ASCII_SIGNS,
    AXIS,
    UNICODE_SIGNS,
    Band,
    draw_curve,
    interpolated,
    resample,
    time_axis,
)
from daemon.screens.spans import text_of, width_of


def sure(value: float) -> Band:
    return Band(value, value, value)


def drawn(bands: list[Band | None], rows: int = 5, now_at: int | None = None) -> list[str]:
    lines = draw_curve(bands, half_mark=0.5, rows=rows, signs=ASCII_SIGNS, now_at=now_at)
    return [text_of(line)[AXIS:] for line in lines]


def test_a_full_bank_fills_its_column_and_one_at_the_half_mark_leaves_it_empty() -> None:
    assert drawn([sure(1.0), sure(0.5)]) == ["# "] * 5 + ["=="]


def test_what_is_missing_hangs_below_the_half_mark() -> None:
    lines = drawn([sure(0.9), sure(0.3)], rows=6)
    mark = lines.index("==")
    assert [line[1] for line in lines[:mark]] == [" "] * mark
    assert "#" in "".join(line[1] for line in lines[mark + 1 :])
    assert [line[0] for line in lines[mark + 1 :]] == [" "] * (len(lines) - mark - 1)


def test_a_wide_band_is_told_in_three_signs() -> None:
    column = "".join(drawn([Band(0.6, 0.75, 0.9)], rows=10))
    assert column == "  " + "..." + "+++" + "##" + "="


def test_a_gap_is_no_value_and_not_the_half_mark() -> None:
    assert drawn([sure(0.8), None, sure(0.5)], rows=2)[-1] == "=-="


def test_the_present_is_marked_between_two_columns() -> None:
    assert all(line[1] == "|" for line in drawn([sure(0.8), sure(0.8)], now_at=1))


def test_times_stand_under_their_columns_and_never_run_into_each_other() -> None:
    text = text_of(time_axis(96, 24.0, 72.0, has_mark=True))
    assert text.split() == ["-24", "h", "-12", "h", "-6", "h", "now", "+24", "h", "+48", "h", "+72", "h"]
    assert text.index("now") + 1 == AXIS + 24
    assert text.index("+24 h") + 2 == AXIS + 1 + 48


def test_columns_gather_the_mean_and_the_widest_band() -> None:
    values = [(-1.5, Band(0.5, 0.6, 0.7)), (-1.2, Band(0.6, 0.8, 0.9)), (-0.5, sure(0.4))]
    found = resample(values, [-2.0, -1.0, 0.0, 1.0])
    assert found[0] is not None
    assert (found[0].low, round(found[0].likely, 6), found[0].high) == (0.5, 0.7, 0.9)
    assert found[1] == sure(0.4)
    assert found[2] is None


def test_what_is_expected_is_read_off_between_its_hours() -> None:
    found = interpolated([(0.0, sure(0.6)), (2.0, sure(0.8))], [0.5, 1.5, 2.5, 3.5])
    assert found[0] is not None
    assert abs(found[0].likely - 0.7) < 1e-9
    assert found[2] is None  # nothing is known after the last hour


fractions = st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3).map(sorted).map(lambda v: Band(*v))


@given(
    st.lists(st.none() | fractions, min_size=1, max_size=40),
    st.floats(0.05, 0.95),
    st.integers(1, 30),
    st.sampled_from([ASCII_SIGNS, UNICODE_SIGNS]),
)
def test_every_line_is_as_wide_as_its_columns(bands: list[Band | None], half: float, rows: int, signs: object) -> None:
    assert signs in (ASCII_SIGNS, UNICODE_SIGNS)
    used = ASCII_SIGNS if signs is ASCII_SIGNS else UNICODE_SIGNS
    lines = draw_curve(bands, half_mark=half, rows=rows, signs=used)
    assert len(lines) == rows + 1
    assert {width_of(line) for line in lines} == {AXIS + len(bands)}
