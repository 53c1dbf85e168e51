"""What can go wrong, one class a cause. The command line turns each into one line and exit code 1."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path


class FieldscoreError(Exception):
    """Root of every failure that is the input's, not the program's."""


class ClipError(FieldscoreError):
    """A file cannot be read as video.

    `path` is the file, `reason` the cause in plain words, `advice` what to do about it (may be empty).
    """

    def __init__(self, path: Path, reason: str, advice: str = "") -> None:
        self.path = path
        self.reason = reason
        self.advice = advice
        super().__init__(f"{path.name}: {reason}" + (f"; {advice}" if advice else ""))


class NoClipsError(FieldscoreError):
    """Nothing among the given names is a clip or a saved result."""


class CriteriaError(FieldscoreError):
    """A criteria file is not valid; `key` is the entry at fault."""

    def __init__(self, key: str, message: str) -> None:
        self.key = key
        super().__init__(message)

    @classmethod
    def unknown(cls, key: str, known: Iterable[str]) -> CriteriaError:
        """An entry that does not exist, with the nearest that does."""
        near = difflib.get_close_matches(key, sorted(known), n=1, cutoff=0.3)
        hint = f"; nearest is '{near[0]}'" if near else ""
        return cls(key, f"criteria: unknown key '{key}'{hint}")


class ResultsError(FieldscoreError):
    """A saved results folder or timeline cannot be read back, or a result cannot be written."""


class NotMeasurableError(FieldscoreError):
    """A flight gave nothing to measure (no picture decoded, no airtime)."""
