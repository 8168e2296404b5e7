"""Writing a pack: all checked routines of a machine in one hashed file."""

from __future__ import annotations

import os
from collections.abc import Iterable

from sequencer.errors import PackError, did_you_mean
from sequencer.pack.checked import FORMAT, CheckedRoutine, canonical, pack_hash
from sequencer.pack.read import Pack
from sequencer.pack.shape import check_shape
from sequencer.whole_file import whole_file


def write_pack(path: str | os.PathLike[str], checked_routines: Iterable[CheckedRoutine]) -> Pack:
    """Write the routines to `path` as one file: whole or not at all, an old file stays until the new one is complete.

    Args:
        path: where the pack goes; an existing pack is replaced.
        checked_routines: in the order in which they shall be listed; all of the very same machine data.

    Returns:
        The pack as `load_pack` will read it.

    Raises:
        PackError: there is no routine, two have one name, they were checked against different machines, or a routine
            falls back to one that is not among them.
        OSError: the file cannot be written.
    """
    routines = list(checked_routines)
    if not routines:
        raise PackError("a pack needs at least one checked routine, and none was given")
    _refuse_contradictions(routines)
    machine = routines[0].machine
    check_shape(machine, [checked.routine for checked in routines])
    machine_text = canonical(machine)
    texts = [canonical(checked.routine) for checked in routines]
    whole = pack_hash(machine_text, texts)
    lines = ",\n".join(texts)
    with whole_file(path) as file:
        file.write(
            f'{{"format":"{FORMAT}",\n"machine":{machine_text},\n"routines":[\n{lines}\n],\n"hash":"{whole}"}}\n'
        )
    return Pack(machine, {checked.name: checked for checked in routines}, whole)


def _refuse_contradictions(routines: list[CheckedRoutine]) -> None:
    names = [checked.name for checked in routines]
    for index, checked in enumerate(routines):
        if checked.name in names[:index]:
            raise PackError(f"two routines are called '{checked.name}'; a pack holds each name once, so rename one")
        if checked.machine["hash"] != routines[0].machine["hash"]:
            raise PackError(
                f"'{checked.name}' was checked against other machine data ({_machine_name(checked)}) "
                f"than '{names[0]}' ({_machine_name(routines[0])}); "
                f"check all routines of a pack against the same machine and overlays"
            )
        for step in checked.routine["steps"]:
            if step["on_timeout"] not in ("fault", "continue", "cancel", *names):
                raise PackError(
                    f"'{checked.name}', step '{step['name']}': on_timeout names routine '{step['on_timeout']}', "
                    f"which is not in the pack; {did_you_mean(step['on_timeout'], names)}"
                )


def _machine_name(checked: CheckedRoutine) -> str:
    return f"{checked.machine['name']}, {checked.machine['hash'][:12]}"
