"""Work done side by side, given in order, with no more held in memory than is being worked on."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

from defectscan.errors import DefectscanError

Task = TypeVar("Task")
Result = TypeVar("Result")

# Each works on a photo of its own; one of 48 megapixels needs 300 MB, and all together no more
# than 2 GB.
MOST_WORKERS = 6
WORKERS = max(1, min(os.cpu_count() or 1, MOST_WORKERS))


def in_order(
    pool: Executor, work: Callable[[Task], Result], tasks: Iterable[Task]
) -> Iterator[Result | DefectscanError]:
    """Give results, or errors, in the order of the tasks, a few of them worked on ahead.

    Parameters
    ----------
    pool
        Does the work; of `WORKERS`.
    work
        What to do with a task.
    tasks
        As many as there are.
    """
    waiting: deque[Future[Result]] = deque()

    def first() -> Result | DefectscanError:
        try:
            return waiting.popleft().result()
        except DefectscanError as error:
            return error

    try:
        for task in tasks:
            waiting.append(pool.submit(work, task))
            if len(waiting) > WORKERS:
                yield first()
        while waiting:
            yield first()
    finally:
        for future in waiting:
            future.cancel()
