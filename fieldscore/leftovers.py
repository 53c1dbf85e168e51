"""Removing what a run leaves in the folder for temporary files: that, and nothing else, whatever is asked."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

PREFIX = "fieldscore-temporary-"  # names of all temporary files and folders begin so; those of results do not


def discard(folder: Path) -> None:
    """Remove a folder of that prefix in the folder for temporary files, or one that lies in such a folder, with all that is in it.

    ValueError for any other, so that no mistake here can cost anybody's files.
    """
    temporary = Path(tempfile.gettempdir()).absolute()
    ours = any(one.name.startswith(PREFIX) and one.parent == temporary for one in (folder, folder.parent))
    if not folder.is_absolute() or not ours:
        raise ValueError(f"{folder} is no temporary folder of ours; it is left alone")
    shutil.rmtree(folder, ignore_errors=True)
