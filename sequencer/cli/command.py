"""Reads the words of the command line, runs the verb and turns whatever goes wrong into a sentence and an exit code."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from sequencer.cli import (
    check,
    compare,
    draw,
    drill,
    fit,
    health,
    label,
    new,
    order,
    pack,
    read,
    ready,
    rehearse,
    report,
    retrace,
    schema,
    spread,
    tune,
    why,
)
from sequencer.cli.output import CannotDo, Output
from sequencer.errors import MissingExtra, StepgraphError, nearest

VERBS = {
    verb.NAME: verb
    for verb in (
        new,
        draw,
        check,
        rehearse,
        drill,
        spread,
        order,
        pack,
        ready,
        report,
        why,
        compare,
        health,
        label,
        fit,
        read,
        tune,
        retrace,
        schema,
    )
}

FINE, FOUND, COULD_NOT = 0, 1, 2
INTERRUPTED = 128 + 2
"""As shells count a program that was stopped by SIGINT."""
PIPE_CLOSED = 128 + 13
"""As shells count a program whose reader went away (SIGPIPE)."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; see `sequencer.cli.main`."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    output = Output(as_json="--json" in words)
    try:
        return _run(words, output)
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else FINE
    except KeyboardInterrupt:
        print("stepgraph: interrupted; nothing more was written", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # Nobody reads any more; the interpreter's last flush must not complain of it.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except (CannotDo, MissingExtra) as error:
        output.failed(str(error))
        return COULD_NOT
    except StepgraphError as error:
        output.failed(str(error))
        return FOUND
    except OSError as error:
        # It may be stdout itself that takes no more, so the answer goes to stderr alone.
        said = (
            f"{error.filename}: {error.strerror}" if error.filename else f"the output takes no more: {error.strerror}"
        )
        print(f"stepgraph: {said}", file=sys.stderr)
        return COULD_NOT
    except Exception as error:
        if os.environ.get("STEPGRAPH_DEBUG"):
            raise
        output.failed(
            f"this is a bug in stepgraph, not in your files ({type(error).__name__}: {error}); "
            "with STEPGRAPH_DEBUG=1 the same command shows where"
        )
        return COULD_NOT


def _run(words: list[str], output: Output) -> int:
    verb = next((word for word in words if not word.startswith("-")), None)
    if verb is not None and words[0] == verb and verb not in VERBS:
        near = nearest(verb, VERBS)
        hint = f"did you mean '{near}'?" if near else f"allowed: {', '.join(sorted(VERBS))}"
        raise CannotDo(f"there is no verb '{verb}'; {hint}")
    parser = _parser()
    parsed = parser.parse_args(words)
    if parsed.verb is None:
        parser.print_help()
        return COULD_NOT
    code: int = VERBS[parsed.verb].run(parsed, output)
    return code


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in a sentence and leaves the exit code to `run`."""

    def error(self, message: str) -> NoReturn:
        raise CannotDo(f"{message}; see {self.prog} --help")


class _Version(argparse.Action):
    """The version is looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from importlib.metadata import PackageNotFoundError, version

        try:
            number = version("stepgraph")
        except PackageNotFoundError:
            number = "(not installed)"
        print(f"stepgraph {number}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="stepgraph",
        description="Timed multi-axis routines: checked before they run, rehearsed with no robot at hand.",
        epilog="examples:\n" + "\n".join(f"  {verb.EXAMPLE}" for verb in VERBS.values()) + f"\n\n{EXITS}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", parser_class=_Parser)
    for verb in VERBS.values():
        part = verbs.add_parser(
            verb.NAME,
            help=verb.HELP,
            description=verb.ABOUT,
            epilog=f"example:\n  {verb.EXAMPLE}\n\n{EXITS}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        verb.add_arguments(part)
        part.add_argument("--json", action="store_true", help="write JSON to stdout, and words to stderr")
    return parser


EXITS = "exit codes: 0 fine, 1 findings or a failed outcome, 2 could not do it"
