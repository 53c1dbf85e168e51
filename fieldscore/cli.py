"""The commands: a few lines each, and the only place that prints. Heavy imports wait until a command needs them."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fieldscore import __version__
from fieldscore import workers as workers_module
from fieldscore.errors import FieldscoreError

if TYPE_CHECKING:
    from fieldscore.criteria import Criteria

_INTERRUPTED = 130  # the shell's code for an interrupt


class Seconds(click.ParamType[float]):
    """A moment of a flight: seconds, or minutes:seconds, or hours:minutes:seconds."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read a moment; a wrong one is wrong usage."""
        try:
            seconds = 0.0
            parts = [float(part) for part in str(value).split(":")]
            for part in parts if min(parts) >= 0.0 else [-1.0]:  # 1:-5 is no moment
                seconds = 60.0 * seconds + part
        except ValueError:
            seconds = -1.0
        if not 0.0 <= seconds < float("inf"):
            self.fail(f"'{value}' is not a time: give seconds (12.5) or minutes:seconds (1:05)", param, ctx)
        return seconds


_CLIPS = click.argument("clips", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="CLIP...")
_OUTPUT = click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("fieldscore-results"),
    show_default=True,
    help="Folder for the results.",
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Results on standard output as JSON, nothing else there.")
_PDF = click.option("--pdf", is_flag=True, help="The report as report.pdf, too.")
_QUIET = click.option("--quiet", is_flag=True, help="No progress and no summary.")
_RATE = click.option(
    "--frame-rate",
    type=click.FloatRange(1, 1000),
    metavar="N",
    help="Frames a second of a raw stream, which carries none to trust.",
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="fieldscore")
def commands() -> None:
    """Score FPV recordings: how much of a flight could be flown by the picture, and what the rest was lost to."""


@commands.command()
@_CLIPS
@_OUTPUT
@click.option(
    "--criteria", "criteria_file", type=click.Path(path_type=Path), metavar="FILE.toml", help="Your own thresholds."
)
@click.option(
    "--from",
    "from_s",
    type=Seconds(),
    metavar="T",
    help="Start of the airtime, seconds or m:ss (else found from motion).",
)
@click.option("--to", "to_s", type=Seconds(), metavar="T", help="End of the airtime.")
@_RATE
@click.option("--separate", is_flag=True, help="Keep files apart that look like one split recording.")
@click.option(
    "--workers",
    type=click.IntRange(1),
    metavar="N",
    help="Flights, or parts of long ones, measured at a time (default: one a core).",
)
@_PDF
@_JSON
@_QUIET
def score(  # noqa: PLR0913 - one argument an option
    clips: tuple[Path, ...],
    output: Path,
    criteria_file: Path | None,
    from_s: float | None,
    to_s: float | None,
    frame_rate: float | None,
    separate: bool,
    workers: int | None,
    pdf: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Measure each flight, print its summary, write its results folder.

    CLIP is a video file, a folder of them, or results saved earlier.
    """
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise click.UsageError(f"--to ({to_s:g} s) must come after --from ({from_s:g} s)")
    workers_module.warm_up("fieldscore.run")
    from fieldscore import run, split

    criteria = _criteria(criteria_file)
    jobs, left_out = run.find_jobs(
        clips, output, criteria, separate=separate, frame_rate=frame_rate, from_s=from_s, to_s=to_s, pdf=pdf
    )
    failed = _tell_left_out(left_out, clips, quiet)
    with ExitStack() as stack:
        watch = stack.enter_context(_progress([job.title for job in jobs], hidden=quiet or as_json))
        outcomes = stack.enter_context(closing(split.run_jobs(jobs, workers or run.default_workers(), watch)))
        for _, outcome in outcomes:
            if outcome.error is not None:
                failed = True
                _tell(f"cannot score: {outcome.error}")
            elif as_json:
                click.echo(json.dumps(outcome.result, allow_nan=False, ensure_ascii=True))
            elif not quiet:
                click.echo("\n".join([*outcome.summary, f"Report: {_shown(str(outcome.folder))}/report.html", ""]))
    if failed:
        sys.exit(1)


@commands.command()
@_CLIPS
@_OUTPUT
@click.option(
    "--label",
    "labels",
    multiple=True,
    metavar="NAME",
    help="Once a clip, in the same order; repeats of one camera share a NAME.",
)
@click.option(
    "--criteria", "criteria_file", type=click.Path(path_type=Path), metavar="FILE.toml", help="Your own thresholds."
)
@_RATE
@click.option("--separate", is_flag=True, help="Keep files apart that look like one split recording.")
@_PDF
@_JSON
@_QUIET
def recovery(  # noqa: PLR0913 - one argument an option
    clips: tuple[Path, ...],
    output: Path,
    labels: tuple[str, ...],
    criteria_file: Path | None,
    frame_rate: float | None,
    separate: bool,
    pdf: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Measure how long the picture takes to come back after a light goes on or out; several clips side by side."""
    workers_module.warm_up("fieldscore.run_recovery")
    from fieldscore import run, run_recovery

    jobs, left_out = run.find_jobs(clips, output, _criteria(criteria_file), separate=separate, frame_rate=frame_rate)
    failed = _tell_left_out(left_out, clips, quiet)
    if labels and len(labels) != len(jobs):
        raise click.UsageError(
            f"{len(labels)} labels for {len(jobs)} recordings: give --label once for each, or not at all"
        )
    if not jobs:
        sys.exit(1)
    jobs = [job for job, _ in run.in_order(jobs, clips)]
    titles = [job.title for job in jobs]
    with _progress(titles, hidden=quiet or as_json) as watch:
        done = run_recovery.run_recovery(jobs, labels or titles, watch, pdf=pdf)
    for failure in done.failures:
        _tell(f"cannot measure: {failure}")
    if as_json:
        click.echo(json.dumps(done.result, allow_nan=False, ensure_ascii=True))
    elif not quiet and done.report is not None:
        click.echo("\n".join(_shown(line) for line in [*done.lines, f"Report: {done.report}"]))
    if failed or done.failures:
        sys.exit(1)


@commands.command()
@_CLIPS
@_OUTPUT
@click.option(
    "--label",
    "labels",
    multiple=True,
    metavar="NAME",
    help="Once a clip, in the same order; repeats of one camera share a NAME.",
)
@click.option(
    "--criteria", "criteria_file", type=click.Path(path_type=Path), metavar="FILE.toml", help="Your own thresholds."
)
@click.option(
    "--video", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Also write both side by side."
)
@_RATE
@click.option("--separate", is_flag=True, help="Keep files apart that look like one split recording.")
@click.option(
    "--workers",
    type=click.IntRange(1),
    metavar="N",
    help="Flights, or parts of long ones, measured at a time (default: one a core).",
)
@_PDF
@_JSON
@_QUIET
def compare(  # noqa: PLR0913 - one argument an option
    clips: tuple[Path, ...],
    output: Path,
    labels: tuple[str, ...],
    criteria_file: Path | None,
    video: Path | None,
    frame_rate: float | None,
    separate: bool,
    workers: int | None,
    pdf: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare two or more flights of the same route, place by place, and say whether that was fair."""
    from fieldscore import run, run_compare, sidebyside

    if video is not None and video.suffix.lower() not in sidebyside.SUFFIXES:
        raise click.UsageError(f"--video {video.name}: give a name that ends in {', '.join(sidebyside.SUFFIXES)}")
    run.quiet_libraries()
    found, left_out = run.find_jobs(clips, output, _criteria(criteria_file), separate=separate, frame_rate=frame_rate)
    ordered = run.in_order(found, clips)
    jobs = [job for job, _ in ordered]
    failed = _tell_left_out([one for one in left_out if clips.count(one[0]) == 1], clips, quiet)
    names = run.labels_of(ordered, labels, clips) if labels else run_compare.default_labels(jobs)
    if names is None:
        raise click.UsageError(
            f"{len(labels)} labels for {len(jobs)} recordings: give --label once for each, or not at all"
        )
    if len(jobs) < 2:  # noqa: PLR2004 - a comparison needs two
        if failed:
            sys.exit(1)
        raise click.UsageError(f"{len(jobs)} recording: a comparison needs two or more")
    with _progress([job.title for job in jobs], hidden=quiet or as_json) as watch:
        done = run_compare.run_compare(jobs, names, workers or run.default_workers(), watch, video, pdf=pdf)
    for failure in done.failures:
        _tell(f"cannot compare: {failure}")
    if as_json and done.result is not None:
        click.echo(json.dumps(done.result, allow_nan=False, ensure_ascii=True))
    elif not quiet and not as_json:
        click.echo("\n".join(_shown(line) for line in done.lines))
    if failed or done.failures:
        sys.exit(1)


@commands.command()
@_CLIPS
@_RATE
@click.option("--separate", is_flag=True, help="Keep files apart that look like one split recording.")
@_JSON
def inspect(clips: tuple[Path, ...], frame_rate: float | None, separate: bool, as_json: bool) -> None:
    """Say what each clip is and what is wrong with it, without measuring it all."""
    workers_module.warm_up("fieldscore.inspection")
    from fieldscore import inspection

    failed = False
    for report in inspection.inspect(clips, frame_rate=frame_rate, separate=separate):
        failed |= not report.readable
        if as_json:
            click.echo(json.dumps(report.to_dict(), allow_nan=False))
        else:
            click.echo("\n".join([*(_shown(line) for line in report.lines()), ""]))
    if failed:
        sys.exit(1)


@commands.command()
@_JSON
def measures(as_json: bool) -> None:
    """List every column: unit, which way is better, meaning, source."""
    from fieldscore.measures import COLUMNS, TILE_MEASURE
    from fieldscore.score import DERIVED

    columns = [*COLUMNS, TILE_MEASURE.column, *DERIVED]
    if as_json:
        click.echo(json.dumps([vars(column) for column in columns]))
        return
    width = max(len(column.name) for column in columns)
    for column in columns:
        better = "" if column.better == "neither" else f"  ({column.better} is better)"
        click.echo(f"{column.name:{width}} {column.unit:7} {column.summary}{better}  [{column.source}]")


@commands.command()
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False), default=Path("fieldscore-demo"))
@_QUIET
def demo(directory: Path, quiet: bool) -> None:
    """Write the demo clips with their known truth into DIRECTORY."""
    from fieldscore.simulate import write_demo

    for path in write_demo(directory, None if quiet else _tell):
        click.echo(_shown(str(path)))


def _criteria(path: Path | None) -> Criteria:
    from fieldscore.criteria import Criteria, load_criteria

    return Criteria() if path is None else load_criteria(path)


def _tell_left_out(left_out: list[tuple[Path, str]], clips: tuple[Path, ...], quiet: bool) -> bool:
    """Name what was left out; True where one of these was asked for by name (and not for being named twice)."""
    failed = False
    for path, reason in left_out:
        named = path in clips and not (path.is_file() and clips.count(path) > 1)
        failed |= named
        _tell(f"{'cannot read' if named else 'left out'}: {path.name}: {reason}", quiet and not named)
    return failed


def _tell(line: str, hidden: bool = False) -> None:
    """Write one line to standard error."""
    if not hidden:
        click.echo(_shown(line), err=True)


def _shown(text: str) -> str:
    """Make a name harmless in a terminal: what is not printable is escaped."""
    return "".join(one if one.isprintable() else one.encode("unicode_escape", "surrogatepass").decode() for one in text)


@contextmanager
def _progress(titles: list[str], *, hidden: bool) -> Iterator[Callable[[int, float, float | None], None]]:
    """Show a bar a flight on standard error, with speed and time left; nothing where that is no terminal."""
    if hidden or not sys.stderr.isatty():
        yield lambda number, at, of: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[speed]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks = [bars.add_task(_shown(title)[:40], total=None, speed="") for title in titles]

        def watch(number: int, at_s: float, of_s: float | None) -> None:
            task = bars.tasks[number]
            speed = f"{at_s / task.elapsed:.0f} x real time" if task.elapsed else ""
            bars.update(tasks[number], completed=at_s, total=of_s, speed=speed)

        yield watch


def main() -> None:
    """Run the program: every failure of the input is one line and exit code 1, wrong usage 2, an interrupt 130."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # its threads spin and cost more than they do
    try:
        commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("stopped", err=True)
        sys.exit(_INTERRUPTED)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except FieldscoreError as error:
        click.echo(_shown(str(error)), err=True)
        sys.exit(1)
