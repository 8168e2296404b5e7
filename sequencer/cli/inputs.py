"""The files and folders that a verb is given, and the models read from them."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.cli.output import CannotDo
from sequencer.errors import nearest

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine
    from sequencer.routine.routine import Routine, Waiver

ROUTINE_ENDING = ".routine.yaml"


def add_file_arguments(parser: argparse.ArgumentParser, what: str) -> None:
    """The files or folders, and the overlays."""
    parser.add_argument(
        "paths", nargs="+", metavar="FILE", help=f"{what}, or a folder with *{ROUTINE_ENDING} files in it"
    )
    parser.add_argument(
        "--over",
        action="append",
        default=[],
        metavar="OVERLAY",
        help="an overlay to lay over the machine; may be given again, each over the one before",
    )


def files_of(paths: Sequence[str]) -> list[Path]:
    """The files named, and for each folder the routines in it, by name; each once.

    Raises:
        CannotDo: there is no such file or folder, or a folder without a routine.
    """
    found: list[Path] = []
    for text in paths:
        if not text:
            raise CannotDo("an empty name was given where a file belongs; for this folder write .")
        path = Path(text)
        if path.is_dir():
            inside = sorted(path.glob(f"*{ROUTINE_ENDING}"))
            if not inside:
                raise CannotDo(f"{path} has no *{ROUTINE_ENDING} file in it")
            found += inside
        else:
            found.append(existing(path))
    return list(dict.fromkeys(found))


def names_one_file(paths: Sequence[str]) -> bool:
    """Whether one file was named, and no folder: its result then stands alone, not in a list."""
    return len(paths) == 1 and not Path(paths[0]).is_dir()


def existing(path: Path) -> Path:
    """The path, if a file is there that can be read as text.

    Raises:
        CannotDo: there is none (the nearest name in its folder is given), or it cannot be read.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise CannotDo(f"{path} is no regular file (a device or a pipe); it is not read")
    try:
        with path.open(encoding="utf-8") as file:
            file.read(4096)
    except FileNotFoundError:
        near = nearest(path.name, [entry.name for entry in path.parent.iterdir()]) if path.parent.is_dir() else None
        hint = f"; did you mean '{path.parent / near}'?" if near else ""
        raise CannotDo(f"{path}: there is no such file{hint}") from None
    except UnicodeDecodeError:
        raise CannotDo(f"{path} is not a text file in UTF-8") from None
    except OSError as error:
        raise CannotDo(f"{path}: cannot be read: {error.strerror}") from None
    return path


def existing_log(path: Path) -> Path:
    """The path, if a file of a log is there; one that is no text is judged by whoever reads it.

    Raises:
        CannotDo: there is none (the nearest name in its folder is given), or it cannot be read.
    """
    binary = path.suffix.lower() in (".parquet", ".mcap") and path.is_file()
    return path if binary else existing(path)


def picture_path(asked: str | None, name: str) -> Path:
    """The file for a picture: the one that was asked for, or one named after what it shows, in the folder asked for or
    here."""
    file_name = re.sub(r"[^\w.-]+", "_", name).strip("._") or "drawing"
    if asked is None:
        return Path(f"{file_name}.svg")
    return Path(asked) / f"{file_name}.svg" if Path(asked).is_dir() else Path(asked)


def is_routine(path: Path) -> bool:
    """Whether a file describes a routine: by its name, else by its having the key."""
    if path.name.endswith(ROUTINE_ENDING):
        return True
    text = path.read_text(encoding="utf-8", errors="replace")[:65536]
    return re.search(r"^routine\s*:", text, re.MULTILINE) is not None


@dataclass(slots=True)
class Reader:
    """Reads routines and machines with the same overlays; a machine that several routines name is read once."""

    overlays: tuple[Path, ...]
    machines: dict[Path, Machine]

    @classmethod
    def of(cls, arguments: argparse.Namespace) -> Reader:
        """A reader with the overlays of the command line."""
        return cls(tuple(existing(Path(text)) for text in arguments.over), {})

    def machine(self, path: Path) -> Machine:
        """The machine of a file with the overlays laid over it."""
        from sequencer.files import load_machine

        key = path.resolve()
        if key not in self.machines:
            self.machines[key] = load_machine(path, self.overlays)
        return self.machines[key]

    def routine(self, path: Path) -> Routine:
        """The routine of a file, on its machine with the overlays laid over it."""
        from sequencer.files import load_routine

        if not is_routine(path):
            raise CannotDo(f"{path} is no routine file: it has no key 'routine'; a machine file is for stepgraph draw")
        if not self.overlays:
            return load_routine(path)
        bare = load_routine(path)
        return load_routine(path, self.machine(Path(bare.machine.place.file)))


def with_waivers(routine: Routine, waivers: Sequence[Waiver]) -> Routine:
    """The routine with the waivers of the command line added to its own."""
    return replace(routine, waivers=(*routine.waivers, *waivers)) if waivers else routine


def waivers_of(texts: Sequence[str]) -> list[Waiver]:
    """Waivers written as ``rule:step:because``; the step may be empty where a finding concerns none.

    Raises:
        CannotDo: a text is not of that form.
    """
    from sequencer.routine.routine import Waiver

    found = []
    for text in texts:
        rule, _, rest = text.partition(":")
        step, colon, because = rest.partition(":")
        if not (colon and rule.strip() and because.strip()):
            raise CannotDo(
                f"'{text}' is no waiver; write rule:step:because, such as 'timeout-none:away:the driver decides'"
            )
        found.append(Waiver(rule.strip(), step.strip() or None, because.strip()))
    return found


def add_waive_argument(parser: argparse.ArgumentParser) -> None:
    """Waivers on the command line."""
    parser.add_argument(
        "--waive",
        action="append",
        default=[],
        metavar="RULE:STEP:BECAUSE",
        help="accept a finding in writing; may be given again, and every trace records it",
    )
