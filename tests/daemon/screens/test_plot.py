"""Curves: every value where it belongs, gaps left open, within the columns there are."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.screens.plot import Curve, Label, Scale, field, framed, number_width, round_scale, samples

FINITE = st.floats(-1e6, 1e6)


def test_a_rising_line_in_ascii() -> None:
    assert field(Curve([0.0, 1.0, 2.0, 3.0]), Scale(0.0, 3.0, 1.0), height=4, unicode=False) == [
        "   *",
        "  * ",
        " *  ",
        "*   ",
    ]


def test_a_step_is_joined_and_a_gap_is_not() -> None:
    assert field(Curve([0.0, 3.0, None, 3.0, 0.0]), Scale(0.0, 3.0, 1.0), height=4, unicode=False) == [
        " * * ",
        " *  *",
        " *  *",
        "*   *",
    ]


def test_the_band_lies_behind_the_line() -> None:
    curve = Curve([1.0, None], [0.0, 0.0], [2.0, None])
    assert field(curve, Scale(0.0, 2.0, 1.0), height=3, unicode=False) == [". ", "* ", ". "]


def test_dots_are_those_of_the_unicode_chapter() -> None:
    # Unicode chart U+2800: dot 7 (lower left) is 0x40, dot 1 (upper left) 0x01, dot 4 (upper right) 0x08.
    assert field(Curve([0.0, None]), Scale(0.0, 1.0, 1.0), height=1, unicode=True) == ["\u2840"]
    assert field(Curve([1.0, 1.0]), Scale(0.0, 1.0, 1.0), height=1, unicode=True) == ["\u2809"]
    assert field(Curve([None, None]), Scale(0.0, 1.0, 1.0), height=1, unicode=True) == [" "]


@pytest.mark.parametrize(
    ("least", "most", "scale"),
    [
        (12.1, 14.4, Scale(12.0, 15.0, 1.0)),
        (0.0, 1.0, Scale(0.0, 1.0, 0.5)),
        (-1.7, 1.4, Scale(-2.0, 2.0, 1.0)),
        (12.51, 12.53, Scale(12.51, 12.53, 0.01)),
    ],
)
def test_marks_are_round(least: float, most: float, scale: Scale) -> None:
    found = round_scale(least, most, 4, 0.01)
    assert (found.least, found.most, found.step) == pytest.approx((scale.least, scale.most, scale.step))


@given(FINITE, FINITE, st.integers(2, 8))
def test_every_axis_holds_its_values_in_few_marks(one: float, other: float, marks: int) -> None:
    least, most = min(one, other), max(one, other)
    scale = round_scale(least, most, marks, 1e-3)
    slack = 1e-6 * scale.step
    assert scale.least - slack <= least and most <= scale.most + slack
    assert 1 <= round((scale.most - scale.least) / scale.step) <= marks
    assert scale.step >= 1e-3 * 0.999


@given(
    st.lists(st.one_of(st.none(), FINITE), min_size=2, max_size=300),
    st.integers(12, 120),
    st.integers(2, 12),
    st.booleans(),
)
def test_nothing_leaves_its_columns(values: list[float | None], width: int, height: int, unicode: bool) -> None:
    known = [value for value in values if value is not None] or [0.0]
    scale = round_scale(min(known), max(known), 4)
    margin = number_width(scale)
    room = max(1, width - margin - 1)
    count = samples(room, unicode=unicode)
    middle = [values[n * len(values) // count] for n in range(count)]
    labels = [Label(n, "00:00") for n in range(0, room, 7)]
    rows = framed(Curve(middle), scale, labels, width=margin + 1 + room, height=height, unicode=unicode, margin=margin)
    assert all(len(row) <= margin + 1 + room for row in rows)
    assert len(rows) in (height + 1, height + 2)
    assert unicode or all(row.isascii() for row in rows)


def test_numbers_stand_at_their_heights_and_words_where_they_begin() -> None:
    rows = framed(
        Curve([0.0] * 20),
        Scale(0.0, 2.0, 1.0),
        [Label(0, "Mon"), Label(2, "no"), Label(12, "Tue"), Label(19, "over")],
        width=22,
        height=5,
        unicode=False,
        margin=1,
    )
    assert rows == [
        "2|",
        " |",
        "1|",
        " |",
        "0|" + "*" * 20,
        " +" + "-" * 20,
        "  Mon         Tue",
    ]


def test_a_flat_line_has_an_axis_too() -> None:
    scale = round_scale(12.5, 12.5, 4, 0.001)
    assert scale.least <= 12.5 <= scale.most and scale.most > scale.least
    assert not math.isnan(scale.step)
