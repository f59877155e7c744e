"""Chance without dice, against published values of the normal distribution."""

import pytest

from shared.chances import Quantiles, even_normals, even_shares, normal_of_share, share_of_normal

# Abramowitz and Stegun, tables 26.1 and 26.5: share below z.
TABLE = [(0.0, 0.5), (1.0, 0.8413447), (1.6448536, 0.95), (-1.2815516, 0.10), (2.3263479, 0.99)]


@pytest.mark.parametrize(("z", "share"), TABLE)
def test_normal_both_ways(z: float, share: float) -> None:
    assert share_of_normal(z) == pytest.approx(share, abs=1e-6)
    assert normal_of_share(share) == pytest.approx(z, abs=5e-4)


def test_even_points_leave_no_corner_out() -> None:
    points = list(zip(*even_shares(64, 3), strict=True))
    for corner in range(8):
        near = [p for p in points if all((x > 0.5) == bool(corner >> axis & 1) for axis, x in enumerate(p))]
        assert 4 <= len(near) <= 12  # eight each, were they spread quite evenly


def test_even_normals_have_no_leaning_and_unit_spread() -> None:
    first, second = even_normals(64, 2)
    for drawn in (first, second):
        assert sum(drawn) == pytest.approx(0.0, abs=1e-9)
        assert sum(z * z for z in drawn) / 64 == pytest.approx(1.0)
    assert abs(sum(a * b for a, b in zip(first, second, strict=True)) / 64) < 0.15


def test_samples_count_by_their_weight() -> None:
    quantiles = Quantiles([(0.2, 1.0), (0.8, 3.0)])
    assert quantiles.value(0.05) == 0.2 and quantiles.value(0.99) == 0.8
    # Half of a sample's weight lies below it: 1/2 of 4, and 1 + 3/2 of 4; beyond the samples nothing is known.
    assert quantiles.share(0.1) == quantiles.share(0.2) == 0.125 and quantiles.share(0.9) == 0.625
    whole = Quantiles((n / 100.0, 1.0) for n in range(101))
    assert whole.value(0.25) == pytest.approx(0.25, abs=0.01)
    assert whole.of_normal(1.0) == pytest.approx(0.8413, abs=0.01)  # the table above


def test_many_deviates_at_once_and_one_by_one_are_the_same() -> None:
    whole = Quantiles((value, 1.0 + value) for value in (0.1, 0.4, 0.7, 1.3))
    deviates = [-9.0, -2.5, -0.3, 0.0, 0.01, 1.7, 2.4999999999999996, 2.5, 9.0]
    assert whole.of_normals(deviates) == [whole.of_normal(z) for z in deviates] == sorted(whole.of_normals(deviates))
