"""Damaged containers by the thousand: python -m benchmarks.mutations [--count N] [--seed N] [--only NAME] [--keep DIR] [--write].

Small whole clips in the usual containers are damaged at random, each by a seed of its own, and read through as `inspect` and
`score` read: nothing but a measured clip or a refusal in one line may come of it. Counted: crashes of the reading process,
clips it was stuck on, and bugs of ours (exceptions that are no refusal). `--keep` keeps the files that failed; `--write` puts
the table into docs/mutations.md.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.pages import put
from fieldscore.criteria import Criteria
from fieldscore.errors import FieldscoreError
from fieldscore.inspection import inspected
from fieldscore.run import Job, quiet_libraries, run_job
from fieldscore.video import ClipWriter, Encoding, Flight
from fieldscore.workers import GIB, Limits, Progress, run_tasks

PAGE = "mutations.md"
COUNT = 21000
SEED = 2026
WIDTH, HEIGHT, PICTURES, RATE = 64, 64, 8, 25.0
SCORED_EVERY = 100  # one in so many goes the whole way to its report
LIMITS = Limits(memory_bytes=2 * GIB, silent_s=20.0)
HEADER_BYTES = 512  # where formats say what they are
H264 = Encoding(gop=4, b_frames=1)
SOURCES: dict[str, tuple[str, Encoding]] = {
    "mp4 h264": (".mp4", H264),
    "avi mjpeg": (".avi", Encoding(codec="mjpeg", quality=6, full_range=True)),
    "mkv h264": (".mkv", H264),
    "ts h264": (".ts", H264),
    "mov h264 10 bit": (".mov", Encoding(gop=4, pixel_format="yuv420p10le")),
    "mp4 hevc": (".mp4", Encoding(codec="hevc", gop=4)),
    "avi mpeg4": (".avi", Encoding(codec="mpeg4", quality=5, gop=4)),
}


@dataclass(frozen=True)
class Tried:
    """What became of one damaged file: "whole", "in part", "refused", or "bug" with its traceback; seconds it took."""

    outcome: str
    seconds: float
    text: str = ""


def source(name: str, directory: Path) -> bytes:
    """A whole clip of eight pictures: a moving edge over noise."""
    suffix, encoding = SOURCES[name]
    generator = np.random.default_rng(SEED)
    texture = generator.integers(30, 90, (HEIGHT, WIDTH))
    deep = "10" in encoding.pixel_format
    path = directory / f"source{suffix}"
    with ClipWriter(path, WIDTH, HEIGHT, RATE, encoding) as writer:
        for number in range(PICTURES):
            luma = texture.copy()
            luma[:, 4 + 6 * number :] += 120
            planes = [luma, np.full((HEIGHT // 2, WIDTH // 2), 120), np.full((HEIGHT // 2, WIDTH // 2), 136)]
            writer.write([(plane * 4).astype(np.uint16) if deep else plane.astype(np.uint8) for plane in planes])
    return path.read_bytes()


def mutated(data: bytes, generator: np.random.Generator) -> bytes:
    """The data with one to three kinds of damage done to it, mostly one: much more and nothing gets past the header."""
    array = np.frombuffer(data, np.uint8).copy()
    for kind in generator.choice(len(_DAMAGES), size=int(generator.choice([1, 1, 1, 1, 2, 3]))):
        array = _DAMAGES[kind](array, generator)
    return array.tobytes()


Bytes = np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


def _place(array: Bytes, generator: np.random.Generator) -> int:
    return int(generator.integers(0, max(1, array.size)))


def _run(array: Bytes, generator: np.random.Generator) -> tuple[int, int]:
    start = _place(array, generator)
    return start, start + int(2 ** generator.uniform(0, 10))


def _flips(array: Bytes, generator: np.random.Generator) -> Bytes:
    for _ in range(int(2 ** generator.uniform(0, 7))):
        if array.size:
            array[_place(array, generator)] ^= 1 << int(generator.integers(0, 8))
    return array


def _cut(array: Bytes, generator: np.random.Generator) -> Bytes:
    return array[: _place(array, generator)]


def _zeros(array: Bytes, generator: np.random.Generator) -> Bytes:
    start, end = _run(array, generator)
    array[start:end] = 0
    return array


def _swap(array: Bytes, generator: np.random.Generator) -> Bytes:
    start, end = _run(array, generator)
    other = _place(array, generator)
    length = min(end - start, array.size - start, array.size - other)
    piece = array[start : start + length].copy()
    array[start : start + length] = array[other : other + length]
    array[other : other + length] = piece
    return array


def _header(array: Bytes, generator: np.random.Generator) -> Bytes:
    """Bytes of the head or the tail (where mp4 has its index) become extreme values."""
    for _ in range(int(generator.integers(1, 9))):
        if array.size:
            at = int(generator.integers(0, min(array.size, HEADER_BYTES)))
            at = array.size - 1 - at if generator.random() < 0.5 else at
            array[at] = generator.choice([0, 1, 0x7F, 0x80, 0xFE, 0xFF, int(generator.integers(0, 256))])
    return array


def _number(array: Bytes, generator: np.random.Generator) -> Bytes:
    """A 32-bit number somewhere becomes a very large, very small or negative one."""
    value = int(generator.choice([0, 1, 2**31 - 1, 2**31, 2**32 - 1, int(generator.integers(0, 2**32))]))
    start = _place(array, generator)
    piece = np.frombuffer(value.to_bytes(4, "big" if generator.random() < 0.5 else "little"), np.uint8)
    array[start : start + 4] = piece[: max(0, min(4, array.size - start))]
    return array


def _repeat(array: Bytes, generator: np.random.Generator) -> Bytes:
    start, end = _run(array, generator)
    return np.concatenate([array[:end], array[start:end], array[end:]])


def _drop(array: Bytes, generator: np.random.Generator) -> Bytes:
    start, end = _run(array, generator)
    return np.concatenate([array[:start], array[end:]])


_DAMAGES: tuple[Callable[[Bytes, np.random.Generator], Bytes], ...] = (
    _flips, _cut, _zeros, _swap, _header, _number, _repeat, _drop,
)  # fmt: skip


def attempt(data: bytes, suffix: str, seed: tuple[int, ...], progress: Progress) -> Tried:
    """Damage and read one file, in a child process."""
    quiet_libraries()
    start = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="fieldscore-mutations-") as directory:
        path = Path(directory) / f"clip{suffix}"
        path.write_bytes(mutated(data, np.random.default_rng(seed)))
        try:
            outcome, text = _read(path, seed, progress), ""
        except FieldscoreError as error:
            outcome, text = ("refused", "") if str(error).isprintable() else ("bug", f"not printable: {error!r}")
        except Exception:  # noqa: BLE001 - what this looks for
            outcome, text = "bug", traceback.format_exc()
    return Tried(outcome, time.monotonic() - start, text)


def _read(path: Path, seed: tuple[int, ...], progress: Progress) -> str:
    """Read a file as the commands do."""
    if seed[-1] % SCORED_EVERY == 0:
        done = run_job(Job((path,), None, path.parent / "results", Criteria()), progress)
        if done.error is not None:
            return "refused"
    lines = inspected([path], None, progress).lines()
    if not all(line.isprintable() for line in lines):
        raise ValueError(f"not printable: {lines}")
    flight = Flight([path])
    last = -1.0
    for frame in flight.frames():
        frame.luma.mean(), frame.chroma
        if frame.time_s <= last:
            raise ValueError(f"time goes from {last} to {frame.time_s}")
        last = frame.time_s
    losses = flight.losses
    return "in part" if losses.frames_lost or losses.frames_damaged or losses.problems else "whole"


def run(names: list[str], count: int, seed: int, keep: Path | None) -> Iterator[tuple[str, tuple[int, ...], Tried]]:
    """Damage and read `count` files, in turn from the sources; what became of each."""
    with tempfile.TemporaryDirectory(prefix="fieldscore-mutations-") as directory:
        sources = {name: source(name, Path(directory)) for name in names}
    work = []
    for number in range(count):
        name = names[number % len(names)]
        place = list(SOURCES).index(name)
        work.append((sources[name], SOURCES[name][0], (seed, place, number // len(names))))
    for number, ended in run_tasks(attempt, work, limits=LIMITS):
        tried = ended.value if ended.value is not None else Tried(str(ended.died or ended.error), 0.0)
        if keep is not None and tried.outcome not in ("whole", "in part", "refused"):
            data, suffix, one = work[number]
            keep.mkdir(parents=True, exist_ok=True)
            name = "-".join(map(str, one))
            (keep / f"{name}{suffix}").write_bytes(mutated(data, np.random.default_rng(one)))
        yield names[number % len(names)], work[number][2], tried


def main() -> None:
    """Damage, read, count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", choices=sorted(SOURCES), action="append")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--write", action="store_true", help=f"put the table into docs/{PAGE}")
    options = parser.parse_args()
    names = options.only or list(SOURCES)
    counts: dict[str, Counter[str]] = {name: Counter() for name in names}
    slowest, start = 0.0, time.monotonic()
    for done, (name, seed, tried) in enumerate(run(names, options.count, options.seed, options.keep)):
        counts[name][tried.outcome] += 1
        slowest = max(slowest, tried.seconds)
        if tried.outcome not in ("whole", "in part", "refused"):
            print(f"{name} {seed}: {tried.outcome}\n{tried.text}", flush=True)
        if done % 1000 == 0:
            print(f"{done} after {time.monotonic() - start:.0f} s", flush=True)
    kinds = ["whole", "in part", "refused"]
    kinds += sorted({kind for one in counts.values() for kind in one} - set(kinds))
    lines = ["| container | files | " + " | ".join(kinds) + " |", "|---" * (len(kinds) + 2) + "|"]
    for name, one in counts.items():
        lines.append(f"| {name} | {one.total()} | " + " | ".join(str(one[kind]) for kind in kinds) + " |")
    bad = sum(one[kind] for one in counts.values() for kind in kinds[3:])
    lines += [
        "",
        f"Of {options.count} damaged files {bad} crashed, stalled or failed in a way that is no refusal; slowest {slowest:.1f} s.",
    ]
    print("\n".join(lines))
    print(f"{time.monotonic() - start:.0f} s")
    if options.write:
        put(PAGE, "\n".join(lines))


if __name__ == "__main__":
    main()
