"""The bytes of a file that somebody names: a plain file of bearable size, or a reason why not."""

from __future__ import annotations

import errno
import stat
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

MOST_TEXT = 16 << 20
"""Bytes of a file that a person writes: a protocol, a list of tanks, an allocation, a mapping, a consent."""


def content_of(path: Path, most: int = MOST_TEXT) -> bytes:
    """All bytes of a file; links are followed.

    Devices and pipes are refused before they are opened, since they may never end, and never more than ``most``
    bytes are read, whatever size the system gives.

    Raises
    ------
    OSError
        As the system says it, or with such a sentence where the file is none or larger than ``most`` bytes.
    """
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "it is a device or a pipe and no plain file", str(path))
    with path.open("rb") as file:
        content = file.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EFBIG, f"it is larger than {most >> 20} MB", str(path))
    return content
