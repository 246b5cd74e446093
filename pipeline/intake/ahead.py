"""Do the next step of one work on a thread of its own, while another works on what the last ones gave."""

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")


@contextmanager
def ahead(items: Generator[T, None, None], steps: int) -> Iterator[Iterator[T]]:
    """The items of a generator, which runs on a thread of its own and is at most some steps ahead.

    What it raises is raised where its item would be taken. It is closed on leaving, however far it has come.
    """
    with ThreadPoolExecutor(1) as thread:
        over = object()
        waiting = deque(thread.submit(next, items, over) for _ in range(steps))

        def taken() -> Iterator[T]:
            while (item := waiting.popleft().result()) is not over:
                waiting.append(thread.submit(next, items, over))
                yield item  # type: ignore[misc]

        try:
            yield taken()
        finally:
            thread.shutdown(cancel_futures=True)
            items.close()
