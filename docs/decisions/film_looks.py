"""How the small pictures of a report are packed: kind of file, width and quality against room, fidelity and time.

Run: python docs/decisions/film_looks.py RESULTS... (results folders of flights; the demo clips' were used)
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np

from fieldscore.report import load_record
from fieldscore.report.film import LOOKS, PER_SHEET, PICTURES_A_SECOND, ROOM_BYTES, ROOM_FOR_S, _cell, _sheet

FIVE_MINUTES = ROOM_FOR_S * PICTURES_A_SECOND  # pictures


def main(folders: list[str]) -> None:
    """Print room for five minutes, fidelity and time of every look, for each flight."""
    looks = [*LOOKS, ("jpeg", 200, 35), ("jpeg", 160, 40), ("jpeg", 160, 25)]
    for folder in folders:
        thumbs = load_record(Path(folder)).evidence.thumbs[:PER_SHEET]
        print(Path(folder).name)
        for kind, width, quality in looks:
            size = _cell(thumbs[0], width)
            began = time.process_time()
            data = _sheet(thumbs, size, kind, quality)
            took = time.process_time() - began
            shown = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR).astype(float)
            wanted = cv2.imdecode(np.frombuffer(_sheet(thumbs, size, "png", 0), dtype=np.uint8), cv2.IMREAD_COLOR)
            fidelity = 10 * np.log10(255**2 / ((shown - wanted) ** 2).mean())
            room = len(data) / len(thumbs) * FIVE_MINUTES
            fits = "fits" if room <= ROOM_BYTES else "too much"
            print(
                f"  {kind} {width:3} px, {quality:2}: {room / 1e6:.2f} MB {fits:8}, {fidelity:.1f} dB, {1e3 * took:.0f} ms"
            )


if __name__ == "__main__":
    main(sys.argv[1:])
    print(
        "Sets LOOKS of report/film.py: at like fidelity WebP takes about 30 % less room than JPEG and about 5 times as long, so a "
        "flight whose pictures fit as JPEG at full width has them so, and WebP begins where room is short."
    )
