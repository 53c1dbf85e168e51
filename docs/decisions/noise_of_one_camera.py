"""By how much do two flights of one camera over one route differ in noise?

python docs/decisions/noise_of_one_camera.py DIR [DIR ...], where DIRs hold results of `compare` of flights that share a label
(`python -m fieldscore compare ... --label A --label A --output DIR/NAME`), anywhere below. Prints the difference of every two
flights of one label, largest first, and how many reach which size. Sets: `SLOW_MEASURES["noise_percent"]` in
`fieldscore/compare_judge.py`, which none reaches. To be held against it by name: flights of one camera under two labels.

Found on 53 pairs of simulators other than ours: half under 0.05, 9 in 10 under 0.14, all under 0.33 % of nominal white. Of pairs
under two labels that differ in nothing which makes noise the most were 0.54 (one of them hunts) and 0.38 (two laps against one).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

SIZES = (0.05, 0.1, 0.2, 0.25, 0.3, 0.4, 0.6)  # % of nominal white


def main() -> None:
    """Print the differences, and how many reach each size."""
    found: dict[tuple[str, str, float], float] = {}
    for path in sorted(file for folder in sys.argv[1:] for file in Path(folder).rglob("comparison.json")):
        data = json.loads(path.read_text("utf-8"))
        for one in data.get("differences", []):
            alike = one["labels"][0] == one["labels"][1]
            if one["measure"] == "noise_percent" and one["of"] == "places" and alike and one["difference"] is not None:
                first, second = (str(data["flights"][one[side]]["file"]) for side in ("a", "b"))
                found[first, second, one["difference"]] = abs(one["difference"])
    for (first, second, _), size in sorted(found.items(), key=lambda item: -item[1]):
        print(f"{size:6.3f}  {first} and {second}")
    for size in SIZES:
        print(f"{sum(one >= size for one in found.values()):4d} of {len(found)} by {size:g} and more")


if __name__ == "__main__":
    main()
