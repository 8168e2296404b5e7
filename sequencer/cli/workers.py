"""What many rehearsals are given to: this process, several here, or a cluster."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING

from sequencer.cli.output import CannotDo
from sequencer.errors import MissingExtra

if TYPE_CHECKING:
    from concurrent.futures import Executor

CONNECTING = 10.0
"""So long a cluster is waited for [s]."""


def add_worker_arguments(parser: argparse.ArgumentParser) -> None:
    """How many processes, or which cluster."""
    parser.add_argument(
        "--workers", type=int, metavar="N", help="processes that work beside each other (default: one a core)"
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let a Dask cluster do the work, such as tcp://10.0.0.5:8786; stepgraph must be installed on its workers",
    )


@contextmanager
def workers_of(arguments: argparse.Namespace) -> Iterator[Executor | None]:
    """Whoever does the work, as the command line says; None: this process alone.

    Raises:
        CannotDo: no workers, or both processes and a cluster were asked for, or no cluster answers.
        MissingExtra: the library for clusters is not installed.
    """
    if arguments.workers is not None and arguments.workers < 1:
        raise CannotDo(f"--workers is {arguments.workers}; at least one must work")
    if arguments.scheduler is None:
        with processes(arguments.workers) as executor:
            yield executor
        return
    if arguments.workers is not None:
        raise CannotDo("--workers counts processes here, and --scheduler lets a cluster work; give one of the two")
    with _cluster(arguments.scheduler) as executor:
        yield executor


@contextmanager
def processes(count: int | None) -> Iterator[Executor | None]:
    """Processes that work beside each other; None where one is enough.

    Args:
        count: how many; None: one a core.
    """
    count = count or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor

    executor = ProcessPoolExecutor(count, initializer=_leave_interrupts_to_the_parent)
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise MissingExtra("--scheduler", "cluster") from None
    try:
        client = distributed.Client(address, timeout=CONNECTING, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise CannotDo(f"no Dask scheduler answers at {address}: {error}") from None
    try:
        # A run is the same wherever it is done, so one that is lost with its worker may be done again.
        yield client.get_executor(pure=False, retries=2)
    finally:
        client.close()


def _leave_interrupts_to_the_parent() -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
