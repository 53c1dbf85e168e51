"""Bad and awkward inputs through the commands: python -m benchmarks.bad_input DIR [--only WORD] [--write].

DIR holds files and a manifest.json that says what should become of each (see `Case`). Every case is scored and inspected as
a user would, its outcome judged, and what fails is printed. `--write` puts the table into docs/bad-input.md.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks.pages import put
from fieldscore import cli
from fieldscore.report.words import visible

PAGE = "bad-input.md"
MOST_LINE = 200  # characters of a line that says why something cannot be done
NEAR_FRAMES = 1  # pictures by which measured and lost together may miss what was recorded
# Where fieldscore means to do otherwise than a manifest asks: what it does, and why.
OTHERWISE: dict[str, tuple[str, str]] = {
    "res_change_avi": (
        "partial",
        "pictures of another size are left out and counted as lost: scaled to the first size they would have another noise "
        "and sharpness, and as they are another object size, so that figures over both would be of no camera",
    ),
}
LIVE_STEP_S = 0.3  # between two changes of a file that is being read


@dataclass(frozen=True)
class Case:
    """One input: where it is, what it is, and what may become of it.

    `accept`: "measure" (all of it, no loss claimed), "partial" (what is there, with the loss stated), "refuse" (one line,
    exit code 1), "folder" (what can be read in it is). `frames`: pictures recorded, None where that is not the question.
    `gaps`: the recorder left pictures out; all that it recorded is to be measured and the gaps told, so they are no loss of ours.
    """

    name: str
    path: Path
    group: str
    what: str
    accept: tuple[str, ...]
    frames: int | None
    frame_rate: float | None
    live: bool
    gaps: bool = False


@dataclass(frozen=True)
class Run:
    """What a command did: exit code, the objects on standard output, the lines on standard error, seconds."""

    code: int
    results: tuple[dict[str, Any], ...]
    lines: tuple[str, ...]
    strange: tuple[str, ...]
    seconds: float


@dataclass(frozen=True)
class Row:
    """A case with what became of it, what was said, and what is wrong with that (nothing, one hopes)."""

    case: Case
    outcome: str
    said: str
    faults: tuple[str, ...]


def cases(directory: Path) -> list[Case]:
    """The cases of a folder's manifest, in its order."""
    data = json.loads((directory / "manifest.json").read_text(encoding="utf-8"))
    return [
        Case(
            item["id"],
            directory / os.fsdecode(bytes.fromhex(item["path_hex"])),
            item["group"],
            item["what"],
            (OTHERWISE[item["id"]][0],) if item["id"] in OTHERWISE else tuple(item["accept"]),
            item["frames"],
            item["fps"],
            bool(item["live"]),
            "report the dropped" in item["must"],
        )
        for item in data["items"]
    ]


def command(*words: object) -> Run:
    """Run a command in this process (its files are read in another); never raises."""
    out, err = io.StringIO(), io.StringIO()
    before, start = sys.argv, time.monotonic()
    sys.argv = ["fieldscore", *(os.fspath(word) if isinstance(word, Path) else str(word) for word in words)]
    code, strange = 0, []
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            cli.main()
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 99
    except BaseException as error:  # noqa: BLE001 - a traceback is what this looks for
        strange.append(f"{type(error).__name__}: {error}")
    finally:
        sys.argv = before
    results = []
    for line in out.getvalue().splitlines():
        try:
            results.append(json.loads(line, parse_constant=_no_constant))
        except ValueError as error:
            strange.append(f"standard output is not JSON ({error}): {line[:80]}")
    lines = err.getvalue().split("\n")[:-1]
    strange += [f"not printable: {line!r}" for line in lines if not line.isprintable()]
    strange += [f"{len(line)} characters: {line}" for line in lines if len(line) > MOST_LINE]
    return Run(code, tuple(results), tuple(lines), tuple(strange), time.monotonic() - start)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")


def judge(case: Case, output: Path) -> Row:
    """Score and inspect a case, and judge what became of it."""
    if case.live:
        with _changing(case, output) as path:
            score = command("score", "--json", "-o", output / "results", "--", path)
        return _judged(case, score)
    score = command("score", "--json", "-o", output / "results", "--", case.path)
    row = _judged(case, score)
    look = command("inspect", "--json", "--", case.path)
    return Row(case, row.outcome, row.said, (*row.faults, *_looked(score, look)))


def _judged(case: Case, run: Run) -> Row:
    """The outcome of a scored case and its faults."""
    clips = [result["clip"] for result in run.results]
    problems = [problem for clip in clips for problem in clip["problems"]]
    if case.accept == ("folder",):
        outcome = "folder"
    elif not clips:
        outcome = "refuse"
    else:
        lost = any(clip["frames_lost"] or clip["frames_damaged"] for clip in clips) and not _only_gaps(case, clips)
        outcome = "partial" if lost or (problems and "measure" not in case.accept) else "measure"
    faults = list(run.strange)
    if outcome not in case.accept:
        faults.append(f"{outcome} instead of {' or '.join(case.accept)}")
    if outcome != "folder":
        faults += _wrong_code(run, outcome)
    faults += [fault for clip in clips[:1] if outcome != "folder" for fault in _wrong_count(case, clip, problems)]
    said = "; ".join([*_counts(clips), *problems]) if clips else "; ".join(run.lines)
    return Row(case, outcome, said, tuple(faults))


def _only_gaps(case: Case, clips: Sequence[dict[str, Any]]) -> bool:
    """Whether all that was recorded is measured, and what was left out by the recorder is told as lost."""
    return (
        case.gaps
        and len(clips) == 1
        and clips[0]["frames_measured"] == case.frames
        and clips[0]["frames_lost"] > 0
        and not clips[0]["frames_damaged"]
    )


def _wrong_code(run: Run, outcome: str) -> Iterator[str]:
    """What is wrong with exit code and number of lines."""
    wanted = 1 if outcome == "refuse" else 0
    if run.code != wanted:
        yield f"exit code {run.code} instead of {wanted}"
    if len(run.lines) != wanted:
        yield f"{len(run.lines)} lines on standard error instead of {wanted}"


def _wrong_count(case: Case, clip: dict[str, Any], problems: Sequence[str]) -> Iterator[str]:
    """What is wrong with the account of pictures: none may be missing without a word."""
    if case.frames is None:
        return
    fields = 2 if clip["interlaced"] else 1
    measured, lost = clip["frames_measured"], clip["frames_lost"]
    missing = case.frames - measured - lost
    if fields == 1 and missing > NEAR_FRAMES and not problems:
        yield f"{missing} of {case.frames} pictures are missing without a word"
    if case.gaps and not lost:
        yield "the pictures that the recorder dropped are not told"
    if case.accept == ("measure",) and (measured != case.frames or (lost and not _only_gaps(case, [clip]))):
        yield f"{measured} pictures measured and {lost} lost of {case.frames}"
    rate = case.frame_rate
    if rate and lost and abs(clip["lost_s"] - lost / rate) > (NEAR_FRAMES + 0.5) / rate:
        yield f"{lost} pictures at {rate:g} a second are not {clip['lost_s']:g} s"


def _counts(clips: Sequence[dict[str, Any]]) -> Iterator[str]:
    for clip in clips:
        text = f"{clip['frames_measured']} measured"
        if clip["frames_lost"]:
            text += f", {clip['frames_lost']} lost ({clip['lost_s']:g} s)"
        if clip["frames_damaged"]:
            text += f", {clip['frames_damaged']} damaged"
        yield text


def _looked(score: Run, look: Run) -> Iterator[str]:
    """What `inspect` says otherwise than `score`."""
    yield from (f"inspect: {one}" for one in look.strange)
    if look.code != score.code:
        yield f"inspect: exit code {look.code}, score {score.code}"
    if sum(bool(one["readable"]) for one in look.results) != len(score.results):
        yield "inspect: does not read the same flights as score"


@contextlib.contextmanager
def _changing(case: Case, output: Path) -> Iterator[Path]:
    """A copy of a live case, which changes while it is read."""
    data = case.path.read_bytes()
    path = output / f"live{case.path.suffix}"
    grows = case.name.startswith("growing")
    path.write_bytes(data[: len(data) // 2] if grows else data)
    start = os.stat(path).st_atime_ns

    def change() -> None:
        while os.stat(path).st_atime_ns == start and time.monotonic() < end:
            time.sleep(0.001)
        time.sleep(LIVE_STEP_S)
        if grows:
            for step in range(6, 11):
                with path.open("ab") as stream:
                    stream.write(data[len(data) * (step - 1) // 10 : len(data) * step // 10])
                time.sleep(LIVE_STEP_S)
        elif case.name.startswith("shrinking"):
            os.truncate(path, len(data) // 2)
        else:
            path.unlink()

    end = time.monotonic() + 5.0
    thread = threading.Thread(target=change)
    thread.start()
    try:
        yield path
    finally:
        thread.join()


def rows(selected: Sequence[Case]) -> Iterator[Row]:
    """Judge cases one by one."""
    for case in selected:
        with tempfile.TemporaryDirectory(prefix="fieldscore-bad-") as output:
            yield judge(case, Path(output))
            shutil.rmtree(Path(output) / "results", ignore_errors=True)


def table(found: Sequence[Row]) -> str:
    """The rows as a table."""
    otherwise = [
        f"- {name}: {why}" for name, (_, why) in OTHERWISE.items() if any(row.case.name == name for row in found)
    ]
    lines = ["| case | what it is | asked | outcome | what fieldscore says |", "|---|---|---|---|---|"]
    for row in found:
        cells = (row.case.name, row.case.what, " or ".join(row.case.accept), row.outcome, row.said)
        lines.append("| " + " | ".join(_cell(one) for one in cells) + " |")
    right = sum(not row.faults for row in found)
    lead = f"{len(found)} cases, {right} with the outcome in the third column, {len(otherwise)} of these by our own choice:"
    return "\n".join([lead, "", *otherwise, "", *lines])


def _cell(text: str) -> str:
    """Text harmless in a table of a page."""
    clean = visible(text)
    for one, other in (("&", "&amp;"), ("<", "&lt;"), ("|", "&#124;"), ("`", "&#96;"), ("[", "&#91;"), ("*", "&#42;")):
        clean = clean.replace(one, other)
    return clean


def main() -> None:
    """Judge the cases of a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--only", default="", help="cases whose group or name holds this")
    parser.add_argument("--write", action="store_true", help=f"put the table into docs/{PAGE}")
    options = parser.parse_args()
    selected = [case for case in cases(options.directory) if options.only in f"{case.group}/{case.name}"]
    found = []
    for row in rows(selected):
        found.append(row)
        print(
            f"{'FAULT' if row.faults else 'ok':5} {row.case.name:20} {row.outcome:8} {visible(row.said)[:220]}",
            flush=True,
        )
        for fault in row.faults:
            print(f"      {fault}", flush=True)
    print(f"{len(found)} cases, {sum(not row.faults for row in found)} as asked")
    if options.write:
        put(PAGE, table(found))


if __name__ == "__main__":
    main()
