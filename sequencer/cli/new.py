"""``new``: a folder with a small machine, a routine, a test and a README that pass at once."""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer.cli.output import CannotDo, Output

NAME = "new"
HELP = "make a folder with a small machine, a routine and a test that pass at once"
ABOUT = (
    "Makes a folder with a small machine, a routine with two rehearsals, a test, a README and the schemas for your\n"
    "editor. Asks nothing; a folder that has anything in it is left alone."
)
EXAMPLE = "stepgraph new my_robot"

STARTER = Path(__file__).with_name("starter")
SCHEMAS = ("machine", "routine", "overlay")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", help="the folder to make; an empty one will do")


def run(arguments: argparse.Namespace, output: Output) -> int:
    folder = Path(arguments.folder)
    if folder.exists() and not folder.is_dir():
        raise CannotDo(f"{folder} is a file; name a folder that is not there yet, or an empty one")
    if folder.is_dir() and any(folder.iterdir()):
        raise CannotDo(f"{folder} has something in it, and nothing was changed; name a new folder, or empty it")
    from sequencer.files.schema import shipped_schema

    texts = {path.name.removesuffix(".txt"): path.read_text(encoding="utf-8") for path in sorted(STARTER.iterdir())}
    for kind in SCHEMAS:
        texts[f"schemas/{kind}.schema.json"] = shipped_schema(kind).read_text(encoding="utf-8")
    for name, text in texts.items():
        target = folder / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CannotDo(f"{target.parent}: cannot be made: {error.strerror}") from None
        output.write(target, text)
        output.say(f"wrote {target}")
    output.say(f"now try: cd {folder} && stepgraph check . && stepgraph rehearse . && python -m pytest")
    output.emit({"folder": str(folder), "written": [str(folder / name) for name in texts]})
    return 0
