"""One pass over one file: pictures with times, and an account of what was lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from fieldscore.video.account import FileAccount, Tally, account
from fieldscore.video.clock import RESTART_S, Clock
from fieldscore.video.decode import Decoder, Picture, TroubleError, threads_for
from fieldscore.video.opening import SafeFile, open_clip
from fieldscore.video.planes import Samples, field_rows, layout, range_tag, samples, turned
from fieldscore.video.probe import Facts
from fieldscore.video.records import CodedFrame
from fieldscore.video.stretch import Stretch, UnfitError
from fieldscore.workers import alive


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
        self.state = (0, 0)
        self.read_error: OSError | None = None

    def pictures(self) -> Iterator[Picture]:
        """Every picture that decodes, in order of display."""
        file = SafeFile(self._facts.info.path)
        self.state = (file.state.st_size, file.state.st_mtime_ns)
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
    """One pass over one file of a flight, or over a stretch of it."""

    def __init__(
        self, facts: Facts, index: int, start_s: float, threads: int, begin: int | Stretch | None = None
    ) -> None:
        """The file is number `index` of the flight and starts at `start_s` on its time axis (s).

        `begin`: timestamp to jump to first, or the stretch to read. Of that, what is handed out from its run-up is not
        counted, and where anything is met that a pass over all of the file might see otherwise, UnfitError is raised.
        """
        stretch, jump = (begin, begin.jump) if isinstance(begin, Stretch) else (None, begin)
        self._facts = facts
        self._index = index
        self._jumped = jump is not None
        self._stretch = stretch
        self._reading = Reading(facts, threads, jump)
        origin = None if facts.timeless or facts.first_pts_s is None else facts.first_pts_s * facts.time_scale
        self.clock = Clock(1 / facts.info.frame_rate, start_s, origin)
        self._tally = Tally(self.clock, jumped=self._jumped)

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
            time = self.clock.stamp(raw, picture.lost_before + self._tally.other_lost)
            self._tally.other_lost = 0
            if self._stretch is not None and len(self.clock) == 1:
                self._stretch.check_start(shape, time, sound=not (picture.damaged or picture.lost_before))
            if to_s is not None and time >= to_s:
                return
            if from_s is not None and time < from_s:
                continue
            self._count(picture, time)
            yield from self._coded(samples(picture.frame), time, picture.damaged, fields)
            del picture
        self._tally.ended = True

    def _set_aside(self, picture: Picture, shape: tuple[int, int, str]) -> None:
        """A picture of another size or layout counts as lost: no measure could join it with the others."""
        if self._stretch is not None:
            raise UnfitError("its pictures change their size")
        tally = self._tally
        if not tally.other_size:
            at = (self.clock.last_s or 0.0) + self.clock.interval_s
            tally.other_size.append((at, f"{shape[0]} x {shape[1]} {shape[2]}"))
        else:
            tally.other_size.append(tally.other_size[0])
        tally.other_lost += 1 + picture.lost_before

    def _count(self, picture: Picture, time: float) -> None:
        """Book a picture that is handed out, unless it comes from a run-up."""
        if self._stretch is not None:
            if time < self._stretch.from_s:
                return
            self._tally.undecoded += picture.lost_before
        tally = self._tally
        tally.read += 1
        tally.damaged += picture.damaged
        if tally.damaged == tally.read:
            tally.spoilt_start = tally.read
        tally.ranges.add(range_tag(picture.frame))

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
        return account(self._facts, self.tally())

    def tally(self) -> Tally:
        """What was met up to where the pass has come; of a stretch, what is its own."""
        tally, decoder, stretch = self._tally, self._reading.decoder, self._stretch
        tally.changed, tally.read_error, tally.state = (
            self._reading.changed,
            self._reading.read_error,
            self._reading.state,
        )
        tally.ended &= decoder is not None
        if decoder is None:
            return tally
        tally.indexed, tally.lost_at_end = decoder.indexed, decoder.lost_at_end
        if stretch is None:
            tally.packets, tally.hidden, tally.undecoded = decoder.packets, decoder.hidden, decoder.undecoded
            return tally
        if len(decoder.met) < decoder.packets:
            raise UnfitError("some of its pictures have no time, or are not to be shown")
        return replace(
            tally,
            clock=self.clock.between(stretch.from_s, stretch.to_s),
            packets=stretch.count(self._facts, decoder.met),
            hidden=0,
            undecoded=tally.undecoded + (tally.lost_at_end if tally.ended else 0),
            jumped=False,
        )
