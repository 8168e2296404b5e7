"""The command line: ``stepgraph VERB``, one file a verb. Whatever a verb needs is loaded when it runs, not before."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit code: 0 fine, 1 findings or a failed outcome, 2 could not do it.

    Args:
        arguments: the words after ``stepgraph``; None: those the program was called with.
    """
    from sequencer.cli.command import run

    return run(arguments)
