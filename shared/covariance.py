"""A small symmetric covariance in plain lists, and how one scalar observation changes it.

Plain Python beats numpy here by an order of magnitude, since the matrices are ten by ten and each
observation touches a few states. The update is Joseph's form, which keeps the matrix positive
without clamping; the upper half is worked out and mirrored, which keeps it exactly symmetric.
"""

from collections.abc import Sequence

Matrix = list[list[float]]


def diagonal(sigmas: Sequence[float]) -> Matrix:
    """Covariance of independent states with these standard errors."""
    n = len(sigmas)
    return [[sigmas[i] ** 2 if i == j else 0.0 for j in range(n)] for i in range(n)]


def fold(
    state: list[float],
    p: Matrix,
    rows: Sequence[tuple[int, float]],
    residual: float,
    variance: float,
    spared: int | None = None,
) -> float:
    """Fold one scalar observation in, in place.

    Args:
        state: shape (n,), changed.
        p: shape (n, n), symmetric covariance, changed.
        rows: (index, derivative of the observed value by that state), the others are 0.
        residual: observed less expected.
        variance: of the observation's own error, above 0.
        spared: index of a state whose doubt counts but which learns nothing from this observation.
    Returns: the variance the residual was expected to have.
    Source: R. E. Kalman 1960; the spared state S. F. Schmidt 1966; the form that
        stays positive from P. D. Joseph (Bucy and Joseph 1968).
    """
    first, by = rows[0]
    g = [by * value for value in p[first]]
    for index, by in rows[1:]:
        g = [have + by * value for have, value in zip(g, p[index], strict=True)]
    expected = variance
    for index, by in rows:
        expected += by * g[index]
    k = [value / expected for value in g]
    if spared is not None:
        k[spared] = 0.0
    for i, ki in enumerate(k):
        state[i] += ki * residual
        row, rest = p[i], g[i] - expected * ki
        for j in range(i, len(k)):
            row[j] = p[j][i] = row[j] - ki * g[j] - rest * k[j]
    return expected


def forget(p: Matrix, index: int, sigma: float) -> None:
    """Make one state independent of the others again, with this standard error."""
    for j in range(len(p)):
        p[index][j] = p[j][index] = 0.0
    p[index][index] = sigma * sigma


def drift(p: Matrix, index: int, sources: Sequence[tuple[int, float]]) -> None:
    """State `index` grows by `by` times state `source` for each (source, by): P becomes F P F'."""
    row = p[index]
    for source, by in sources:
        row = [have + by * value for have, value in zip(row, p[source], strict=True)]
    # Of the new row everything but its own entry is final; that one has F on the left only so far.
    own = row[index]
    for source, by in sources:
        own += by * row[source]
    row[index] = own
    p[index] = row
    for j, value in enumerate(row):
        p[j][index] = value


def shrink(p: Matrix, index: int, factor: float) -> None:
    """State `index` is multiplied by `factor`."""
    row = [factor * value for value in p[index]]
    row[index] *= factor
    p[index] = row
    for j, value in enumerate(row):
        p[j][index] = value
