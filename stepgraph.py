"""Where the command and the pytest plugin begin: whoever has another `sequencer` in the way is told so, and what to do.

The packages to import are `sequencer` and `profiles`. Both names are common, and Python takes the first that it finds;
this module has a name of its own, so that it is found where they are hidden.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Any

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line.

    Args:
        arguments: the words after ``stepgraph``; None: those the program was called with.
    """
    try:
        _refuse_another("sequencer")
        from sequencer.cli import main as run
    except ImportError as error:
        print(f"stepgraph: {error}", file=sys.stderr)
        return 2
    return run(arguments)


def __getattr__(name: str) -> Any:
    """`plugin`, for pytest: it is loaded when pytest asks for it."""
    if name != "plugin":
        raise AttributeError(
            f"module 'stepgraph' has no attribute '{name}'; the packages to import are 'sequencer' and 'profiles'"
        )
    _refuse_another("sequencer")
    from sequencer.testing import plugin

    return plugin


def _refuse_another(package: str) -> None:
    """Raise ImportError where something else has that name for Python."""
    found = getattr(__import__(package), "__file__", None) or "a folder"
    ours = os.path.join(os.path.dirname(os.path.abspath(__file__)), package, "__init__.py")
    if not os.path.exists(found) or not os.path.samefile(found, ours):
        raise ImportError(
            f"stepgraph needs its own package '{package}', but Python imports {found} in its place; rename that, "
            "or start Python in another folder and without it on PYTHONPATH",
            name=package,
            path=found,
        )


if __name__ == "__main__":
    sys.exit(main())
