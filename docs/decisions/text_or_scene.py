"""What tells overlay text from scene that stays in place?

For every group of pixels that stand out in most pictures of a flight: how many there are, how many of them keep to codes of
their own, and the share of these; the least of simulated text, and all there are in recordings without any text.
Run: python -m benchmarks.integrity DIR once, then python -m docs.decisions.text_or_scene DIR [CLIP ...], CLIPs without text
"""

from __future__ import annotations

import sys
from pathlib import Path
from unittest.mock import patch

import numpy as np

from benchmarks.integrity import SUFFIXES
from fieldscore import Criteria, overlay, picture
from fieldscore.analyse import look_at
from fieldscore.video import Flight


def groups(path: Path) -> list[tuple[int, int, float]]:
    """Pixels of a group, how many keep to codes of their own, and their share."""
    with patch.object(picture, "overlay_of", wraps=overlay.overlay_of) as looked:
        look_at(Flight([path]), Criteria(), path.name)
    views = looked.call_args.args[0]
    if len(views) < overlay._PICTURES_AT_LEAST:
        return []
    labels = overlay._lines(np.maximum(views.bright, views.dark) >= overlay._ALWAYS * len(views))
    if not labels.any():
        return []
    _, pixels, own = overlay._groups(labels, views.bright >= views.dark, views.pictures)
    return [(int(n), int(k), round(float(k / n), 2)) for n, k in zip(pixels, own, strict=True) if n]


def main(directory: Path, clips: list[Path]) -> None:
    flights = [path for path in sorted(directory.iterdir()) if path.suffix in SUFFIXES and "no-" not in path.name]
    text = [one for path in flights for one in groups(path)]
    print("text, the least pixels, pixels with codes of their own, and share:", *np.min(text, axis=0).round(2))
    for path in clips:
        print(f"{path.name}, without text:", groups(path) or "nothing stands out")
    print(
        "Sets: codes of their own at a fifth of a label's pixels, and at as many as a letter has: of text a third and a"
    )
    print(
        "hundred were the least; a lit horizon flown straight toward had 28 pixels, 5 of them with codes of their own."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), [Path(one) for one in sys.argv[2:]])
