"""The covariance keeps what a covariance must keep, and folds as the textbook does."""

from hypothesis import given, settings
from hypothesis import strategies as st

from shared.covariance import Matrix, diagonal, drift, fold, forget, shrink


def is_positive(p: Matrix) -> bool:
    """Cholesky without a library: every pivot above 0."""
    n = len(p)
    low = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i + 1):
            left = p[i][j] - sum(low[i][k] * low[j][k] for k in range(j))
            if i == j:
                if left <= 0.0:
                    return False
                low[i][i] = left**0.5
            else:
                low[i][j] = left / low[j][j]
    return True


def test_two_equal_measurements_halve_the_variance() -> None:
    state, p = [0.0, 5.0], diagonal([2.0, 1.0])
    assert fold(state, p, [(0, 1.0)], 3.0, 4.0) == 8.0
    assert state == [1.5, 5.0]
    assert p[0][0] == 2.0
    assert p[1] == [0.0, 1.0]


def test_drift_and_shrink_are_f_p_f_transposed() -> None:
    # F = [[1, 3], [0, 1]] on P = [[4, 1], [1, 2]] by hand: [[4 + 6 + 18, 1 + 6], [7, 2]].
    p = [[4.0, 1.0], [1.0, 2.0]]
    drift(p, 0, [(1, 3.0)])
    assert p == [[28.0, 7.0], [7.0, 2.0]]
    shrink(p, 0, 0.5)
    assert p == [[7.0, 3.5], [3.5, 2.0]]
    forget(p, 1, 3.0)
    assert p == [[7.0, 0.0], [0.0, 9.0]]


_rows = st.lists(st.tuples(st.integers(0, 3), st.floats(-20.0, 20.0)), min_size=1, max_size=3, unique_by=lambda r: r[0])


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(_rows, st.floats(-5.0, 5.0), st.floats(1e-5, 10.0)), min_size=1, max_size=60))
def test_stays_symmetric_and_positive(observations: list[tuple[list[tuple[int, float]], float, float]]) -> None:
    state, p = [0.0] * 4, diagonal([7.0, 0.1, 0.02, 3.0])
    for rows, residual, variance in observations:
        fold(state, p, rows, residual, variance)
        drift(p, 0, [(1, 0.1)])
        for i in range(4):
            p[i][i] += 1e-9
    assert is_positive(p)
    assert all(p[i][j] == p[j][i] for i in range(4) for j in range(4))


def test_spared_state_learns_nothing_but_its_doubt_counts() -> None:
    # S. F. Schmidt's consider state by hand: P = diag(1, 3), h = (1, 1), r = 4 gives s = 8, k = (1/8, 0).
    state, p = [0.0, 5.0], diagonal([1.0, 3.0**0.5])
    fold(state, p, [(0, 1.0), (1, 1.0)], 8.0, 4.0, spared=1)
    assert state == [1.0, 5.0]
    assert abs(p[1][1] - 3.0) < 1e-12
    assert abs(p[0][0] - 0.875) < 1e-12  # 1 - 2 k + 8 k^2
    assert abs(p[0][1] + 0.375) < 1e-12  # - k h P22
