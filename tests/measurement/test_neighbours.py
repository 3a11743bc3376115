"""Neighbours and what hangs together: as SciPy finds them, on random points and graphs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from defectscan.measurement.neighbours import connected, pairs_within


@settings(max_examples=60, deadline=None)
@given(
    n=st.integers(0, 60),
    m=st.integers(0, 60),
    extent=st.sampled_from([0.0, 1.0, 40.0, 4000.0]),
    distance=st.floats(0.1, 30),
    seed=st.integers(0, 1000),
)
def test_pairs_are_those_of_scipy(
    n: int, m: int, extent: float, distance: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    points, others = (rng.uniform(-1, 1, (k, 2)) * extent for k in (n, m))
    i, j, away = pairs_within(points, others, distance)
    np.testing.assert_allclose(away, np.linalg.norm(points[i] - others[j], axis=-1))
    found = cKDTree(points).query_ball_tree(cKDTree(others), distance) if n and m else []
    expected = {(k, other) for k, near in enumerate(found) for other in near}
    assert len(i) == len(expected)
    assert set(zip(i.tolist(), j.tolist(), strict=True)) == expected


def test_a_point_at_just_that_distance_counts() -> None:
    i, _, away = pairs_within(np.zeros((1, 2)), np.array([[9.0, 0.0], [9.001, 0.0]]), 9.0)
    assert (i.tolist(), away.tolist()) == ([0], [9.0])


@settings(max_examples=60, deadline=None)
@given(n=st.integers(1, 200), per_thing=st.floats(0, 3), seed=st.integers(0, 1000))
def test_what_hangs_together_is_labelled_as_by_scipy(n: int, per_thing: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = rng.integers(0, n, (2, int(n * per_thing)))
    graph = coo_array((np.ones(len(first)), (first, second)), shape=(n, n))
    expected = connected_components(graph, directed=False)[1]
    np.testing.assert_array_equal(connected(n, first, second), expected)


@pytest.mark.parametrize("shuffled", [False, True])
def test_a_long_chain_hangs_together(shuffled: bool) -> None:
    chain = np.arange(50_000)
    if shuffled:
        chain = np.random.default_rng(0).permutation(chain)
    assert not connected(len(chain), chain[:-1], chain[1:]).any()


def test_of_nothing_nothing_is_labelled() -> None:
    none = np.zeros(0, dtype=np.int64)
    assert len(connected(0, none, none)) == 0
    assert len(pairs_within(np.zeros((0, 2)), np.zeros((3, 2)), 1.0)[0]) == 0
