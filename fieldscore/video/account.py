"""What one pass over a file met, and the account of its losses; also put together from parts of the file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from fieldscore.video.clock import Clock
from fieldscore.video.probe import Facts
from fieldscore.video.records import Problem

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


@dataclass
class Tally:
    """What a pass over a file, or over a part of one, met.

    `read`, `damaged`: pictures handed out, and those of them that are damaged; `spoilt_start`: damaged ones before the first
    sound one. `other_size`: when and as what pictures of another size came, `other_lost`: how many since the last that
    fitted. `ranges`: range tags met. `packets`, `hidden`, `undecoded`, `lost_at_end`, `indexed`: see `decode.Decoder`.
    `ended`: the file was read to its end. `changed`, `read_error`: what became of the file meanwhile, `state`: its size in
    bytes and the time of its last change (ns) when it was opened.
    """

    clock: Clock
    read: int = 0
    damaged: int = 0
    spoilt_start: int = 0
    other_size: list[tuple[float, str]] = field(default_factory=list)
    other_lost: int = 0
    ranges: set[str | None] = field(default_factory=set)
    packets: int = 0
    hidden: int = 0
    undecoded: int = 0
    lost_at_end: int = 0
    indexed: int = 0
    ended: bool = False
    jumped: bool = False
    changed: bool = False
    state: tuple[int, int] = (0, 0)
    read_error: OSError | None = None


def joined(tallies: Sequence[Tally]) -> Tally:
    """The tally of a pass over all of a file from those of its parts, in order; each holds what is its own alone."""
    first, last = tallies[0], tallies[-1]
    spoilt = 0
    for number, one in enumerate(tallies):
        spoilt += one.spoilt_start
        if one.spoilt_start < one.read or number == len(tallies) - 1:
            break
    return Tally(
        clock=first.clock.joined([one.clock for one in tallies[1:]]),
        read=sum(one.read for one in tallies),
        damaged=sum(one.damaged for one in tallies),
        spoilt_start=spoilt,
        ranges=set().union(*(one.ranges for one in tallies)),
        packets=sum(one.packets for one in tallies),
        hidden=sum(one.hidden for one in tallies),
        undecoded=sum(one.undecoded for one in tallies),
        lost_at_end=last.lost_at_end,
        indexed=last.indexed,
        ended=last.ended,
        changed=any(one.changed for one in tallies) or len({one.state for one in tallies}) > 1,
    )


def account(facts: Facts, tally: Tally) -> FileAccount:
    """What was lost up to where the pass has come."""
    return _Accounting(facts, tally).account()


class _Accounting:
    """One account in the making."""

    def __init__(self, facts: Facts, tally: Tally) -> None:
        self._facts = facts
        self._tally = tally

    def account(self) -> FileAccount:
        """Losses by the clock, at the end, by size; and what to say."""
        tally, clock = self._tally, self._tally.clock
        by_clock = clock.account(self._facts.tick_s * self._facts.time_scale)
        interval = by_clock.interval_s if by_clock.interval_s == by_clock.interval_s else clock.interval_s
        problems = list(by_clock.problems)
        tail = self._tail(interval, problems) if tally.ended else 0
        lost = by_clock.frames_lost + tail + tally.other_lost
        problems += self._said()
        if tally.damaged or (tally.ended and tally.undecoded):
            problems.append(self._damage_problem())
        lost_s = by_clock.lost_s + (tail + tally.other_lost) * interval
        return FileAccount(tally.read, tally.damaged, lost, lost_s, by_clock.interval_s, tuple(problems))

    def _tail(self, interval: float, problems: list[Problem]) -> int:
        """Pictures missing at the end: undecodable, or promised by the container of a cut file."""
        tally, info, lengths = self._tally, self._facts.info, self._facts.lengths
        last = tally.clock.last_s
        length_s = 0.0 if last is None else last + interval - tally.clock.start_s
        promised = 0
        counted = tally.packets
        if tally.indexed > counted and not tally.jumped:
            return self._end_missing(tally.indexed - counted, interval, problems) + tally.lost_at_end
        if info.frames_declared and not tally.jumped:
            promised = info.frames_declared - counted
        elif info.duration_s is not None:
            promised = round((info.duration_s - length_s) / interval) - tally.lost_at_end
        if not lengths.incomplete and not tally.changed:
            self._header_problem(promised, length_s, problems)
            return tally.lost_at_end
        if lengths.missing_bytes and info.bit_rate:
            size = info.path.stat().st_size if info.path.exists() else 0
            holds = counted * lengths.missing_bytes / max(1, size)
            if promised > CLAIM_EXCESS * holds + CLAIM_SLACK:
                promised = 0
        return self._end_missing(max(0, promised), interval, problems) + tally.lost_at_end

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

    def _header_problem(self, promised: int, length_s: float, problems: list[Problem]) -> None:
        """A whole file whose header claims another length than is there."""
        info, tally = self._facts.info, self._tally
        if self._hidden() or tally.jumped or tally.other_size:
            return
        off = abs(promised) > max(1, HEADER_DIFFERENCE * tally.packets) and info.frames_declared
        seconds_off = (
            info.duration_s is not None
            and abs(info.duration_s - length_s) > max(HEADER_DIFFERENCE_S, HEADER_DIFFERENCE * length_s)
            and not tally.clock.restarts
        )
        if off:
            detail = f"its header says {info.frames_declared} pictures, {tally.packets} are there"
        elif seconds_off:
            detail = f"its header says {info.duration_s:.1f} s, {length_s:.1f} s are there"
        else:
            return
        problems.append(Problem("header_mismatch", detail, "what is there is measured"))

    def _hidden(self) -> int:
        """Pictures that an mp4 edit list leaves out: marked in the stream, or taken out of the index."""
        tally, info = self._tally, self._facts.info
        if info.container != "mov":
            return 0
        return tally.hidden + max(0, (info.frames_declared or 0) - tally.indexed if tally.indexed else 0)

    def _damage_problem(self) -> Problem:
        """Damaged and undecodable pictures in one sentence."""
        tally = self._tally
        damaged = f"{tally.damaged} of {tally.read} pictures {'is' if tally.damaged == 1 else 'are'} damaged"
        gone = f"{tally.undecoded}{' more' if tally.damaged else ''} could not be decoded"
        said = [text for text, count in ((damaged, tally.damaged), (gone, tally.undecoded)) if count]
        advice = "damaged pictures are marked and not trusted" if tally.damaged else "they count as lost"
        return Problem("decode_errors", ", ".join(said), advice)

    def _said(self) -> Iterator[Problem]:
        """Everything else worth a sentence."""
        tally = self._tally
        if tally.spoilt_start and tally.spoilt_start < tally.read:
            yield Problem(
                "start_not_key",
                f"it starts between key frames: the first {tally.spoilt_start} pictures are spoilt",
            )
        if self._hidden():
            yield Problem("edit_list", f"{self._hidden()} pictures are hidden by the file's own edit list")
        if tally.other_size:
            at, name = tally.other_size[0]
            yield Problem(
                "size_change",
                f"the picture is {name} from {at:.2f} s on; {len(tally.other_size)} such are left out",
                "split the recording there to measure the rest",
            )
        if len(tally.ranges) > 1:
            yield Problem("range_change", "its range tag changes in mid-clip; the first one is used")
        if tally.changed:
            yield Problem("changed", "the file changed while it was read", "measure it again when it is complete")
        if tally.read_error:
            yield Problem("read_error", f"reading failed: {tally.read_error.strerror}", "check the card")
