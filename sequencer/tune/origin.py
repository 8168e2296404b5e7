"""Whether a recording is of the machine and the routines at hand, by their hashes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sequencer.errors import did_you_mean
from sequencer.trace.trace import Header


def machine_note(recorded: Header, machine: str, digest: str) -> str | None:
    """A sentence where another machine was recorded, or this one before it changed; None where it is the same.

    A log of another program tells no hash, and is taken at its word.

    Args:
        recorded: heading of the recording.
        machine: name of the machine at hand.
        digest: its hash.
    """
    if recorded.machine_hash in ("", digest):
        return None
    which = "the machine has changed since" if recorded.machine == machine else "another machine was recorded"
    return f"{which}: {recorded.machine} ({recorded.machine_hash[:12]}), now {machine} ({digest[:12]})"


def routine_notes(recorded: Header, given: Mapping[str, str]) -> Iterator[str]:
    """A sentence for each recorded routine that is not at hand, or is another version.

    Args:
        recorded: heading of the recording.
        given: hashes of the routines at hand by name.
    """
    for name, digest in recorded.routines:
        if name not in given:
            yield f"routine {name} was recorded and is not given; {did_you_mean(name, given)}"
        elif given[name] != digest:
            yield f"routine {name} has changed: {digest[:12]} was recorded, now {given[name][:12]}"
