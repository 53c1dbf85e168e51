"""kill -9 and a full disk while a clip is scored: results whole or absent, and the next run goes through."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from flight_material import write_flight

from benchmarks.bad_input import command

NAMES = {"flight.json", "timeline.csv", "tiles.npz", "evidence.npz", "places.npz", "report.html"}
KILLS = 100
TMPFS_KB = 832  # room for two results of the small clip, 376 kB each, and not for another beside what fills the disk

pytestmark = pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")


def _start(clip: Path, out: Path, *words: str) -> subprocess.Popen[str]:
    """Start scoring, in a process group of its own."""
    line = [sys.executable, "-m", "fieldscore", "score", str(clip), "-o", str(out), "--quiet", "--workers", "1", *words]
    return subprocess.Popen(line, stderr=subprocess.PIPE, text=True, start_new_session=True)


def _score(clip: Path, out: Path, *words: str) -> tuple[int, str]:
    """Score to the end; exit code and standard error."""
    with _start(clip, out, *words) as program:
        _, err = program.communicate()
    return program.returncode, err


def _files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()} if folder.is_dir() else {}


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    """A clip of a second."""
    return write_flight(tmp_path / "lap.mp4", 30)


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    """Other criteria, so that the new result differs from the old one in its files."""
    path = tmp_path / "strict.toml"
    path.write_text("usable_zone_readable_percent = 90.0\n")
    return path


@pytest.mark.kill
def test_killed_at_any_moment_the_result_is_whole_or_absent(clip: Path, rules: Path, tmp_path: Path) -> None:
    """Killed with all its processes at random moments: an old result, a new one or none; and then it runs through again."""
    out = tmp_path / "out"
    assert _score(clip, out) == (0, "")
    old = _files(out / "lap")
    start = time.monotonic()
    assert _score(clip, out, "--criteria", str(rules)) == (0, "")
    length_s = time.monotonic() - start
    new = _files(out / "lap")
    assert set(old) == set(new) == NAMES
    assert old["flight.json"] != new["flight.json"]
    generator = np.random.default_rng(1)
    for number in range(KILLS):
        words = ("--criteria", str(rules)) if number % 2 else ()
        with _start(clip, out, *words) as program:
            # most of them where results are written: the last third
            time.sleep(length_s * float(generator.triangular(0.0, 0.9, 1.1)))
            os.killpg(program.pid, signal.SIGKILL)
        found = {name: data for name, data in _files(out / "lap").items() if name in NAMES}
        if "flight.json" in found:
            assert found in (old, new)
        for data in (data for name, data in found.items() if name.endswith(".json")):
            json.loads(data)
    assert _score(clip, out) == (0, "")
    assert _files(out / "lap") == old


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for two results of the clip."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={TMPFS_KB}k", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, check=False)
    except OSError:
        pytest.skip("no mount here")
    if done.returncode:
        pytest.skip("not allowed to mount here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_keeps_the_earlier_result(clip: Path, rules: Path, tmp_path: Path, small_disk: Path) -> None:
    """On a disk that fills up while the result is written: one line, exit code 1, the earlier result as it was."""
    words = ("score", clip, "-o", small_disk, "--quiet")
    assert (command(*words).code, command(*words).lines) == (0, ())
    before = _files(small_disk / "lap")
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as stream, pytest.raises(OSError, match="No space"):
        while stream.write(bytes(4096)):
            pass
    for left in (0, 16384, 65536):
        os.truncate(filler, filler.stat().st_size - left)
        done = command(*words, "--criteria", rules)
        assert (done.code, len(done.lines), done.strange) == (1, 1, ())
        assert "No space left on device" in done.lines[0]
        assert _files(small_disk / "lap") == before
    filler.unlink()
    assert command(*words, "--criteria", rules).code == 0
    assert set(_files(small_disk / "lap")) == NAMES
    assert _files(small_disk / "lap") != before
