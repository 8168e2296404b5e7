"""``python -m sequencer VERB``: the command line, where `stepgraph` is not on the path."""

from __future__ import annotations

import sys

from sequencer.cli import main

if __name__ == "__main__":
    sys.exit(main())
