"""Tasks waiting to be done, the most urgent first; more may be put in, or taken out, while others are under way."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, order=True)
class Task:
    """A function of a module and its arguments, to be called with a way to tell progress behind them.

    `turn`: what comes first, the smaller; `number`: the task's own, in the order in which tasks were put in.
    """

    turn: tuple[int, ...]
    number: int
    function: Callable[..., Any] = field(compare=False)
    arguments: tuple[Any, ...] = field(compare=False)


class Tasks:
    """Tasks that nobody has taken yet."""

    def __init__(self) -> None:
        self._heap: list[Task] = []
        self._count = 0

    def __len__(self) -> int:
        """Count those waiting."""
        return len(self._heap)

    def put(self, function: Callable[..., Any], *arguments: Any, turn: tuple[int, ...] = ()) -> int:
        """Add a task; gives its number. Those of one turn are done in the order in which they came."""
        task = Task(turn, self._count, function, arguments)
        self._count += 1
        heapq.heappush(self._heap, task)
        return task.number

    def take(self) -> Task:
        """Take out the most urgent; IndexError where there is none."""
        return heapq.heappop(self._heap)

    def drop(self, numbers: set[int]) -> None:
        """Take out those of these numbers that still wait."""
        self._heap = [task for task in self._heap if task.number not in numbers]
        heapq.heapify(self._heap)
