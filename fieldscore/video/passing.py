"""One pass over one file: pictures with times, and an account of what was lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fieldscore.video.clock import RESTART_S, Clock
from fieldscore.video.decode import Decoder, Picture, TroubleError, threads_for
from fieldscore.video.opening import SafeFile, open_clip
from fieldscore.video.planes import Samples, field_rows, layout, range_tag, samples, turned
from fieldscore.video.probe import Facts
from fieldscore.video.records import CodedFrame, Problem
from fieldscore.workers import alive

# A header further off than both of these from what is there is worth saying.
HEADER_DIFFERENCE = 0.02
HEADER_DIFFERENCE_S = 1.0
# A claim of missing pictures this many times what the missing bytes would hold is not believed.
CLAIM_EXCESS = 4
CLAIM_SLACK = 50  # pictures; short files vary


@dataclass(frozen=True)
class FileAccount:
    """What one pass over one file gave. Times in seconds; `interval_s` NaN below two pictures."""

    frames_read: int
    frames_damaged: int
    frames_lost: int
    lost_s: float
    interval_s: float
    problems: tuple[Problem, ...]


class Reading:
    """The pictures of a file, the quick way first (see `decode`).

    After `pictures` has ended: `decoder` holds the counts, `changed` tells that the file changed meanwhile.
    """

    def __init__(self, facts: Facts, threads: int, from_pts: int | None = None) -> None:
        """`from_pts`: timestamp of the stream to jump to, to the key frame before it."""
        self._facts = facts
        self._threads = threads
        self._from_pts = from_pts
        self.decoder: Decoder | None = None
        self.changed = False
        self.read_error: OSError | None = None

    def pictures(self) -> Iterator[Picture]:
        """Every picture that decodes, in order of display."""
        file = SafeFile(self._facts.info.path)
        try:
            done = 0
            if self._threads > 1:
                ways = self._way(file, self._threads)
                try:
                    for picture in ways:
                        done += 1
                        yield picture
                        del picture
                except TroubleError:
                    pass
                else:
                    return
            for number, picture in enumerate(self._way(file, 1)):
                if number >= done:
                    yield picture
                del picture
        finally:
            self.changed = file.changed()
            self.read_error = file.error
            file.close()

    def _way(self, file: SafeFile, threads: int) -> Iterator[Picture]:
        """One way through the file."""
        file.seek(0)
        with open_clip(self._facts.info.path, every_stream=self._facts.every_stream, file=file) as opened:
            if self._from_pts is not None:
                opened.container.seek(self._from_pts, stream=opened.stream)
            allowed = threads_for(opened, threads)
            self.decoder = Decoder(opened, threads=allowed, after_jump=self._from_pts is not None)
            yield from self.decoder.pictures()


def settled(pictures: Iterator[Picture]) -> Iterator[Picture]:
    """The same pictures; a single one far off in time between two that go on has its timestamp taken away."""
    held: Picture | None = None
    before: float | None = None
    for picture in pictures:
        if held is not None:
            if picture.pts is not None and before is not None and 0 < picture.pts - before <= RESTART_S:
                held.pts = None
            before = before if held.pts is None else held.pts
            yield held
            held = None
        if picture.pts is not None and before is not None and abs(picture.pts - before) > RESTART_S:
            held = picture
            continue
        before = before if picture.pts is None else picture.pts
        yield picture
        del picture
    if held is not None:
        yield held


class FilePass:
    """One pass over one file of a flight."""

    def __init__(self, facts: Facts, index: int, start_s: float, threads: int, from_pts: int | None = None) -> None:
        """The file is number `index` of the flight and starts at `start_s` on its time axis (s)."""
        self._facts = facts
        self._index = index
        self._jumped = from_pts is not None
        self._reading = Reading(facts, threads, from_pts)
        origin = None if facts.timeless or facts.first_pts_s is None else facts.first_pts_s * facts.time_scale
        self.clock = Clock(1 / facts.info.frame_rate, start_s, origin)
        self._start_s = start_s
        self._read = 0
        self._damaged = 0
        self._spoilt_start = 0
        self._other_size: list[tuple[float, str]] = []
        self._other_lost = 0
        self._ranges: set[str | None] = set()
        self._ended = False

    def frames(self, fields: str | None, from_s: float | None, to_s: float | None) -> Iterator[CodedFrame]:
        """Pictures (or fields, the named one first) with from_s <= time < to_s, in seconds."""
        first_layout: tuple[int, int, str] | None = None
        for picture in settled(self._reading.pictures()):
            alive()
            shape = layout(picture.frame)
            first_layout = first_layout or shape
            if shape != first_layout:
                self._set_aside(picture, shape)
                continue
            raw = None if picture.pts is None or self._facts.timeless else picture.pts * self._facts.time_scale
            time = self.clock.stamp(raw, picture.lost_before + self._other_lost)
            self._other_lost = 0
            if to_s is not None and time >= to_s:
                return
            if from_s is not None and time < from_s:
                continue
            self._count(picture)
            yield from self._coded(samples(picture.frame), time, picture.damaged, fields)
            del picture
        self._ended = True

    def _set_aside(self, picture: Picture, shape: tuple[int, int, str]) -> None:
        """A picture of another size or layout counts as lost: no measure could join it with the others."""
        if not self._other_size:
            at = (self.clock.last_s or 0.0) + self.clock.interval_s
            self._other_size.append((at, f"{shape[0]} x {shape[1]} {shape[2]}"))
        else:
            self._other_size.append(self._other_size[0])
        self._other_lost += 1 + picture.lost_before

    def _count(self, picture: Picture) -> None:
        """Book a picture that is handed out."""
        self._read += 1
        self._damaged += picture.damaged
        if self._damaged == self._read:
            self._spoilt_start = self._read
        self._ranges.add(range_tag(picture.frame))

    def _coded(self, values: Samples, time: float, damaged: bool, fields: str | None) -> Iterator[CodedFrame]:
        """The picture turned upright, or its two fields."""
        if fields is None:
            yield self._frame(values, time, damaged, None)
            return
        second = "bottom" if fields == "top" else "top"
        for name, late in ((fields, 0.0), (second, self.clock.interval_s / 2)):
            yield self._frame(field_rows(values, name), time + late, damaged, name)

    def _frame(self, values: Samples, time: float, damaged: bool, field: str | None) -> CodedFrame:
        """A public frame, upright."""
        shown = turned(values, self._facts.orientation)
        return CodedFrame(shown.luma, shown.chroma, time, shown.bits, damaged, self._index, field)

    def account(self) -> FileAccount:
        """What was lost up to where the pass has come."""
        by_clock = self.clock.account(self._facts.tick_s * self._facts.time_scale)
        interval = by_clock.interval_s if by_clock.interval_s == by_clock.interval_s else self.clock.interval_s
        problems = list(by_clock.problems)
        tail = self._tail(interval, problems) if self._ended else 0
        lost = by_clock.frames_lost + tail + self._other_lost
        problems += self._said()
        if self._damaged or (self._ended and self._undecoded()):
            problems.append(self._damage_problem())
        lost_s = by_clock.lost_s + (tail + self._other_lost) * interval
        return FileAccount(self._read, self._damaged, lost, lost_s, by_clock.interval_s, tuple(problems))

    def _undecoded(self) -> int:
        """Coded pictures that gave no picture."""
        return self._reading.decoder.undecoded if self._reading.decoder else 0

    def _tail(self, interval: float, problems: list[Problem]) -> int:
        """Pictures missing at the end: undecodable, or promised by the container of a cut file."""
        decoder, info, lengths = self._reading.decoder, self._facts.info, self._facts.lengths
        if decoder is None:
            return 0
        last = self.clock.last_s
        length_s = 0.0 if last is None else last + interval - self._start_s
        promised = 0
        counted = decoder.packets
        if decoder.indexed > counted and not self._jumped:
            return self._end_missing(decoder.indexed - counted, interval, problems) + decoder.lost_at_end
        if info.frames_declared and not self._jumped:
            promised = info.frames_declared - counted
        elif info.duration_s is not None:
            promised = round((info.duration_s - length_s) / interval) - decoder.lost_at_end
        if not lengths.incomplete and not self._reading.changed:
            self._header_problem(promised, length_s, decoder, problems)
            return decoder.lost_at_end
        if lengths.missing_bytes and info.bit_rate:
            size = info.path.stat().st_size if info.path.exists() else 0
            holds = counted * lengths.missing_bytes / max(1, size)
            if promised > CLAIM_EXCESS * holds + CLAIM_SLACK:
                promised = 0
        return self._end_missing(max(0, promised), interval, problems) + decoder.lost_at_end

    def _end_missing(self, count: int, interval: float, problems: list[Problem]) -> int:
        """Say that pictures the container lists are not there."""
        if count:
            problems.append(
                Problem(
                    "end_missing",
                    f"{count} pictures, {count * interval:.2f} s, are listed in the file but not there",
                )
            )
        return count

    def _header_problem(self, promised: int, length_s: float, decoder: Decoder, problems: list[Problem]) -> None:
        """A whole file whose header claims another length than is there."""
        info = self._facts.info
        if self._hidden() or self._jumped or self._other_size:
            return
        off = abs(promised) > max(1, HEADER_DIFFERENCE * decoder.packets) and info.frames_declared
        seconds_off = (
            info.duration_s is not None
            and abs(info.duration_s - length_s) > max(HEADER_DIFFERENCE_S, HEADER_DIFFERENCE * length_s)
            and not self.clock.restarts
        )
        if off:
            detail = f"its header says {info.frames_declared} pictures, {decoder.packets} are there"
        elif seconds_off:
            detail = f"its header says {info.duration_s:.1f} s, {length_s:.1f} s are there"
        else:
            return
        problems.append(Problem("header_mismatch", detail, "what is there is measured"))

    def _hidden(self) -> int:
        """Pictures that an mp4 edit list leaves out: marked in the stream, or taken out of the index."""
        decoder, info = self._reading.decoder, self._facts.info
        if decoder is None or info.container != "mov":
            return 0
        return decoder.hidden + max(0, (info.frames_declared or 0) - decoder.indexed if decoder.indexed else 0)

    def _damage_problem(self) -> Problem:
        """Damaged and undecodable pictures in one sentence."""
        undecoded = self._undecoded()
        damaged = f"{self._damaged} of {self._read} pictures {'is' if self._damaged == 1 else 'are'} damaged"
        gone = f"{undecoded}{' more' if self._damaged else ''} could not be decoded"
        said = [text for text, count in ((damaged, self._damaged), (gone, undecoded)) if count]
        advice = "damaged pictures are marked and not trusted" if self._damaged else "they count as lost"
        return Problem("decode_errors", ", ".join(said), advice)

    def _said(self) -> Iterator[Problem]:
        """Everything else worth a sentence."""
        if self._spoilt_start and self._spoilt_start < self._read:
            yield Problem(
                "start_not_key",
                f"it starts between key frames: the first {self._spoilt_start} pictures are spoilt",
            )
        if self._hidden():
            yield Problem("edit_list", f"{self._hidden()} pictures are hidden by the file's own edit list")
        if self._other_size:
            at, name = self._other_size[0]
            yield Problem(
                "size_change",
                f"the picture is {name} from {at:.2f} s on; {len(self._other_size)} such are left out",
                "split the recording there to measure the rest",
            )
        if len(self._ranges) > 1:
            yield Problem("range_change", "its range tag changes in mid-clip; the first one is used")
        if self._reading.changed:
            yield Problem("changed", "the file changed while it was read", "measure it again when it is complete")
        if self._reading.read_error:
            yield Problem("read_error", f"reading failed: {self._reading.read_error.strerror}", "check the card")
