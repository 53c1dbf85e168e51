"""Dynamic time warping: worked examples, every path against a plain recurrence, bands."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.warping import around, best_path, whole


def _path(scores: npt.NDArray[np.float64], step_cost: float = 0.0) -> tuple[float, npt.NDArray[np.int64]]:
    return best_path(lambda rows, columns: scores[rows, columns], whole(*scores.shape), step_cost)


def _plain(scores: npt.NDArray[np.float64], step_cost: float) -> npt.NDArray[np.float64]:
    """Sums of all cells, cell by cell, as the recurrence is written."""
    rows, columns = scores.shape
    sums = np.zeros((rows + 1, columns + 1))
    for i in range(rows):
        for j in range(columns):
            gain = scores[i, j]
            sums[i + 1, j + 1] = max(
                0.0,
                sums[i, j] + 2 * gain,
                sums[i, j + 1] + gain - step_cost,
                sums[i + 1, j] + gain - step_cost,
            )
    return sums[1:, 1:]


def test_worked_example_of_the_symmetric_form() -> None:
    """The distance of the textbook pair under weights 2, 1, 1 is 11 beside the first cell's second count."""
    # Mueller, Fundamentals of Music Processing, ch. 3 (the sequences), with the weights of Sakoe and Chiba 1978: 11
    # where the first cell counts once, 12 under their own start g(1,1) = 2 d(1,1), as here. From memory.
    x, y = np.array([1.0, 3.0, 9.0, 2.0, 1.0]), np.array([2.0, 0.0, 0.0, 8.0, 7.0, 2.0])
    cost = np.abs(x[:, None] - y[None, :])
    # A path from corner to corner has total weight n + m whatever its way, so cost and score differ by a constant.
    much = 1000.0
    total, path = _path(much - cost)
    assert (len(x) + len(y)) * much - total == pytest.approx(11.0 + cost[0, 0])
    assert path[0].tolist() == [0, 0]
    assert path[-1].tolist() == [4, 5]
    weights = np.where((np.diff(path, axis=0) == 1).all(axis=1), 2, 1)
    assert 2 * cost[0, 0] + (weights * cost[tuple(path[1:].T)]).sum() == pytest.approx(12.0)


def test_a_short_pattern_is_found_inside_a_long_sequence() -> None:
    """A pattern is found where it occurs, whatever comes before and after it."""
    # Start 3, end 5 of the query 3, 1, 2 in 9, 9, 3, 3, 1, 2, 2, 9, 9: exact matches of its three values.
    query, long = np.array([3.0, 1.0, 2.0]), np.array([9.0, 9.0, 3.0, 3.0, 1.0, 2.0, 2.0, 9.0, 9.0])
    _, path = _path(0.5 - np.abs(query[:, None] - long[None, :]), step_cost=1.0)
    assert path.tolist() == [[0, 3], [1, 4], [2, 5]]


def test_like_dtw_python_where_it_is_installed() -> None:
    """The sum over the whole matrix is that of another implementation's symmetric2 pattern."""
    dtw = pytest.importorskip("dtw")
    generator = np.random.default_rng(5)
    cost = generator.uniform(0, 1, (23, 31))
    total, _ = _path(1000.0 - cost)
    known = dtw.dtw(cost, step_pattern="symmetric2").distance  # counts the first cell once
    assert (23 + 31) * 1000.0 - total == pytest.approx(known + cost[0, 0])


@given(st.integers(0, 2**31), st.integers(1, 12), st.integers(1, 12), st.sampled_from([0.0, 0.3, 2.0]))
def test_rows_are_exact(seed: int, rows: int, columns: int, step_cost: float) -> None:
    """The sum is the largest of the plain recurrence, and the path's cells add up to it."""
    scores = np.random.default_rng(seed).normal(0, 1, (rows, columns))
    total, path = _path(scores, step_cost)
    assert total == pytest.approx(_plain(scores, step_cost).max(), abs=1e-9)
    if not len(path):
        assert total == 0.0
        return
    steps = np.diff(path, axis=0)
    assert ((steps >= 0) & (steps <= 1)).all()
    both = (steps == 1).all(axis=1)
    gains = scores[tuple(path[1:].T)]
    first = scores[tuple(path[0])]
    along = float((np.where(both, 2.0, 1.0) * gains).sum() - step_cost * np.count_nonzero(~both))
    # the first cell counts twice, or, where the path began along a side, once less the cost of a step
    begun = [2 * first, first - step_cost]
    assert any(total == pytest.approx(begin + along, abs=1e-9) for begin in begun)


def test_swapped_sequences_give_the_swapped_path() -> None:
    """Rows and columns play the same part."""
    scores = np.random.default_rng(1).normal(0.2, 1, (40, 60))
    total, path = _path(scores, 0.4)
    turned, back = _path(scores.T, 0.4)
    assert total == pytest.approx(turned)
    assert path.tolist() == back[:, ::-1].tolist()


def test_a_band_around_the_path_gives_the_same_path() -> None:
    """A path found again in a band around it is the same, and the band holds far fewer cells."""
    generator = np.random.default_rng(2)
    scores = generator.normal(-0.5, 1, (600, 700))
    true = np.clip((np.arange(600) * 1.1 + 20 * np.sin(np.arange(600) / 60)).astype(int), 0, 699)
    scores[np.arange(600), true] += 6.0
    total, path = _path(scores, 0.3)
    band = around(path, 600, 700, 20)
    again, same = best_path(lambda rows, columns: scores[rows, columns], band, 0.3)
    assert again == pytest.approx(total)
    assert same.tolist() == path.tolist()
    assert band.cells < scores.size / 8


def test_a_band_runs_on_beyond_the_path_and_holds_a_pause() -> None:
    """Beyond its ends the band goes on at one to one; where one sequence stands still it is as wide as the pause."""
    path = np.array([[10, 30], [11, 31], [12, 31], [12, 50], [13, 51]])
    band = around(path, 30, 80, 5)
    assert np.all(np.diff(band.first) >= 0)
    last = band.first + band.width
    for row, column in [*path.tolist(), [0, 20], [20, 58]]:
        assert band.first[row] <= column < last[row]
    assert band.width < 40


def test_nothing_alike_gives_no_path() -> None:
    """Where every cell is negative there is no path."""
    total, path = _path(np.full((5, 6), -1.0))
    assert total == 0.0
    assert path.shape == (0, 2)
