"""Flight: one or more clips read as one flight, picture by picture, with what was lost."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from fieldscore.errors import ClipError
from fieldscore.video.account import FileAccount, Tally, account, joined
from fieldscore.video.look import further_pictures, key_pictures, picture_bits
from fieldscore.video.passing import FilePass
from fieldscore.video.probe import Facts, examine
from fieldscore.video.records import ClipInfo, CodedFrame, Losses, Problem
from fieldscore.video.stretch import Key, Stretch, UnfitError, keys_before

MOST_THREADS = 16  # beyond it frame threads only cost memory
JUMP_WORTH_S = 5.0  # jumping to a key frame for less than this gains nothing
# Containers with an index of key frames that a jump can trust.
INDEXED = ("mov", "matroska", "avi")
SLOTS_ONLY = ("h264", "hevc")  # their pictures have no times of their own in AVI
NEAR_INTERVALS = 1.5  # a picture further off than this many intervals is not the one asked for


class Flight:
    """One or more files played one after another as one flight.

    `clips`: what each file is. `losses`: what the latest pass of `frames` could not read, complete once it
    has run to its end. Two coded pictures are alive at most, as long as the caller keeps no more than the one
    before. `tally`: what the latest pass over a stretch met.
    """

    def __init__(self, paths: Sequence[Path], *, frame_rate: float | None = None, threads: int | None = None) -> None:
        """Open and examine `paths` in their order.

        `frame_rate`: frames a second of streams without timestamps. `threads`: decoding threads, None for one
        a core and one more, `MOST_THREADS` at most: it is at hand while a picture waits for the one before it.
        ClipError when a file cannot be read as video or does not fit the first.
        """
        if not paths:
            raise ValueError("a flight needs at least one file")
        self._threads = min(threads or (os.cpu_count() or 1) + 1, MOST_THREADS)
        self._facts = [examine(path, frame_rate=frame_rate) for path in paths]
        first = self._facts[0].info
        for facts in self._facts[1:]:
            info = facts.info
            if (info.width, info.height, info.bits) != (first.width, first.height, first.bits):
                raise ClipError(
                    info.path,
                    f"{info.width} x {info.height} at {info.bits} bits does not go on from {first.path.name} "
                    f"({first.width} x {first.height} at {first.bits} bits)",
                    "measure it on its own",
                )
        # Where each file starts on the time axis: by the declared durations until a pass has measured them.
        self._starts = [0.0]
        for facts in self._facts[:-1]:
            self._starts.append(self._starts[-1] + (facts.info.duration_s or 0.0))
        self._plain_times = True
        self.losses = self._losses([])
        self.tally: Tally | None = None

    @property
    def clips(self) -> tuple[ClipInfo, ...]:
        """What each file is."""
        return tuple(facts.info for facts in self._facts)

    @property
    def frame_rate(self) -> float:
        """Frames a second of the first file."""
        return self._facts[0].info.frame_rate

    @property
    def duration_s(self) -> float | None:
        """Declared seconds of all files together, None when one makes no claim."""
        durations = [facts.info.duration_s for facts in self._facts]
        known = [duration for duration in durations if duration is not None]
        return sum(known) if len(known) == len(durations) else None

    @property
    def width(self) -> int:
        """Pixels across, as shown upright."""
        return self._facts[0].info.width

    @property
    def height(self) -> int:
        """Pixels down, as shown upright."""
        return self._facts[0].info.height

    @property
    def bits(self) -> int:
        """Bits a sample."""
        return self._facts[0].info.bits

    @property
    def range_tag(self) -> str | None:
        """What the first file says of its range: "narrow", "full" or None."""
        return self._facts[0].info.range_tag

    def frames(
        self, *, fields: str | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> Iterator[CodedFrame]:
        """The one pass: every picture that decodes, in order, times always going forward.

        `fields`: "top" or "bottom" splits each picture into its two fields, the named one first; the second
        comes half an interval later. `from_s`, `to_s`: only pictures with from_s <= time < to_s, in seconds.
        Damaged spots are passed over and counted in `losses`.
        """
        if fields not in (None, "top", "bottom"):
            raise ValueError(f"fields is {fields!r}, expected 'top', 'bottom' or None")
        accounts: list[FileAccount] = []
        self.losses = self._losses(accounts)
        start = 0.0
        for index, facts in enumerate(self._facts):
            if to_s is not None and start >= to_s:
                return
            self._starts[index] = start
            file_pass = FilePass(facts, index, start, self._threads, self._jump(facts, start, from_s))
            try:
                yield from file_pass.frames(fields, from_s, to_s)
            finally:
                accounts.append(file_pass.account())
                self.losses = self._losses(accounts)
                self._plain_times &= file_pass.clock.plain
            if file_pass.clock.last_s is not None:
                start = file_pass.clock.last_s + file_pass.clock.interval_s

    def keys_before(self, times_s: Sequence[float]) -> list[Key | None]:
        """The key frame at or before each time (s); None where a part of the flight may not begin there.

        That is any flight of several files, with a problem found on opening, without an index or plain times; and
        H.264 and H.265 in AVI, whose pictures take the times of others (see `decode.Decoder`).
        """
        facts = self._facts[0]
        slots_only = facts.info.container == "avi" and facts.info.codec in SLOTS_ONLY
        if len(self._facts) > 1 or facts.info.problems or slots_only or not self._can_jump(facts):
            return [None] * len(times_s)
        return keys_before(facts, times_s)

    @property
    def shape(self) -> tuple[int, int, str]:
        """What all pictures of the first file have to be like (see `planes.layout`)."""
        facts = self._facts[0]
        size = (self.height, self.width) if facts.orientation.swap else (self.width, self.height)
        return (*size, facts.info.pixel_format.replace("yuvj", "yuv"))

    def stretch(
        self, stretch: Stretch, *, fields: str | None = None, threads: int | None = None
    ) -> Iterator[CodedFrame]:
        """The pictures of a stretch of a flight of one file, from its run-up on, as `frames` would give them.

        Its `tally` is complete once it has run to its end. UnfitError where something might be otherwise in a pass over all
        of the file. `threads`: decoding threads, None for those of the flight.
        """
        file_pass = FilePass(self._facts[0], 0, 0.0, threads or self._threads, stretch)
        yield from file_pass.frames(fields, stretch.run_up_s, stretch.to_s)
        tally = self.tally = file_pass.tally()
        if not file_pass.clock.plain:
            raise UnfitError("its clock does not go on evenly")
        if tally.ended != math.isinf(stretch.to_s) or tally.read_error:
            raise UnfitError("it ends where it should not")
        if not tally.read:
            raise UnfitError("a part of it shows no picture")

    def join(self, tallies: Sequence[Tally]) -> None:
        """Take the `tally` of each stretch, in order, that together are the flight: `losses` are then as after one pass."""
        self.losses = self._losses([account(self._facts[0], joined(tallies))])

    def look(self, count: int = 48, *, at_least: int = 0) -> list[CodedFrame]:
        """Copies of the luma of at most `count` pictures spread over the flight, sorted by time, quickly.

        Key frames wherever the files have enough of them, and no more of them than keep this at a few per
        cent of a full pass. Damaged spots are passed over. `at_least` so many are worth a full pass, of a long file over
        its first minute.
        """
        share = max(1, -(-count // len(self._facts)))
        found: list[CodedFrame] = []
        for index, facts in enumerate(self._facts):
            if at_least:
                glances = further_pictures(facts, share, -(-at_least // len(self._facts)), self._threads)
            else:
                glances = key_pictures(facts, share, self._threads)
            for picture in glances:
                time = self._starts[index] + max(0.0, picture.at_s)
                luma = facts.orientation.apply(picture.luma)
                found.append(CodedFrame(luma, None, time, picture.bits, False, index))
        return sorted(found, key=lambda frame: frame.time_s)[:count]

    def picture_bits(self) -> float | None:
        """Mean bits of a coded picture that is new, over the files; None where one of them cannot be read."""
        found = [picture_bits(facts) for facts in self._facts]
        known = [one for one in found if one is not None]
        return sum(known) / len(known) if len(known) == len(found) else None

    def frames_at(self, times_s: Sequence[float]) -> list[CodedFrame | None]:
        """Copies of the pictures nearest to `times_s` (seconds), in the order asked for; None where there is
        none within one and a half intervals.
        """
        found: list[CodedFrame | None] = [None] * len(times_s)
        near = NEAR_INTERVALS / self.frame_rate
        kept = self.losses
        for group in self._groups(times_s):
            off = dict.fromkeys(group, near)
            low, high = times_s[group[0]] - near, times_s[group[-1]] + near
            for frame in self.frames(from_s=max(0.0, low), to_s=high + near):
                for i in group:
                    distance = abs(frame.time_s - times_s[i])
                    if distance < off[i]:
                        off[i], found[i] = distance, frame.copy()
        self.losses = kept
        return found

    def _groups(self, times_s: Sequence[float]) -> Iterator[list[int]]:
        """Places in `times_s`, sorted by time, in groups worth one run through the file each."""
        order = sorted((i for i, t in enumerate(times_s) if math.isfinite(t)), key=lambda i: times_s[i])
        jumps = all(self._can_jump(facts) for facts in self._facts)
        group: list[int] = []
        for i in order:
            if group and jumps and times_s[i] - times_s[group[-1]] > JUMP_WORTH_S:
                yield group
                group = []
            group.append(i)
        if group:
            yield group

    def _can_jump(self, facts: Facts) -> bool:
        """Whether a jump lands where the time axis says."""
        return (
            self._plain_times
            and facts.info.container in INDEXED
            and not facts.timeless
            and not facts.lengths.incomplete
            and facts.first_pts_s is not None
            and facts.tick_s > 0
        )

    def _jump(self, facts: Facts, start_s: float, from_s: float | None) -> int | None:
        """Timestamp to jump to before reading from `from_s` on, None to read from the start."""
        if from_s is None or from_s - start_s < JUMP_WORTH_S or not self._can_jump(facts):
            return None
        if len(self._facts) > 1:  # the length of an earlier file has to be measured for the files after it
            return None
        return int(((from_s - start_s) / facts.time_scale + (facts.first_pts_s or 0.0)) / facts.tick_s)

    def _known_problems(self) -> list[Problem]:
        """What opening found, and that parts were joined."""
        problems = [problem for facts in self._facts for problem in facts.info.problems]
        if len(self._facts) > 1:
            problems.append(
                Problem(
                    "join",
                    f"{len(self._facts)} files are one flight; pauses between them are unknown",
                )
            )
        return problems

    def _losses(self, accounts: Sequence[FileAccount]) -> Losses:
        """The sum over files."""
        intervals = [a.interval_s for a in accounts if not math.isnan(a.interval_s)]
        problems = self._known_problems() + [problem for account in accounts for problem in account.problems]
        return Losses(
            sum(a.frames_lost for a in accounts),
            sum(a.lost_s for a in accounts),
            sum(a.frames_read for a in accounts),
            sum(a.frames_damaged for a in accounts),
            intervals[0] if intervals else math.nan,
            tuple(problems),
        )
