"""Reading ahead: same items, same errors, never far in front, and nothing left running."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from fieldscore.ahead import BATCH, DEPTH, Ahead


def test_items_come_in_order() -> None:
    """Every item comes once, in order."""
    assert list(Ahead(iter(range(1000)))) == list(range(1000))


def test_a_last_batch_may_be_short() -> None:
    """Where the items do not fill their last batch, none is lost."""
    assert list(Ahead(iter(range(10)), batch=4)) == list(range(10))


def test_an_error_comes_in_its_turn() -> None:
    """What was made before an error is still given, then the error is raised as it is."""

    def items() -> Iterator[int]:
        yield from (1, 2)
        raise ValueError("cut off")

    taken = []
    with pytest.raises(ValueError, match="cut off"):
        for item in Ahead(items()):
            taken.append(item)
    assert taken == [1, 2]


@pytest.mark.parametrize(("depth", "batch"), [(2, 1), (3, 2), (DEPTH, BATCH)])
def test_it_reads_no_further_ahead_than_told(depth: int, batch: int) -> None:
    """While the first item is in hand, so many batches are made at most, and one item more."""
    made = []

    def items() -> Iterator[int]:
        for number in range(100):
            made.append(number)
            yield number

    with closing(Ahead(items(), depth=depth, batch=batch)) as ahead:
        first = next(iter(ahead))
        time.sleep(0.05)
        assert first == 0
        assert len(made) <= depth * batch + 1


def test_asked_again_it_ends_again() -> None:
    """A second round over what has ended gives nothing, and does not wait."""
    ahead = Ahead(iter(range(3)))
    assert (list(ahead), list(ahead)) == ([0, 1, 2], [])


def test_closing_closes_the_items_in_their_own_thread() -> None:
    """An iterator left half-way is closed where it ran, and its thread has ended."""
    closed: list[str] = []

    def items() -> Iterator[int]:
        try:
            yield from range(100)
        finally:
            closed.append(threading.current_thread().name)

    with closing(Ahead(items(), depth=2)) as ahead:
        next(iter(ahead))
    assert closed == ["read-ahead"]
    assert all(thread.name != "read-ahead" for thread in threading.enumerate())
