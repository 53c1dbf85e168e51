"""Reading ahead: an iterator that runs in a thread of its own, a few items in front of whoever takes them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from queue import Queue
from typing import Generic, TypeVar

Item = TypeVar("Item")

BATCH = 4  # items handed over at a time: waking a thread for each costs as much as a small measure
DEPTH = 2  # batches there are at a time: one being taken, one being made


class _Ended:
    """The iterator's end, with the error that ended it if one did."""

    def __init__(self, error: BaseException | None) -> None:
        self.error = error


class Ahead(Generic[Item]):
    """Iterate over `items`, which are made in a thread; for those that let go of the interpreter's lock, as decoders do.

    An error of theirs is raised here, in its turn. `items` is closed in its own thread, by `close` at the latest.
    """

    def __init__(self, items: Iterator[Item], depth: int = DEPTH, batch: int = BATCH) -> None:
        self._items = items
        self._batch = batch
        self._queue: Queue[list[Item] | _Ended] = Queue()
        self._room = threading.Semaphore(depth)
        self._stop = False
        self._thread = threading.Thread(target=self._read, name="read-ahead", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        error: BaseException | None = None
        batch: list[Item] = []
        try:
            self._room.acquire()
            for item in self._items:
                if self._stop:
                    break
                batch.append(item)
                if len(batch) == self._batch:
                    self._queue.put(batch)
                    batch = []
                    self._room.acquire()
        except BaseException as problem:  # noqa: BLE001 - raised where the items are taken
            error = problem
        finally:
            close = getattr(self._items, "close", None)
            try:
                if close is not None:
                    close()
            except BaseException as problem:  # noqa: BLE001 - as above
                error = error or problem
            self._queue.put(batch)
            self._queue.put(_Ended(error))

    def __iter__(self) -> Iterator[Item]:
        """Give the items in order."""
        while True:
            batch = self._queue.get()
            if isinstance(batch, _Ended):
                self._queue.put(batch)  # for whoever asks again
                if batch.error is not None:
                    raise batch.error
                return
            while batch:  # not held on to: a picture's buffer is let go of as soon as it is measured
                yield batch.pop(0)
            self._room.release()

    def close(self) -> None:
        """Stop reading, and wait until the items are closed."""
        self._stop = True
        self._room.release()
        self._thread.join()
