"""Whatever comes off a card: measured, measured in part with the loss told, or refused in one line; never anything else."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from flight_material import write_flight

from benchmarks.bad_input import Case, cases, command, judge, rows
from fieldscore.video import Encoding

GENERATOR = Path(__file__).parent.parent.parent / "shared" / "tools" / "make_bad_inputs.py"
# A few of each group, and whatever was once wrong here.
FEW = (
    "good_mjpeg", "audio_only_mp4", "fifo", "symlink_dir_loop", "mp4_no_moov", "mp4_fast_cut60", "avi_empty_chunks",
    "ts_zero_tail", "mkv_cut", "flip20_mp4", "flip_moov3", "no_first_idr", "all_same_pts", "gap_huge", "vfr",
    "avi_fps_tiny", "res_change_ts", "size_1x1_ffv1", "h264_paff_ts", "bomb_mjpeg_65500", "bomb_stsz_268M", "link_loss",
    "name_ansi", "name_invalid_utf8", "hls_http_mp4", "dref_alias", "unlinked_mp4", "shrinking_mp4",
)  # fmt: skip


@pytest.fixture(scope="session")
def corpus(pytestconfig: pytest.Config) -> Path:
    """The generated corpus, made once for each version of its generator."""
    if not GENERATOR.is_file() or shutil.which("ffmpeg") is None:
        pytest.skip("the generator of bad inputs, or ffmpeg, is not here")
    version = hashlib.sha256(GENERATOR.read_bytes()).hexdigest()[:12]
    place = pytestconfig.cache.mkdir("bad-inputs") / version
    if not (place / "manifest.json").is_file():
        made = subprocess.run([sys.executable, GENERATOR, place], capture_output=True, text=True, check=False)
        if made.returncode:
            pytest.skip(f"the generator of bad inputs fails: {made.stderr[-200:]}")
    return place


@pytest.mark.parametrize("name", FEW)
def test_a_case_becomes_what_its_manifest_asks(name: str, corpus: Path, tmp_path: Path) -> None:
    """A few cases of the corpus, through score and inspect: the outcome asked for, nothing lost without a word."""
    (case,) = (case for case in cases(corpus) if case.name == name)
    assert judge(case, tmp_path).faults == ()


@pytest.mark.corpus
def test_every_case_becomes_what_its_manifest_asks(corpus: Path) -> None:
    """All of the corpus, through score and inspect."""
    found = list(rows(cases(corpus)))
    assert len(found) >= 300
    assert {row.case.name: row.faults for row in found if row.faults} == {}


def _case(path: Path, *accept: str, frames: int | None = None) -> Case:
    return Case(path.stem, path, "own", "made by this test", accept, frames, 30.0, live=False)


def _whole(tmp_path: Path, suffix: str = ".mp4", **encoding: object) -> bytes:
    return write_flight(tmp_path / f"whole{suffix}", 40, Encoding(**encoding)).read_bytes()  # type: ignore[arg-type]


def test_what_is_no_recording_is_refused(tmp_path: Path) -> None:
    """Empty, text, a playlist, zeros, junk, a folder without a clip, a missing file: one line each, exit code 1."""
    junk = hashlib.shake_256(b"junk").digest(5000)
    for name, data in {
        "empty.mp4": b"",
        "text.mp4": b"battery 1 was flat\n" * 20,
        "list.mp4": b"#EXTM3U\n#EXTINF:4.0,\nother.ts\n#EXT-X-ENDLIST\n",
        "zeros.avi": bytes(70000),
        "junk.mp4": junk,
        "junk.ts": b"\x47" + junk,
    }.items():
        path = tmp_path / name
        path.write_bytes(data)
        assert judge(_case(path, "refuse"), tmp_path).faults == (), name
    assert judge(_case(tmp_path / "missing.mp4", "refuse"), tmp_path).faults == ()
    (tmp_path / "hollow").mkdir()
    assert judge(_case(tmp_path / "hollow", "refuse"), tmp_path).faults == ()


def test_a_cut_recording_is_measured_in_part(tmp_path: Path) -> None:
    """Cut at two thirds, a transport stream, a Matroska file and an AVI give what is there; the rest is told in seconds."""
    for suffix, encoding in ((".mkv", {}), (".avi", {"codec": "mjpeg", "quality": 4})):
        data = _whole(tmp_path, suffix, **encoding)
        path = tmp_path / f"cut{suffix}"
        path.write_bytes(data[: len(data) * 2 // 3])
        row = judge(_case(path, "partial", frames=40), tmp_path)
        assert row.faults == ()
        assert "lost (" in row.said


def test_a_recording_without_its_index_is_refused_with_advice(tmp_path: Path) -> None:
    """An mp4 whose battery was pulled: one line that says how much is there and what can be done."""
    data = _whole(tmp_path)
    path = tmp_path / "pulled.mp4"
    path.write_bytes(data[: data.index(b"moov") - 4])
    row = judge(_case(path, "refuse"), tmp_path)
    assert row.faults == ()
    assert "not finalised" in row.said
    assert "repair" in row.said


def test_bystanders_in_a_folder_are_named_and_do_no_harm(tmp_path: Path) -> None:
    """A card with two clips, a broken one, a thumbnail, a hidden file and a text: two measured, each other named once."""
    card = tmp_path / "card"
    card.mkdir()
    write_flight(card / "LAP_A.mp4", 30)
    write_flight(card / "LAP_B.mp4", 30, seed=2)
    (card / "BROKEN.mp4").write_bytes(b"\0" * 100)
    for name in ("LAP_A.THM", "._LAP_A.mp4", "notes.txt"):
        (card / name).write_bytes(b"x" * 100)
    done = command("score", "--json", "-o", tmp_path / "out", card)
    assert (done.code, done.strange) == (1, ())
    assert [result["clip"]["files"] for result in done.results] == [["LAP_A.mp4"], ["LAP_B.mp4"]]
    for name in ("BROKEN.mp4", "LAP_A.THM", "._LAP_A.mp4", "notes.txt"):
        assert sum(f" {name}:" in line for line in done.lines) == 1, name
