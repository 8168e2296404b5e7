"""Files that appear whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


@contextmanager
def whole_file(path: str | os.PathLike[str], newline: str = "\n") -> Iterator[IO[str]]:
    """A UTF-8 text file to write to, which takes its place at `path` once the block has ended without an error.

    A link is followed: what it points at is replaced, not the link. Until then an old file stays as it was, and after
    an error nothing is left behind.

    Raises:
        OSError: there is something else than a regular file (a device, a pipe, a folder), or the folder is not there
            or full; the error names `path`.
    """
    wanted = Path(path)
    target = Path(os.path.realpath(wanted))
    if target.is_dir():
        raise IsADirectoryError(21, "it is a folder; name a file in it", str(wanted))
    if target.exists() and not target.is_file():
        raise OSError(22, "it is no regular file (a device or a pipe), and is left alone", str(wanted))
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline=newline) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise type(error)(error.errno, error.strerror or str(error), str(wanted)) from None
    except BaseException:
        part.unlink(missing_ok=True)
        raise
