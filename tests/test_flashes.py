"""Flash edges on hand-made Timelines: found to the frame, and not taken from what is no flash."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import timeline_of

from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.flashes import Edge, flash_edges, without_crossing
from fieldscore.timeline import Timeline

ROWS = 240
QUIET = {
    "motion_percent": 0.2,
    "brightened_percent": 0.5,
    "dimmed_percent": 0.5,
    "rise_codes": 3.0,
    "fall_codes": 3.0,
    "likeness": 1.0,
}


def edges_of(
    level: npt.NDArray[np.float64],
    *stretches: tuple[int, int, dict[str, float]],
    lost: tuple[int, int] = (0, 0),
    **columns: object,
) -> list[Edge]:
    """Edges of a still scene with that level; the stretches say what else changed."""
    timeline = timeline_of(
        len(level), *stretches, level_percent=level, clipped_percent=0.5, crushed_percent=0.5, **{**QUIET, **columns}
    )
    mask = np.zeros(len(level), dtype=np.bool_)
    mask[slice(*lost)] = True
    return without_crossing(flash_edges(timeline, level, mask))


def flash(on: int = 60, off: int = 150, peak: float = 30.0, tau: float = 8.0) -> npt.NDArray[np.float64]:
    """A level of 40 % with a lamp lit from frame `on` to `off`; the camera comes back over tau frames."""
    level = np.full(ROWS, 40.0)
    rows = np.arange(ROWS)
    level[on:off] += peak * np.exp(-(rows[on:off] - on) / tau)
    level[off:] -= 0.7 * peak * np.exp(-(rows[off:] - off) / tau)
    return level


UP = {"brightened_percent": 80.0, "dimmed_percent": 1.0, "rise_codes": 90.0, "fall_codes": 5.0, "likeness": 0.9}
DOWN = {"brightened_percent": 1.0, "dimmed_percent": 80.0, "rise_codes": 5.0, "fall_codes": 90.0, "likeness": 0.8}


def test_a_lamp_is_found_to_the_frame() -> None:
    """The first frame under the new light is named, and the edge lies between it and the one before."""
    found = edges_of(flash(), (60, 61, UP), (150, 151, DOWN))
    assert [(edge.kind, edge.row) for edge in found] == [("flash_on", 60), ("flash_off", 150)]
    for edge, row in zip(found, (60, 150), strict=True):
        assert (row - 1) / 30 - 0.1 / 30 < edge.before_s <= (row - 1) / 30
        assert edge.after_s == pytest.approx(row / 30, abs=1e-5)
        assert not edge.local


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_frame_partly_under_the_lamp_is_the_first(share: float) -> None:
    """A frame exposed partly under the lamp counts as the first after the edge."""
    level = flash()
    level[60] = 40.0 + share * 30.0
    level[61] = 70.0
    found = edges_of(level, (60, 62, UP), (150, 151, DOWN))
    assert found[0].row == 60


def test_a_small_lamp_in_a_still_room_is_found() -> None:
    """A lamp that lights a few blocks and hardly moves the mean is found while the drone stands still."""
    level = np.full(ROWS, 12.0)
    on = {"rise_codes": 60.0, "brightened_percent": 1.5, "fall_codes": 4.0}
    off = {"fall_codes": 60.0, "dimmed_percent": 1.5, "rise_codes": 4.0}
    found = edges_of(level, (60, 61, on), (150, 151, off))
    assert [(edge.kind, edge.row, edge.local) for edge in found] == [("flash_on", 60, True), ("flash_off", 150, True)]
    assert edges_of(level, (60, 61, on), (150, 151, off), motion_percent=20.0) == []


def _ramp(frames: int) -> npt.NDArray[np.float64]:
    level = np.full(ROWS, 40.0)
    level[60 : 60 + frames] = np.linspace(40, 75, frames)
    level[60 + frames :] = 75.0
    return level


@pytest.mark.parametrize("frames", [12, 30])
def test_a_fade_is_no_flash(frames: int) -> None:
    """A level that changes over a dozen frames (a fade, a turn from trees to sky) has no edge."""
    assert edges_of(_ramp(frames), (60, 60 + frames, {"brightened_percent": 70.0, "rise_codes": 30.0})) == []


def test_a_cut_is_no_flash() -> None:
    """Another shot from one frame to the next changes parts both ways, or shows another scene."""
    both = {"brightened_percent": 55.0, "dimmed_percent": 40.0, "rise_codes": 90.0, "fall_codes": 90.0, "likeness": 0.1}
    one_way = {**UP, "likeness": 0.1}
    for kind in (both, one_way):
        assert edges_of(_ramp(1), (60, 61, kind)) == []


def test_what_is_undone_at_once_is_no_flash() -> None:
    """A post that hides the sun for one frame is no lamp going out."""
    level = np.full(ROWS, 25.0)
    level[100] = 21.5
    assert edges_of(level, (100, 101, DOWN), (101, 102, UP)) == []


def test_auto_exposure_answering_is_no_edge() -> None:
    """After a lamp has lit the camera's fast dimming is its recovery, not the lamp going out."""
    found = edges_of(
        flash(tau=2.0),
        (60, 61, UP),
        (61, 66, {**DOWN, "likeness": 1.0}),
        (150, 151, DOWN),
        (151, 156, {**UP, "likeness": 1.0}),
    )
    assert [(edge.kind, edge.row) for edge in found] == [("flash_on", 60), ("flash_off", 150)]


def test_lost_link_is_no_flash() -> None:
    """Where the link drops out and comes back nothing is taken for a lamp."""
    assert edges_of(flash(), (60, 61, UP), (150, 151, DOWN), lost=(58, 152)) == []


@pytest.mark.parametrize(
    ("lost", "edges"), [((63, 70), [60]), ((62, 70), []), ((61, 70), []), ((50, 55), []), ((50, 54), [60])]
)
def test_an_edge_beside_a_lost_link_is_the_links(lost: tuple[int, int], edges: list[int]) -> None:
    """So is one up to two frames before it, or less than a calm of six after it."""
    level = flash()
    level[90:] = level[89]
    assert [edge.row for edge in edges_of(level, (60, 61, UP), lost=lost)] == edges


def test_flashing_light_is_not_measured() -> None:
    """A light that flashes five times a second gives no recovery events."""
    level = np.full(ROWS, 40.0)
    stretches = []
    for start in range(60, 180, 12):
        level[start : start + 6] = 75.0
        stretches += [(start, start + 1, UP), (start + 6, start + 7, DOWN)]
    assert edges_of(level, *stretches) == []


@pytest.mark.parametrize("rows", [0, 1, 5, 13, 14])
def test_short_tables_have_no_edges(rows: int) -> None:
    """A table too short for a calm before an edge gives none."""
    assert edges_of(np.full(max(rows, 1), 40.0)[:rows]) == []


def test_mirrored_in_time_and_light() -> None:
    """With brightness turned over, on and off change places and rows stay."""
    usual = edges_of(flash(), (60, 61, UP), (150, 151, DOWN))
    turned = edges_of(120.0 - flash(), (60, 61, DOWN), (150, 151, UP))
    assert [edge.row for edge in usual] == [edge.row for edge in turned]
    assert [edge.kind for edge in turned] == ["flash_off", "flash_on"]


BEAM = {**UP, "likeness": 0.34, "clipped_percent": 22.0}  # a halo over the whole scene


@pytest.mark.parametrize(
    ("found", "other"),
    [
        (True, {}),
        (True, {"motion_percent": 10.0}),  # held in the hand
        (False, {"motion_percent": 60.0}),
        (False, {"likeness": 0.2}),
        (False, {"clipped_percent": 0.5}),
        (False, {"brightened_percent": 70.0, "dimmed_percent": 20.0}),
    ],
)
def test_a_beam_that_leaves_little_likeness_is_a_lamp(found: bool, other: dict[str, float]) -> None:
    """A beam that blows out a part and brightens nearly all else is a lamp before a standing camera; another scene is none."""
    speed = {"motion_percent": other["motion_percent"]} if "motion_percent" in other else {}
    edges = edges_of(flash(), (60, 61, {**BEAM, **other}), (150, 151, DOWN), **speed)
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_off"])


@pytest.mark.parametrize(("clipped", "found"), [(22.0, True), (2.0, False)])
def test_a_beam_that_goes_out_leaves_little_likeness(clipped: float, found: bool) -> None:
    """The same holds as it goes out: what was blown out is no more."""
    dark = {**DOWN, "likeness": 0.34, "dimmed_percent": 85.0}
    edges = edges_of(
        flash(peak=15.0, tau=30.0), (60, 150, {"clipped_percent": clipped}), (60, 61, UP), (150, 151, dark)
    )
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(
    ("peak", "tau", "found"),
    [(42.0, 8.0, True), (30.0, 8.0, False), (42.0, 500.0, False)],  # lit; not doubled; a cut, exposed already
)
def test_a_level_that_doubles_and_is_answered_is_lit(peak: float, tau: float, found: bool) -> None:
    """A beam that doubles the level without blowing anything out is a lamp if the camera answers it; a cut is not answered."""
    edges = edges_of(flash(peak=peak, tau=tau, off=ROWS), (60, 61, {**BEAM, "clipped_percent": 0.5}))
    assert [edge.kind for edge in edges] == (["flash_on"] if found else [])


@pytest.mark.parametrize(("clipped", "found"), [(6.0, True), (4.0, False)])
def test_how_much_a_beam_blows_out(clipped: float, found: bool) -> None:
    """More of the picture by 5 % and more."""
    edges = edges_of(flash(), (60, 61, {**BEAM, "clipped_percent": clipped}))
    assert [edge.kind for edge in edges] == (["flash_on"] if found else [])


HALO = {"brightened_percent": 40.0, "dimmed_percent": 39.0}


def _two_pulses(rise: float, sign: float = 1.0) -> npt.NDArray[np.float64]:
    """Light that goes out at rows 60 and 180 and comes on by `rise` at row 120; the other way round where `sign` is -1."""
    level = np.zeros(ROWS)
    level[60:120] -= 25.0 * np.exp(-np.arange(60) / 5.0)
    level[120:180] += rise * np.exp(-np.arange(60) / 5.0)
    level[180:] -= 25.0 * np.exp(-np.arange(60) / 5.0)
    return 40.0 + sign * level


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("rise", "speed", "other", "found"),
    [
        (10.0, 0.2, {}, True),
        (0.0, 0.2, {}, False),
        (3.6, 0.2, {}, False),  # 9 % of the level: no lamp's size
        (10.0, 60.0, {}, False),
        (10.0, 0.2, {**HALO, "likeness": 0.75}, True),  # its halo dims the rest
        (10.0, 0.2, {**HALO, "likeness": 0.99}, False),  # as like itself as the camera's own gain leaves it
        (10.0, 0.2, {"brightened_percent": 12.0, "dimmed_percent": 12.0}, False),
    ],
)
def test_two_edges_of_a_kind_tell_of_one_missed(
    rise: float, speed: float, other: dict[str, float], found: bool, sign: float
) -> None:
    """The second is kept where the light of a standing camera stepped back between them, and says where it did."""
    edge, back = (DOWN, UP) if sign > 0 else (UP, DOWN)
    missed = {"likeness": 0.2} | {key: back[key] for key in ("brightened_percent", "dimmed_percent")} | other
    stretches = ((60, 61, edge), (180, 181, edge), (120, 121, missed))
    edges = edges_of(_two_pulses(rise, sign), *stretches, motion_percent=speed)
    assert [one.row for one in edges] == ([60, 180] if found else [60])
    assert [one.missed_row for one in edges] == ([120, None] if found else [None])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("steps", "apart"), [(5, 1), (4, 1), (4, 7)])
def test_the_cameras_late_answer_is_no_light_missed(steps: int, apart: int, sign: float) -> None:
    """A camera that answers after a second, over four frames or five or in steps of its gain, has not seen a light."""
    level = np.full(ROWS, 40.0)
    level[60:] -= 20.0
    for step in range(steps):
        level[100 + step * apart : 180] += 18.0 / steps
    edge, shown = DOWN if sign > 0 else UP, {**HALO, "likeness": 0.9}
    answer = [(100 + step * apart, 101 + step * apart, shown) for step in range(steps)]
    edges = edges_of(60.0 + sign * (level - 40.0), (60, 61, edge), (180, 181, edge), *answer)
    assert [one.row for one in edges] == [60]


@pytest.mark.parametrize(
    ("before", "after", "length", "late", "kinds"),
    [
        (1.1, 0.0, 15, 0, ["flash_off"]),
        (1.1, 1.1, 15, 0, ["flash_off", "flash_on"]),
        (1.1, 1.1, 15, 1, ["flash_off", "flash_on"]),  # the first frame was exposed partly under it
        (0.0, 0.0, 15, 0, ["flash_off", "flash_on"]),  # nothing at the ceiling tells of the camera
        (0.05, 0.0, 15, 0, ["flash_off", "flash_on"]),
        (1.1, 0.0, 63, 0, ["flash_off", "flash_on"]),
    ],
)
def test_the_end_of_a_cameras_own_black_is_no_lamp(
    before: float, after: float, length: int, late: int, kinds: list[str]
) -> None:
    """A camera that went black with the lamp comes back soon; where light at the ceiling is back, too, a lamp was lit."""
    stop = 60 + length
    level = np.full(ROWS, 40.0)
    level[60:stop] = 0.0
    black = {"crushed_percent": 99.0, "clipped_percent": 0.0}
    found = edges_of(
        level,
        (0, 60, {"clipped_percent": before}),
        (60, stop, black),
        (60, 61, DOWN),
        (stop, ROWS, {"clipped_percent": 0.0}),
        (stop + late, ROWS, {"clipped_percent": after}),
        (stop, stop + 1, UP),
    )
    assert [edge.kind for edge in found] == kinds


def test_a_dark_picture_black_for_a_moment_is_not_the_cameras_own_black() -> None:
    """Lit again after half a second of dark, of which only a few frames are black, the lamp's edge is kept."""
    level = np.full(ROWS, 40.0)
    level[60:75] = 8.0
    found = edges_of(
        level,
        (0, 60, {"clipped_percent": 1.1}),
        (60, ROWS, {"clipped_percent": 0.0}),
        (60, 65, {"crushed_percent": 99.0}),
        (60, 61, DOWN),
        (75, 76, UP),
    )
    assert [edge.kind for edge in found] == ["flash_off", "flash_on"]


@pytest.mark.parametrize(
    "name", ["cuts_and_fade.mp4", "pan_sky_to_building.mp4", "sun_in_frame_short.mp4", "road_day.mp4"]
)
def test_real_clips_without_a_blast(name: str) -> None:
    """Cuts and a fade, a turn from sky to a building, the sun coming into the frame, a drive: no flash in any of them."""
    clip = Path(__file__).parents[2] / "shared" / "clips" / name
    if not clip.exists():
        pytest.skip("../shared/clips is not there")
    assert score_flight(measure_flight([clip]), Criteria()).events == ()


def test_a_simulated_torch_is_measured(tmp_path: Path) -> None:
    """A torch lit for two seconds: both edges found, recovery within a frame of the truth, bounds around it."""
    from fieldscore.simulate import CameraModel, Chain, Flash, FlightPlan, simulate
    from fieldscore.video import Encoding

    plan = FlightPlan(
        seed=9, world_seed=33, width=192, height=144, duration_s=6.0, ground_before_s=6.0, ground_after_s=0.0,
        flashes=(Flash(1.013, 3.517, "fill", 8.0),),
    )  # fmt: skip
    camera = CameraModel("bench", gain_max=24.0, full_well=7000.0, ae_time_constant_s=0.15)
    path = tmp_path / "torch.mp4"
    truth = simulate(plan, camera, Chain(encoding=Encoding(crf=20), osd=()), path, tile_every=1000)
    events = score_flight(measure_flight([path]), Criteria()).events
    assert [event.kind for event in events] == [true.kind for true in truth.events] == ["flash_on", "flash_off"]
    for event, true in zip(events, truth.events, strict=True):
        assert abs(event.at_s - true.time_s) < 1 / 30
        assert event.recovery_s is not None
        assert event.recovery_low_s is not None
        assert event.recovery_high_s is not None
        assert abs(event.recovery_s - true.recovery_s) < 1 / 30
        assert event.recovery_low_s <= true.recovery_s <= event.recovery_high_s


def test_material_is_a_timeline() -> None:
    """The hand-made tables hold what they say."""
    assert isinstance(timeline_of(3), Timeline)
    assert math.isclose(flash()[60], 70.0)


def test_a_torch_in_flight_is_measured(tmp_path: Path) -> None:
    """A torch lit while flying past gates that it lights up: its two edges are found, and no gate is taken for one."""
    from fieldscore.simulate import CameraModel, Chain, Flash, FlightPlan, simulate
    from fieldscore.video import Encoding

    plan = FlightPlan(
        seed=40, world_seed=61, width=256, height=192, duration_s=7.0, ground_before_s=0.5, ground_after_s=0.5,
        speed_m_s=6.0, flashes=(Flash(2.51, 5.01, "fill", 15.0),),
    )  # fmt: skip
    camera = CameraModel("a", gain_max=16.0, ae_time_constant_s=0.2)
    path = tmp_path / "flight.mp4"
    truth = simulate(plan, camera, Chain(encoding=Encoding(crf=21)), path, tile_every=1000)
    events = score_flight(measure_flight([path]), Criteria()).events
    assert [event.kind for event in events] == [true.kind for true in truth.events]
    for event, true in zip(events, truth.events, strict=True):
        assert abs(event.at_s - true.time_s) < 1 / 30
        if event.recovery_s is not None and math.isfinite(true.recovery_s):
            assert abs(event.recovery_s - true.recovery_s) < 1 / 30


def test_a_lit_gate_flown_through_is_no_lamp() -> None:
    """The same step while the picture rushes by, as on the way through a gate, is no edge; in slow flight it is one."""
    level = np.full(ROWS, 40.0)
    level[60:] = 24.0
    slow, fast = (edges_of(level, (60, 61, DOWN), motion_percent=speed) for speed in (60.0, 240.0))
    assert [edge.kind for edge in slow] == ["flash_off"]
    assert fast == []
