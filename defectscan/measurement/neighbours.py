"""Points near each other, and what hangs together.

SciPy has both, but takes longer to load than a tenth of all that comparing two photos takes.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
Indices = NDArray[np.int64]


def pairs_within(
    points: Floats, others: Floats, distance: float
) -> tuple[Indices, Indices, Floats]:
    """Return which points have which others nearby, and how far away.

    Parameters
    ----------
    points, others
        Shapes (n, 2) and (m, 2), finite, in one unit.
    distance
        The furthest that counts, in that unit; above 0.

    Returns
    -------
    tuple
        Indices of points, indices of others, and distances, each of shape (k,).
    """
    if not len(points) or not len(others):
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros(0)
    # In cells as wide as the distance, what is near lies in the same cell or beside it.
    low = np.minimum(points.min(axis=0), others.min(axis=0))
    mine, theirs = (np.floor((p - low) / distance).astype(np.int64) + 1 for p in (points, others))
    # A cell more on each side keeps the last of a row apart from the first of the next.
    row = max(mine[:, 0].max(), theirs[:, 0].max()) + 2
    cell = theirs[:, 1] * row + theirs[:, 0]
    order = np.argsort(cell, kind="stable")
    cell = cell[order]
    first, second = [], []
    for step in (-row, 0, row):
        # Three cells of a row are one stretch of the order.
        middle = mine[:, 1] * row + mine[:, 0] + step
        start, end = np.searchsorted(cell, middle - 1), np.searchsorted(cell, middle + 1, "right")
        n = end - start
        first.append(np.repeat(np.arange(len(points)), n))
        skipped = np.repeat(np.cumsum(n) - n, n)
        second.append(order[np.arange(n.sum()) - skipped + np.repeat(start, n)])
    i, j = np.concatenate(first), np.concatenate(second)
    away = np.hypot(*(points[i] - others[j]).T)
    near = away <= distance
    return i[near], j[near], away[near]


def connected(n: int, first: Indices, second: Indices) -> Indices:
    """Label what hangs together.

    Parameters
    ----------
    n
        How many things there are.
    first, second
        Shape (k,): what is joined to what, each from 0 to n - 1.

    Returns
    -------
    NDArray
        Shape (n,): labels from 0 on, in the order of the first that has each.
    """
    root = np.arange(n)
    while len(first):
        a, b = root[first], root[second]
        apart = a != b
        first, second, a, b = first[apart], second[apart], a[apart], b[apart]
        # The lower root takes the higher; what hangs from that follows, step by step.
        np.minimum.at(root, np.maximum(a, b), np.minimum(a, b))
        while np.any(root[root] != root):
            root = root[root]
    return np.unique(root, return_inverse=True)[1]
