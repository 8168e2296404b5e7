"""Pieces of work given to any executor, their results taken in order."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from typing import Any, TypeVar

Found = TypeVar("Found")


def in_order(
    executor: Executor | None, work: Callable[..., Found], tasks: Sequence[tuple[Any, ...]]
) -> Iterator[Found]:
    """What comes of each task, in the order of the tasks; whoever stops asking leaves the rest undone.

    Args:
        executor: does the work; None: here, one after the other.
        work: what is done, a function of a module that another process can load.
        tasks: its arguments.
    """
    if executor is None:
        for task in tasks:
            yield work(*task)
        return
    waiting = deque(executor.submit(work, *task) for task in tasks)
    try:
        while waiting:
            found = waiting[0].result()
            waiting.popleft()
            yield found
    finally:
        for future in waiting:
            future.cancel()
