"""Flash edges on a Timeline: a lamp lighting up or going out within a frame or two. Pure: runs again without the video.

An edge changes much of the picture in one direction at once, out of a calm, and what it shows stays the same scene. Auto
exposure answers over several frames, a turn changes parts both ways, a cut shows something else, a fade has no step.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from fieldscore.crossing import STEP_FLOOR, comes_in, flown_by, leaves
from fieldscore.running import largest_before, middle_before
from fieldscore.screens import LIGHT_LEFT, LIGHT_PERCENT, OWN_BLACK_S, STANDING_PERCENT, WASHED_PERCENT
from fieldscore.timeline import Timeline

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Kind = Literal["flash_on", "flash_off", "start_up"]

_STEP_PERCENT = 3.0  # the level steps by at least this over two frames ...
_STEP_SHARE = 0.10  # ... and by this share of what it was
_STEP_SHARE_MOVING = 0.25  # the same in flight, or where the step is undone at once: poles pass before lamps
_MOVING_PERCENT = 3.0  # %/s of the picture's height: in flight
_UNDONE_FRAMES, _UNDONE_SHARE = 3, 0.6  # a step is undone by one frame's change of this share so many frames later
_RUSHING_PERCENT, _RUSHING_FRAMES = 150.0, 4  # %/s over so many frames before: a lit gate that is flown through
_OTHER_PERCENT = 2.0  # a small lamp leaves all but this share of the picture, and a third of what it lit, not darker
_CALM_FRAMES = 6  # frames before an edge that must be calm
_CALM_RATIO = 4.0  # the step, over the largest change in the calm
_FILL_PERCENT = 30.0  # share of the picture that a lamp filling it changes
_SUDDEN = 1.6  # that share, over the largest just before: a lit gate takes a few frames to fly past
_ONE_WAY = 3.0  # share that went the lamp's way, over the share that went the other
_SAME_SCENE = 0.4  # likeness across the edge, unless the picture is blown or black
# A beam that comes on before a standing camera lays its halo over the scene, which keeps a likeness of 0.33 and more. A cut to
# another scene, alike by chance, does not brighten this share of it and blow out so much more of it. It may
# well double the level (10 of 25 pairs so alike do), but its camera has its exposure already: none answers by this share at once.
# One whose exposure moves for its own reasons just after the cut is taken for a beam.
_LIT_SCENE, _LIT_PERCENT, _LIT_CLIPPED_PERCENT, _LIT_RATIO = 0.25, 80.0, 5.0, 2.0
_ANSWER_S, _ANSWERED = 0.5, 0.25
# A fall that undoes a beam: it changes as much of the picture, to this share, as the beam did; where the camera stood, the same two
# pictures lie on either side of both, so that it leaves this share of the beam's likeness, whatever is lost in the dark; and the
# level goes back by _ANSWERED toward what it was before the beam, within so long. What the camera did just before the fall is this
# many times less.
_UNDOES_SHARE, _UNDOES_LIKENESS, _UNDOES_S, _UNDOES_RATIO = 0.8, 0.5, 3.0, 4.0
# A beam that lights the whole picture needs no camera that stands if it is short: what it still adds to the level, at least this
# share of what it added, goes at once, all but this share of it, and the scene stays as like itself as no other is.
_SHINES_SHARE, _SHINES_LEFT = 0.25, 0.2
# s: a camera that moves for half of what is seen of so long (no sway or answer does), or of which nothing is seen for all of it
# (a lost link, a frozen picture, one too dark or plain to tell motion), may stand elsewhere.
_STOOD_S = 3.0
_LAMP_CODES = 25.0  # a small lamp changes its blocks by this ...
_LAMP_RATIO = 3.5  # ... which is so many times what blocks changed in the calm ...
_LAMP_CALM_CODES = 15.0  # ... and the calm is at most this
_APART_FRAMES = 3  # two edges of one kind are at least so far apart
_FLASHING_S, _FLASHING_JUMPS, _JUMP_SHARE = 1.0, 4, 0.6  # s each way, so many jumps of that share of the step
_GOES_ON = 0.5  # share of the step that the next two frames may go on by: more is a fade
_LINK_FRAMES = 2  # an edge so near to a lost link is the link's
_MISSED_S = 1.0  # s: what follows an edge for so long is the camera's answer, and no edge of the other kind
_OWN_S = 0.5  # a camera that answers a light in one step does so within this
_ALONE_S = 0.5  # s each way in which a late answer of the camera goes on as it began, or in steps of its gain
_OWN_LIKENESS = 0.95  # the camera's own answer leaves the picture as like itself; a lamp throws other shadows

_KINDS: tuple[tuple[float, Kind], ...] = ((1.0, "flash_on"), (-1.0, "flash_off"))


@dataclass(frozen=True)
class Edge:
    """A flash edge: `row` is the first row after it; it lies between `before_s` and `after_s`.

    After it, before the next: `missed_row`, where an edge was missed; `crossed_row`, where a light came in or left over the
    picture's edge and so changed the level. One that `crosses` is such a light's own, and no flash.
    """

    kind: Kind
    row: int
    before_s: float
    after_s: float
    local: bool
    missed_row: int | None = None
    crossed_row: int | None = None
    crosses: bool = False

    @property
    def at_s(self) -> float:
        """Midway between the last instant before and the first after, in seconds."""
        return (self.before_s + self.after_s) / 2


def without_crossing(edges: list[Edge]) -> list[Edge]:
    """Leave out the edges that cross: the one before them says where they were, and what was missed after them."""
    left: list[Edge] = []
    for edge in edges:
        if not edge.crosses:
            left.append(edge)
        elif left:
            last = left[-1]
            crossed, missed = last.crossed_row or edge.row, last.missed_row or edge.missed_row
            left[-1] = replace(last, crossed_row=crossed, missed_row=missed)
    return left


def flash_edges(timeline: Timeline, level: Doubles, lost: Mask) -> list[Edge]:
    """Find every flash edge, those of lights that cross too, in order. `level` [n] above the floor in %, `lost` [n]: no link."""
    rows = len(timeline)
    if rows < 2 * _CALM_FRAMES + 2:
        return []
    # a lost link within the calm before an edge or just after it
    reach = np.arange(-_CALM_FRAMES, _CALM_FRAMES + 1) >= -_LINK_FRAMES
    near_loss = np.convolve(lost, reach, mode="same") > 0
    found: list[Edge] = []
    for sign, kind in _KINDS:
        last = -rows
        beams = [edge.row for edge in found if not edge.local]
        fill, lamp = _steps(timeline, level * sign, sign, beams, lost)
        for row in np.flatnonzero((fill | lamp) & ~near_loss).tolist():
            if row - last < _APART_FRAMES or (lamp[row] and not fill[row] and fill[row + 1 : row + 2].any()):
                continue  # seen already, or what noise shows a frame before the whole picture steps
            last = row
            before, after = (float(one) for one in timeline.time_s[row - 1 : row + 1])
            # the frame before may have been under the new light for less than shows
            before -= STEP_FLOOR * (after - before)
            found.append(Edge(kind, row, before, after, bool(lamp[row] and not fill[row])))
    crossing = {"flash_on": comes_in(timeline, level), "flash_off": leaves(timeline)}
    found = [replace(edge, crosses=bool(crossing[edge.kind][edge.row])) for edge in found]
    return _paired(timeline, level, sorted(found, key=lambda edge: edge.row), near_loss)


def _steps(timeline: Timeline, level: Doubles, sign: float, beams: list[int], lost: Mask) -> tuple[Mask, Mask]:
    """Rows [n] at which the picture, and at which only a small lamp in it, steps up (`sign` 1) or down (-1).

    `beams`: rows of the other kind's edges, where they are known. `lost` [n] marks lost link.
    """
    names = ("brightened_percent", "dimmed_percent", "rise_codes", "fall_codes")
    up, down, rise, fall = (np.nan_to_num(timeline[name]) for name in names)
    if sign < 0:
        up, down, rise, fall = down, up, fall, rise
    change = np.diff(level, prepend=level[0])
    step = np.roll(level, -1) - np.roll(level, 1)
    step[[0, -1]] = change[[0, -1]]
    step = np.maximum(step, change)
    speed = np.nan_to_num(timeline["motion_percent"])
    pace = middle_before(speed, 2 * _CALM_FRAMES)
    moving = np.asarray(np.roll(pace, 1) > _MOVING_PERCENT)
    # the frame that is wholly under the new light is this one or the next
    next_is_more = np.roll(up, -1) > up
    most, other = (np.where(next_is_more, np.roll(one, -1), one) for one in (up, down))
    rushing = np.asarray(np.roll(middle_before(speed, _RUSHING_FRAMES), 1) > _RUSHING_PERCENT)
    least = np.where(moving | _reversed(level, step), _STEP_SHARE_MOVING, _STEP_SHARE)
    fill = (step >= _STEP_PERCENT) & (step >= least * np.abs(np.roll(level, 1)))
    fill &= step >= _CALM_RATIO * largest_before(np.abs(change), _CALM_FRAMES)
    # in flight the level may go the step's way before it, by less
    fill &= change - np.roll(middle_before(change, _CALM_FRAMES), 1) >= STEP_FLOOR * step
    fill &= (np.roll(level, -3) - np.roll(level, -1) <= _GOES_ON * step) & ~_flashing(timeline, np.abs(change), step)
    least_like = _undoing(timeline, level, most, down, beams, lost)
    sudden = most >= _SUDDEN * largest_before(up, _CALM_FRAMES)
    sudden |= (least_like < _SAME_SCENE) & (rise >= _UNDOES_RATIO * largest_before(rise, _CALM_FRAMES))
    fill &= (most >= _FILL_PERCENT) & (most >= _ONE_WAY * other) & sudden

    quiet = largest_before(np.maximum(rise, fall), _CALM_FRAMES)
    strongest = np.maximum(rise, np.roll(rise, -1))
    goes_on = np.maximum(np.roll(rise, -2), np.roll(rise, -3)) > _GOES_ON * strongest
    falls = [np.roll(fall, -after) for after in range(_UNDONE_FRAMES + 1)]
    undone = np.maximum.reduce(falls) > _UNDONE_SHARE * strongest
    # take-off is no lamp: after a lamp the scene stands still as before
    takes_off = np.asarray(middle_before(speed[::-1], 2 * _CALM_FRAMES)[::-1] > _MOVING_PERCENT)
    lamp = (strongest >= _LAMP_CODES) & (strongest >= _LAMP_RATIO * quiet) & (quiet <= _LAMP_CALM_CODES)
    lamp &= (rise >= STEP_FLOOR * strongest) & (rise > quiet) & (other <= _OTHER_PERCENT + most / _ONE_WAY)
    lamp &= ~moving & ~takes_off & ~goes_on & ~undone & ~_flashing(timeline, np.maximum(rise, fall), strongest)
    lit = (pace <= STANDING_PERCENT) & (most >= _LIT_PERCENT) & _beam(timeline, level, sign)
    least_like = np.minimum(least_like, np.where(lit, _LIT_SCENE, _SAME_SCENE))
    inside = (np.arange(len(level)) >= _CALM_FRAMES) & _same_scene(timeline, least_like)
    inside &= ~_own_answer(timeline, level, most, down)
    return fill & inside & ~rushing & ~(moving & flown_by(timeline, sign)), lamp & inside


def _flashing(timeline: Timeline, change: Doubles, step: Doubles) -> Mask:
    """Rows [n] around which jumps to and fro come near the step (in its own unit): a flashing light is no test."""
    jumps = np.zeros(len(step), dtype=np.bool_)
    for row in np.flatnonzero(step >= _CALM_RATIO * np.median(change)).tolist():
        near = np.abs(timeline.time_s - timeline.time_s[row]) <= _FLASHING_S
        jumps[row] = np.count_nonzero(change[near] >= _JUMP_SHARE * step[row]) >= _FLASHING_JUMPS
    return jumps


def _reversed(level: Doubles, step: Doubles) -> Mask:
    """Rows [n] whose step is undone within one frame shortly after: something passed before a light."""
    undone = np.zeros(len(level), dtype=np.bool_)
    for after in range(_UNDONE_FRAMES + 1):
        back = np.roll(level, -after) - np.roll(level, -after - 1)
        undone |= back >= _UNDONE_SHARE * step
    return undone


def _beam(timeline: Timeline, level: Doubles, sign: float) -> Mask:
    """Rows [n] from before which the clipped share rises within two frames (sign 1), or falls back (-1); or the level doubles.

    One that doubles is a beam's where the camera answers it at once. `level` [n] has that sign, too.
    """
    clipped = sign * timeline["clipped_percent"]
    grown = np.maximum(clipped, np.roll(clipped, -1)) - np.roll(clipped, 1) >= _LIT_CLIPPED_PERCENT
    before, after = np.roll(level, 1), np.maximum(level, np.roll(level, -1))
    rows = max(1, round(_ANSWER_S / timeline.interval_s)) if timeline.interval_s > 0 else 1
    lowest = -largest_before(-level[::-1], rows)[::-1]
    answered = after - lowest >= _ANSWERED * (after - before)
    return np.asarray(grown | ((sign > 0) & (after >= _LIT_RATIO * before) & answered))


def _likeness(timeline: Timeline, unknown: float = 1.0) -> Doubles:
    """Likeness [n] across each row and the next, the lower of both; where one is not known, `unknown` stands for it."""
    likeness = np.nan_to_num(timeline["likeness"], nan=unknown)
    return np.minimum(likeness, np.roll(likeness, -1))


def _camera_stood(timeline: Timeline, lost: Mask, beam: int, stop: int) -> Mask:
    """Rows from the one after a `beam` up to `stop` [stop - beam - 1] before which the camera stood since just before the beam.

    It may seem to move for a while as it answers the beam: what is shorter than `_STOOD_S` counts only just before the row.
    """
    rows, begin = np.arange(beam + 1, stop), max(beam - 2 * _CALM_FRAMES, 0)
    firsts = np.maximum(np.searchsorted(timeline.time_s, timeline.time_s[rows] - _STOOD_S), begin)
    motion = timeline["motion_percent"][:stop]
    seen = np.isfinite(motion) & ~lost[:stop] & ~(timeline["repeated"][:stop] > 0.0)
    seen_rows, moving_rows = (
        np.diff([sums[firsts], sums[rows]], axis=0)[0]
        for sums in (np.concatenate([[0], np.cumsum(mask)]) for mask in (seen, seen & (motion > STANDING_PERCENT)))
    )
    stands = (seen_rows > 0) & (2 * moving_rows <= seen_rows)
    return np.asarray(stands & ~np.logical_or.accumulate(~stands & (firsts > begin)))


def _undoing(  # noqa: PLR0913 - one kind of step
    timeline: Timeline, level: Doubles, most: Doubles, back: Doubles, beams: list[int], lost: Mask
) -> Doubles:
    """Likeness [n] that a step must leave at the least where it may undo the last of the `beams`; `_SAME_SCENE` elsewhere.

    `most` and `back` [n] are the shares of the picture that went the step's way and the other, in %; `level` [n] has its sign.
    `lost` [n] marks lost link.
    """
    likeness, time_s = _likeness(timeline), timeline.time_s
    least = np.full(len(level), _SAME_SCENE)
    for beam, stop in zip(beams, [*beams, len(level)][1:], strict=True):
        wide = _UNDOES_SHARE * back[beam : beam + 2].max()
        before = level[beam - 1]
        as_wide = most[beam + 1 : stop] >= max(wide, _FILL_PERCENT)
        stood = _camera_stood(timeline, lost, beam, stop)
        short = (time_s[beam + 1 : stop] - time_s[beam] <= _UNDOES_S) & (back[beam : beam + 2].max() >= _LIT_PERCENT)
        short &= _puts_out(most, -level, beam, stop)
        for row in (beam + 1 + np.flatnonzero(as_wide & (stood | short))).tolist():
            after = level[row : np.searchsorted(time_s, time_s[row] + _UNDOES_S)]
            if level[row] - after.min(initial=level[row]) >= _ANSWERED * (level[row] - before):
                least[row] = min(_SAME_SCENE, _UNDOES_LIKENESS * likeness[beam])
                if not stood[row - beam - 1]:
                    least[row] = max(least[row], _LIT_SCENE)
    return least


def _puts_out(dimmed: Doubles, level: Doubles, beam: int, stop: int) -> Mask:
    """Rows from the one after a `beam` up to `stop` [stop - beam - 1] at which what it still adds to the `level` [n] goes at once.

    About all of the picture goes darker there: `dimmed` [n] is that share, in %.
    """
    unlit, lit = level[beam - 1], level[beam : min(beam + 2, stop)].max()
    rows = np.arange(beam + 1, stop)
    added, left = level[rows - 1] - unlit, np.minimum(level[rows], level[np.minimum(rows + 1, len(level) - 1)]) - unlit
    shone = (added >= _SHINES_SHARE * (lit - unlit)) & (left <= _SHINES_LEFT * added)
    return np.asarray(shone & (dimmed[rows] >= _LIT_PERCENT) & (added > 0.0))


def _own_answer(timeline: Timeline, level: Doubles, most: Doubles, back: Doubles) -> Mask:
    """Rows [n] whose step is the camera's answer to a light that changed just before, whether or not that was found.

    The light changed `back` [n] % of the picture and left it less like itself; the answer changes much of it, `most` [n] %, and
    is known to leave it as it is, only exposed otherwise. A light that goes out at once undoes what it did. `level` [n] has the
    step's sign.
    """
    falls = np.roll(level, 1) - np.minimum(level, np.roll(level, -1))
    light = (back >= _FILL_PERCENT) & (falls >= _STEP_PERCENT) & (_likeness(timeline) < _OWN_LIKENESS)
    own = np.zeros(len(level), dtype=np.bool_)
    for row in np.flatnonzero(light).tolist():
        own[row + 1 : int(np.searchsorted(timeline.time_s, timeline.time_s[row] + _OWN_S))] = True
    return own & (most >= _FILL_PERCENT) & (_likeness(timeline, unknown=np.nan) >= _OWN_LIKENESS)


def _same_scene(timeline: Timeline, least: Doubles) -> Mask:
    """Rows [n] across which the scene is the same, by the likeness that is the least there, or is too blown or black to tell."""
    like = _likeness(timeline) >= least
    washed = np.maximum(timeline["clipped_percent"], timeline["crushed_percent"]) > WASHED_PERCENT
    return np.asarray(like | washed | np.roll(washed, -1))


def _paired(timeline: Timeline, level: Doubles, edges: list[Edge], near_loss: Mask) -> list[Edge]:
    """Leave out an edge of the kind of the one before it: a lamp that is lit cannot light up again.

    `near_loss` [n]: rows beside a lost link.

    The stronger claim is the first one's, since what follows is the camera's answer. Where the camera stands and its level
    stepped the other way after that, both are edges, and the one between them was missed. One that crosses, whose light comes in or
    leaves over the picture's edge, always stays, but is no lamp's: any may follow it but what the camera does in answer.
    """
    kept: list[Edge] = []
    for edge in edges:
        if kept:
            before = kept[-1]
            missed = _missed(timeline, level, before, edge.before_s, near_loss)
            if before.crosses and _answers(timeline, before, edge):
                its_own = False
            elif before.kind == edge.kind:
                its_own = before.crosses or missed is not None
            else:
                its_own = not _out_of_black(timeline, before, edge)
            if not (its_own or edge.crosses):
                continue
            kept[-1] = replace(before, missed_row=missed)
        kept.append(edge)
    if kept:
        end_s = float(timeline.time_s[-1])
        kept[-1] = replace(kept[-1], missed_row=_missed(timeline, level, kept[-1], end_s, near_loss))
    return kept


def _answers(timeline: Timeline, crossed: Edge, edge: Edge) -> bool:
    """Say whether an edge is the camera's answer to a light that came in or left: soon, and known to leave the picture as it is."""
    soon = edge.before_s - crossed.after_s < _MISSED_S
    return bool(soon and not edge.local and _likeness(timeline, unknown=np.nan)[edge.row] >= _OWN_LIKENESS)


def _out_of_black(timeline: Timeline, off: Edge, edge: Edge) -> bool:
    """Say whether an on edge is but the camera's end of the black that it fell into as the light went out."""
    black = (timeline["crushed_percent"][off.row : edge.row] > WASHED_PERCENT)[1:]
    clipped = timeline["clipped_percent"]
    before, after = clipped[off.row - 1], clipped[edge.row : edge.row + 2].max()
    went_out = before >= LIGHT_PERCENT and after <= LIGHT_LEFT * before
    short = edge.before_s - off.after_s < OWN_BLACK_S
    return bool(off.kind == "flash_off" and black.size and black.all() and short and went_out)


def _missed(timeline: Timeline, level: Doubles, first: Edge, end_s: float, near_loss: Mask) -> int | None:
    """Row of the largest step from an edge to a time (s) that goes the other way, none `near_loss` [n] of a link; or None.

    A lamp's is of its size, stands alone and changes much of the picture at once, to one less like itself. What the camera
    does late, over several frames or in steps of its gain, leaves the picture like itself. A beam over the whole picture that
    goes out is known by that at any time, and in flight.
    """
    out = _beam_out(timeline, level, first, end_s, near_loss)
    if out is not None:
        return out
    rows = np.flatnonzero(timeline.between(first.after_s + _MISSED_S, end_s) & ~near_loss)
    moving = np.nan_to_num(timeline["motion_percent"][first.row : int(rows[-1]) + 1]) if rows.size else np.empty(0)
    if not rows.size or np.median(moving) > STANDING_PERCENT:
        return None
    change = np.diff(level, prepend=level[0]) * (1.0 if first.kind == "flash_off" else -1.0)
    row = int(rows[np.argmax(change[rows])])
    # a frame may be exposed partly under it
    pair = max((row - 1, row), key=lambda one: float(change[one : one + 2].sum()))
    size = max(change[row], change[pair : pair + 2].sum())
    beside = np.abs(timeline.time_s - timeline.time_s[row]) <= _ALONE_S
    beside[pair : pair + 2] = False
    alone = change[beside].max(initial=0.0) <= _GOES_ON * change[row]
    changed = np.nan_to_num(timeline["brightened_percent"]) + np.nan_to_num(timeline["dimmed_percent"])
    most = changed[pair : pair + 2].max()
    sudden = most >= _FILL_PERCENT and most >= _SUDDEN * changed[max(pair - _CALM_FRAMES, 0) : pair].max(initial=0.0)
    relit = np.nan_to_num(timeline["likeness"][pair : pair + 2], nan=1.0).min() < _OWN_LIKENESS
    least = max(_STEP_PERCENT, _STEP_SHARE * abs(float(level[row - 1])))
    return row if size >= least and alone and sudden and relit else None


def _beam_out(timeline: Timeline, level: Doubles, first: Edge, end_s: float, near_loss: Mask) -> int | None:
    """First row up to a time (s) at which a beam that lit the whole picture at an edge goes out, whatever scene it leaves.

    Not beyond a lost link: what was lit before it may be out after it, and nobody saw when.
    """
    stop = int(np.searchsorted(timeline.time_s, end_s, side="right"))
    gone = np.flatnonzero(near_loss[first.row + 1 : stop])
    stop = first.row + 1 + int(gone[0]) if gone.size else stop
    lit = np.nan_to_num(timeline["brightened_percent"][first.row : first.row + 2]).max()
    if first.kind != "flash_on" or lit < _LIT_PERCENT or stop <= first.row + 1:
        return None
    out = _puts_out(np.nan_to_num(timeline["dimmed_percent"]), level, first.row, stop)
    out &= (_likeness(timeline) < _OWN_LIKENESS)[first.row + 1 : stop]
    return first.row + 1 + int(np.argmax(out)) if out.any() else None
