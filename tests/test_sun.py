"""The sun told from lamps and lit walls, on made pictures, simulated flights and real clips."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flight_material import record_of, timeline_of
from sun_material import (
    COLUMNS,
    ROWS,
    STEP_S,
    Luma,
    away,
    barred,
    behind_a_tree,
    evidence,
    hazy,
    lamp,
    lit_ground,
    made,
    named,
    on_its_side,
    several,
    sunny,
    torch_spot,
    white_horizon,
)

from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.brightness import lamps, lost_around
from fieldscore.record import TileSeries
from fieldscore.recovery import FlashEvent
from fieldscore.report.flight import flight_json
from fieldscore.report.light import sun_words
from fieldscore.sun import BRIGHT, LAMP, SUN, LightStretch, bright_stretches
from fieldscore.sun_light import LEAST_RADIUS

CLIPS = Path(__file__).parents[2] / "shared" / "clips"


def test_a_sun_that_stays_is_the_sun() -> None:
    """A core with light that falls away evenly, moving with the turns of the flight, is one stretch of sun."""
    found = named(sunny(120 + 3 * k, 70 - k) for k in range(12))
    assert [one.kind for one in found] == [SUN]
    assert found[0].from_s == 0.0 and found[0].to_s == pytest.approx(11.5 * STEP_S)
    assert not found[0].at_edge


@pytest.mark.parametrize("glow", [0.0, 0.1])
def test_a_lamp_that_comes_near_is_a_lamp(glow: float) -> None:
    """A disc whose light ends at its edge and that grows is a lamp, with a little glow, too."""
    found = named(lamp(120 - 3 * k, 60 - 2 * k, 5.0 + k, glow) for k in range(10))
    assert [one.kind for one in found] == [LAMP]


def test_the_spot_of_a_torch_on_the_ground_is_not_the_sun() -> None:
    """Under a dark sky nothing is called the sun, however soft its light."""
    assert SUN not in [one.kind for one in named(torch_spot() for _ in range(12))]


def test_what_comes_nearer_is_not_the_sun() -> None:
    """A soft source that grows three times as large is called a bright source."""
    assert [one.kind for one in named(sunny(core=6.0 + 2.0 * k) for k in range(9))] == [BRIGHT]


def nearing(core: float, count: int, rate: float = 0.45) -> list[Luma]:
    """A soft source that is flown toward: its core grows by `rate` nepers a second."""
    return [sunny(core=core * float(np.exp(rate * STEP_S * k))) for k in range(count)]


def test_what_comes_nearer_is_not_the_sun_however_short_it_is_seen() -> None:
    """A soft source that grows by three quarters in a second and a quarter is called a bright source."""
    assert [one.kind for one in named(nearing(8.0, 6))] == [BRIGHT]


def test_one_lamp_after_another_is_not_the_sun() -> None:
    """Three lamps that come nearer one after another at one place are no sun, though the last is as large as the first."""
    found = named(nearing(9.0, 5, 0.6) * 3)
    assert [one.kind for one in found] == [BRIGHT]
    assert found[0].to_s - found[0].from_s > 3.0


def test_the_sun_swings_in_size() -> None:
    """A core that swings by a seventh to either side, as exposure and mist make it, is the sun."""
    sizes = 14.0 * np.exp(0.14 * np.sin(np.arange(40) * 2 * np.pi * STEP_S / 3.0))
    assert [one.kind for one in named(sunny(120 + k, core=size) for k, size in enumerate(sizes))] == [SUN]


def test_where_such_light_comes_nearer_none_is_the_sun() -> None:
    """There is one sun: where soft lights came nearer for longer than one stayed, that one is a lamp, too, and not before."""
    dark = [made(np.full((ROWS, COLUMNS), 0.1))] * 4
    steady = [sunny(120 + 3 * k) for k in range(5)]
    assert [one.kind for one in named(steady + dark + nearing(8.0, 4))] == [SUN, BRIGHT]
    assert [one.kind for one in named(steady + dark + nearing(8.0, 4) + dark + nearing(8.0, 4))] == [BRIGHT] * 3


def test_what_is_seen_from_the_ground_does_not_stay() -> None:
    """A light at one place of the picture outweighs nothing that comes nearer, however long the camera stands before it."""
    dark = [made(np.full((ROWS, COLUMNS), 0.1))] * 4
    assert [one.kind for one in named([sunny()] * 20)] == [SUN]
    assert [one.kind for one in named([sunny()] * 20 + dark + nearing(8.0, 4))] == [BRIGHT, BRIGHT]


@pytest.mark.parametrize("sky", [0.3, 0.45])
def test_the_sun_in_a_bright_sky_is_the_sun(sky: float) -> None:
    """A halo that adds a third to a bright sky falls away toward the sky's light, not toward black."""
    assert [one.kind for one in named(hazy(sky, 0.33 * sky) for _ in range(8))] == [SUN]


@pytest.mark.parametrize(("sky", "over", "reach"), [(0.45, 0.0, 6.0), (0.45, 0.05, 6.0), (0.17, 0.35, 3.0)])
def test_what_hardly_lifts_the_sky_is_not_the_sun(sky: float, over: float, reach: float) -> None:
    """A disc whose halo lifts a bright sky by a tenth is not told, nor one whose halo ends near it in a dim sky."""
    assert [one.kind for one in named(hazy(sky, over, reach) for _ in range(8))] == [BRIGHT]


@pytest.mark.parametrize(
    ("core", "sky", "pictures", "kind"), [(3.0, 0.35, 10, SUN), (3.0, 0.35, 6, BRIGHT), (4.0, 0.12, 10, BRIGHT)]
)
def test_a_small_sun_needs_a_clear_day_and_time(core: float, sky: float, pictures: int, kind: str) -> None:
    """A clean lens leaves the sun a small core: it is told where the light about it is a day's, and it stays for two seconds."""
    found = named(sunny(120 + 3 * k, 70 - k, core, sky) for k in range(pictures))
    assert [one.kind for one in found] == [kind]
    assert 100.0 * LEAST_RADIUS <= found[0].radius_percent < 3.5


def test_a_small_sun_that_touches_the_upper_edge_is_the_sun() -> None:
    """Where nothing is known of the sky above it for a picture or two, the others tell."""
    found = named(sunny(120.0 + 2.0 * k, 36.0 if k % 5 else 4.0, 3.0, 0.35) for k in range(12))
    assert [one.kind for one in found] == [SUN]


def test_a_small_sun_does_not_come_nearer() -> None:
    """A lamp of its size in a bright evening grows."""
    assert [one.kind for one in named(sunny(core=2.2 + 0.2 * k, sky=0.35) for k in range(10))] == [BRIGHT]


def test_what_stands_in_a_bright_cloud_is_not_the_sun() -> None:
    """Light that is even as far as the cloud's edge does not fall away from a source."""
    cloud = np.where(away(120.0, 70.0) <= 4.2 * 14.0, 0.6, 0.45)
    cloud[away(120.0, 70.0) <= 14.0] = 1.0
    assert [one.kind for one in named([made(cloud)] * 8)] == [BRIGHT]


def test_what_has_ground_above_it_is_not_the_sun() -> None:
    """Where light falls away above a source and rises again to the sky, it is a lit patch on the ground."""
    assert [one.kind for one in named([lit_ground(horizon=60)] * 8)] == [BRIGHT]
    assert [one.kind for one in named([lit_ground(horizon=0)] * 8)] == [SUN]


@pytest.mark.parametrize("seen", [behind_a_tree, on_its_side])
def test_what_hides_a_part_of_the_sky_leaves_the_sun(seen: Callable[[], Luma]) -> None:
    """Neither a tree beside the sun nor a horizon that stands upright keeps it from being told."""
    assert [one.kind for one in named([seen()] * 8)] == [SUN]


def test_one_side_has_to_show_all_of_it() -> None:
    """Light that falls away upward alone, uneven there and even along the horizon, is not the sun's."""
    assert [one.kind for one in named([white_horizon()] * 8)] == [BRIGHT]


def test_even_darkness_beside_it_is_no_even_light() -> None:
    """Where bars break the light on every side that has any, a dark wall's evenness does not count."""
    assert SUN not in [one.kind for one in named([barred()] * 8)]


def test_a_cloud_above_it_is_no_sky_behind_ground() -> None:
    """Light that falls to the sky's and rises again to that of a cloud is the sun's."""
    picture = sunny(y=110.0, sky=0.2)
    picture[20:50] = made(np.full((30, COLUMNS), 0.55))
    assert [one.kind for one in named([picture] * 8)] == [SUN]


def test_a_bar_above_it_is_no_ground() -> None:
    """A gate's bar across the sky above the sun does not make it a patch on the ground."""
    picture = sunny(y=90.0)
    picture[52:57] = 20
    assert [one.kind for one in named([picture] * 8)] == [SUN]


def alone(count: int) -> list[Luma]:
    """The sun moving through the picture."""
    return [several((60.0 + 3 * k, 50.0, 9.0)) for k in range(count)]


def in_pairs(count: int) -> list[Luma]:
    """The same with a smaller one like it clear of it."""
    return [several((60.0 + 3 * k, 50.0, 9.0), (180.0, 60.0, 7.0)) for k in range(count)]


def test_there_is_one_sun() -> None:
    """Of two sources like the sun in the same pictures none is; one picture with two says nothing."""
    assert [one.kind for one in named(in_pairs(8))] == [BRIGHT]
    assert [one.kind for one in named(alone(4) + in_pairs(5)[4:] + alone(8)[5:])] == [SUN]


def test_a_post_does_not_make_two_of_it() -> None:
    """Two parts of one core, to either side of a trunk, are one sun."""
    behind = [several((60.0 + 3 * k, 50.0, 16.0)) for k in range(8)]
    for k, one in enumerate(behind):
        one[:, 55 + 3 * k : 65 + 3 * k] = 20
    assert [one.kind for one in named(behind)] == [SUN]


def test_where_there_are_several_none_is_the_sun() -> None:
    """Where two like the sun were in view for longer than one alone, that one is a lamp as well."""
    dark = [made(np.full((ROWS, COLUMNS), 0.1))] * 4
    assert [one.kind for one in named(in_pairs(8) + dark + alone(4))] == [BRIGHT, BRIGHT]
    assert [one.kind for one in named(in_pairs(8) + dark + alone(12))] == [BRIGHT, SUN]


def test_a_glance_says_too_little() -> None:
    """One small picture of the sun is a bright source."""
    assert [one.kind for one in named([sunny()])] == [BRIGHT]


@pytest.mark.parametrize(("x", "y"), [(0.0, 70.0), (239.0, 70.0), (120.0, 0.0), (3.0, 3.0)])
def test_a_sun_that_peeks_in_is_the_sun(x: float, y: float) -> None:
    """A sun whose core the picture's edge cuts is told as well, and marked."""
    found = named(sunny(x, y) for _ in range(8))
    assert [(one.kind, one.at_edge) for one in found] == [(SUN, True)]


def test_a_border_is_no_picture() -> None:
    """A sun that comes in from behind a black border is one sun, however small its first part; its last parts are cut."""
    pictures = [sunny(-6.0 + 4.0 * k) for k in range(12)]
    for one in pictures:
        one[:, :4] = 0
    assert not named(pictures)[0].at_edge
    found = bright_stretches(evidence(pictures[:4]), 1.0, "srgb", (0.0, 0.0, 0.0, 3.5 / COLUMNS))
    assert [(one.kind, one.at_edge) for one in found] == [(SUN, True)]


def test_a_sun_that_goes_behind_something_is_the_sun() -> None:
    """A core that shrinks to a third does not come nearer."""
    assert [one.kind for one in named(sunny(core=18.0 - k) for k in range(12))] == [SUN]


def test_a_branch_before_it_does_not_part_the_sun() -> None:
    """Half a second behind something is bridged; three seconds are not."""
    dark = made(np.full((ROWS, COLUMNS), 0.1))
    for gap, stretches in ((2, 1), (12, 2)):
        flown = [sunny(110 + 3 * k) for k in range(6)]
        found = named(flown + [dark] * gap + flown)
        assert [one.kind for one in found] == [SUN] * stretches


def test_a_chain_that_ends_below_white_has_a_sun_too() -> None:
    """Levels are taken against the chain's own ceiling."""
    dimmer = [(0.85 * sunny().astype(np.float64)).astype(np.uint8)] * 6
    assert [one.kind for one in named(dimmer, 0.85)] == [SUN]
    assert named(dimmer, 1.0) == ()


def test_the_ceiling_of_a_recording() -> None:
    """A recording whose chain ends at 85 % of white has its sun as well."""
    dimmer = [(0.85 * sunny().astype(np.float64)).astype(np.uint8)] * 40
    record = record_of(timeline_of(300))
    facts = replace(record.clip, ceiling_code=16 + 0.85 * 219, code_range="narrow", bits=8)
    record = replace(record, clip=facts, evidence=replace(evidence(dimmer), histogram=record.evidence.histogram))
    assert [one.kind for one in score_flight(record, Criteria()).lamps.lights] == [SUN]


def test_figures_for_the_sun_alone() -> None:
    """Time in view and the time the zone was lost count the sun's stretch, not the lamp's after it."""
    time = np.arange(300) / 30.0
    toward = time < 3.0
    timeline = timeline_of(
        300, lamps=1.0, bloom_radius_percent=8.0, zone_readable_percent=np.where(toward & (time >= 1.0), 20.0, 95.0)
    )
    pictures = [sunny()] * 12 + [lamp(200.0, 20.0)] * 28
    record = record_of(timeline)
    record = replace(record, evidence=replace(evidence(pictures), histogram=record.evidence.histogram))
    score = score_flight(record, Criteria())
    data = flight_json(score)["lamps"]
    assert [one["kind"] for one in data["lights"]] == [SUN, LAMP]
    assert data["toward_sun"]["in_view_s"] == pytest.approx(3.0, abs=0.2)
    assert data["toward_sun"]["zone_lost_s"] == pytest.approx(2.0, abs=0.2)
    assert data["toward_light"]["in_view_s"] == pytest.approx(10.0, abs=0.1)
    assert "lost for up to 1.9" in sun_words(score) or "lost for up to 2" in sun_words(score)
    for around, said in ((0.0, "no part of the picture was lost around it"), (1.3, "1.30 % of the picture around it")):
        lamps = replace(score.lamps, lost_around_sun_percent=around)
        assert said in sun_words(replace(score, lamps=lamps))


def test_what_is_lost_around_the_sun() -> None:
    """Tiles that cannot be read count where they hang together with the sun's, and no others."""
    k = np.full((2, 12, 16), 9.0, dtype=np.float32)
    k[:, 2:5, 3:6] = 1.0  # around the sun, 9 of 188 known tiles, with one more at its corner
    k[:, 5, 6] = 1.0
    k[:, 10:, 10:] = 1.0  # dark ground elsewhere
    k[:, 0, :4] = np.nan
    tiles = TileSeries(np.array([0.25, 0.75]), k)
    sun = LightStretch(0.0, 1.0, SUN, 6.0, at_edge=False, places=((0.3, 4.5 / 16, 3.5 / 12), (0.7, 4.5 / 16, 3.5 / 12)))
    assert lost_around(tiles, [sun], 5.0) == pytest.approx(100.0 * 10 / 188)
    clear = replace(sun, places=((0.3, 0.95, 0.05),))
    assert lost_around(tiles, [clear], 5.0) == 0.0
    assert lost_around(tiles, [], 5.0) is None


def test_the_sun_is_no_lamp_that_came_near() -> None:
    """Of two lights that grow and go, the sun's is no pass of a lamp and has no share in the pull-down."""
    time = np.arange(300) / 30.0
    radius = 8.0 * np.maximum(np.clip(1.0 - np.abs(time - 1.5), 0.0, 1.0), np.clip(1.0 - np.abs(time - 7.0), 0.0, 1.0))
    timeline = timeline_of(
        300,
        lamps=1.0,
        bloom_radius_percent=radius,
        lamp_number=1.0 + (time > 4.0),
        exposure_stops=-1.2 * (np.abs(time - 1.5) < 0.7) - 0.3 * (np.abs(time - 7.0) < 0.7),
        veil_percent=0.0,
    )
    record = record_of(timeline)
    stretches = {"sun first": [sunny()] * 12 + [lamp(200.0, 20.0)] * 28, "lamps": [lamp(200.0, 20.0)] * 40}
    found = {
        name: score_flight(
            replace(record, evidence=replace(evidence(pictures), histogram=record.evidence.histogram)), Criteria()
        ).lamps
        for name, pictures in stretches.items()
    }
    assert [one.largest_s for one in found["lamps"].passes] == pytest.approx([1.5, 7.0], abs=0.1)
    assert [round(one.largest_s) for one in found["sun first"].passes] == [7]
    assert found["sun first"].pulldown_stops == pytest.approx(-0.3, abs=0.05)


def test_what_grows_in_the_light_of_a_torch_is_no_pass() -> None:
    """A white wall at the ceiling while a torch is lit is no lamp that was flown past; the same before the torch is."""
    time = np.arange(300) / 30.0
    radius = 8.0 * np.maximum(np.clip(1.0 - np.abs(time - 2.0), 0.0, 1.0), np.clip(1.0 - np.abs(time - 7.0), 0.0, 1.0))
    timeline = timeline_of(
        300, bloom_radius_percent=radius, lamp_number=1.0 + (time > 4.0), exposure_stops=-radius / 8.0, veil_percent=0.0
    )
    unknown: dict[str, Any] = {one.name: None for one in fields(FlashEvent)}
    torch = [
        FlashEvent(**{**unknown, "kind": kind, "at_s": at_s})
        for kind, at_s in (("flash_on", 3.5), ("flash_on", 7.7), ("flash_off", 8.0))
    ]
    found = lamps(record_of(timeline), np.ones(300, dtype=np.bool_), Criteria(), torch)
    assert [round(one.largest_s) for one in found.passes] == [2]


@pytest.mark.parametrize("pictures", [[], [lamp(radius=7.0)] * 6, [sunny()]])
def test_without_the_sun_there_is_a_reason(pictures: list[Luma]) -> None:
    """No sun gives null and a note that says whether nothing was there or it could not be told."""
    record = record_of(timeline_of(300))
    record = replace(record, evidence=replace(evidence(pictures), histogram=record.evidence.histogram))
    data = flight_json(score_flight(record, Criteria()))
    assert data["lamps"]["toward_sun"] is None
    note = next(one for one in data["notes"] if one.startswith("lamps.toward_sun: "))
    assert ("could be sun or lamp" in note) == (len(pictures) == 1)
    assert ("lamps.toward_light: no lamp and no sun was in view" in data["notes"]) == (not pictures)


@pytest.mark.parametrize(("scene", "sun"), [("dusk_sun", True), ("night_estate", False)])
def test_simulated_flights(tmp_path: Path, scene: str, sun: bool) -> None:
    """A flight along the lane toward the low sun shows the sun for most of it; one by night past lamps never does."""
    from fieldscore.simulate import CameraModel, Chain, FlightPlan, simulate
    from fieldscore.video import Encoding

    plan = FlightPlan(
        seed=5, world_seed=85, width=256, height=192, duration_s=3.0, ground_before_s=0.3, ground_after_s=0.0,
        scene=scene, route="lane", start_m=8.0, haze_m=3000.0,
    )  # fmt: skip
    camera = CameraModel("a", gain_max=48.0, hfov_deg=120.0, barrel=0.2)
    path = tmp_path / "flight.mp4"
    simulate(plan, camera, Chain(encoding=Encoding(crf=21)), path, tile_every=1000)
    lamps = score_flight(measure_flight([path]), Criteria()).lamps
    seen = sum(one.to_s - one.from_s for one in lamps.lights if one.kind == SUN)
    assert seen > 2.0 if sun else seen == 0.0
    assert (lamps.toward_sun is not None) == sun


@pytest.mark.skipif(not CLIPS.is_dir(), reason="the shared clips are not here")
@pytest.mark.parametrize(
    ("name", "sun"), [("sun_in_frame_short", True), ("road_day", False), ("pan_sky_to_building", False)]
)
def test_real_clips(name: str, sun: bool) -> None:
    """The sun over a city is the sun; white cars, signs and panes by day are not."""
    lights = score_flight(measure_flight([CLIPS / f"{name}.mp4"]), Criteria()).lamps.lights
    assert any(one.kind == SUN for one in lights) == sun
