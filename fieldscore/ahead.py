"""Reading ahead: an iterator that runs in a thread of its own, a few items in front of whoever takes them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from queue import Queue
from typing import Generic, TypeVar

Item = TypeVar("Item")

DEPTH = 6  # items read ahead: decoded 1080-line pictures are 3 MB each


class _Ended:
    """The iterator's end, with the error that ended it if one did."""

    def __init__(self, error: BaseException | None) -> None:
        self.error = error


class Ahead(Generic[Item]):
    """Iterate over `items`, which are made in a thread; for those that let go of the interpreter's lock, as decoders do.

    An error of theirs is raised here, in its turn. `items` is closed in its own thread, by `close` at the latest.
    """

    def __init__(self, items: Iterator[Item], depth: int = DEPTH) -> None:
        self._items = items
        self._queue: Queue[Item | _Ended] = Queue()
        self._room = threading.Semaphore(depth)
        self._stop = False
        self._thread = threading.Thread(target=self._read, name="read-ahead", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        error: BaseException | None = None
        try:
            for item in self._items:
                self._queue.put(item)
                self._room.acquire()
                if self._stop:
                    break
        except BaseException as problem:  # noqa: BLE001 - raised where the items are taken
            error = problem
        finally:
            close = getattr(self._items, "close", None)
            try:
                if close is not None:
                    close()
            except BaseException as problem:  # noqa: BLE001 - as above
                error = error or problem
            self._queue.put(_Ended(error))

    def __iter__(self) -> Iterator[Item]:
        """Give the items in order."""
        while True:
            item = self._queue.get()
            if isinstance(item, _Ended):
                if item.error is not None:
                    raise item.error
                return
            self._room.release()
            yield item

    def close(self) -> None:
        """Stop reading, and wait until the items are closed."""
        self._stop = True
        self._room.release()
        self._thread.join()
