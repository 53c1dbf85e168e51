"""What a child process may not do: write to the terminal, take more memory than it is given, leave a core file."""

from __future__ import annotations

import contextlib
import os
import sys


def silence() -> None:
    """Libraries write to these when they die; what the child has to say goes through the pipe."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.close(nowhere)


def limit(memory_bytes: int | None) -> None:
    """Bound the child's memory, and keep it from leaving a core file; where the system has such limits."""
    if sys.platform == "win32":
        return
    import resource

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if memory_bytes is not None:
        _, most = resource.getrlimit(resource.RLIMIT_AS)
        wanted = memory_bytes if most == resource.RLIM_INFINITY else min(memory_bytes, most)
        with contextlib.suppress(ValueError, OSError):  # some systems know the limit and refuse to set it
            resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
