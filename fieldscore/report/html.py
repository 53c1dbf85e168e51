"""The report: one HTML file that needs nothing else, no network, and no script but its own."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from fieldscore.plots import NARROW, WIDE, map_svg, timeline_svg
from fieldscore.report import context, words
from fieldscore.report.assumed import assumed
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.explain import explain_place
from fieldscore.report.figures import tables, told
from fieldscore.report.flight import flight_json
from fieldscore.report.instrument import instrument, policy, script
from fieldscore.report.light import READING, light_panels
from fieldscore.report.summary import airtime_of, curve_text, gaps_text, interval_text, verdict_of
from fieldscore.report.track import track_data
from fieldscore.score import CAUSES, Score

TIMELINE = "timeline"  # id of the flight's timeline on its page


def render_html(score: Score, pictures: Mapping[float, bytes]) -> str:
    """The report of one flight; `pictures` are JPEG files by time of flight in seconds.

    Figures are those of `flight_json`, each as a `<data>` element with its key there. Everything that came
    with the recording is escaped, and characters that cannot be seen are written out.
    """
    flight = flight_json(score)
    track = track_data(score, pictures=pictures)
    wide_map, narrow_map = map_svg(score, WIDE, "mw"), map_svg(score, NARROW, "mn")
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            name=words.visible(score.record.name),
            files=[words.visible(one) for one in score.record.clip.files],
            flight=flight,
            airtime=words.seconds(airtime_of(flight)),
            length=words.seconds(score.record.clip.duration_s),
            verdict=verdict_of(flight, score.usable.reason),
            interval=interval_text(flight, score.usable.reason),
            curve=words.sentence(curve_text(flight)),
            gaps=gaps_text(flight),
            headline=context.headline(flight),
            causes=context.causes(score, flight),
            gap_list=context.gaps(flight),
            scale=context.scale(flight),
            policy=policy(),
            script=script(),
            instrument=instrument(TIMELINE, [track]),
            held=track["held"],
            axes=[f"{size.left / size.width:.5f} {size.right / size.width:.5f}" for size in (WIDE, NARROW)],
            # Markup: drawn by this program from numbers alone; no name from outside reaches a plot.
            timeline_wide=Markup(timeline_svg(score, WIDE, "tw")),  # noqa: S704
            timeline_narrow=Markup(timeline_svg(score, NARROW, "tn")),  # noqa: S704
            map_wide=Markup(wide_map),  # noqa: S704
            map_narrow=Markup(narrow_map),  # noqa: S704
            light=light_panels(score),
            reading=READING,
            shots=context.shots(score, flight, pictures),
            tables=tables(score, flight),
            explained=context.explained(),
            causes_told=told(explain_place("usable.lost_by_cause")),
            recovery_told=told(explain_place("events.recovery_s")),
            assumed=[(key, words.visible(text)) for key, text in assumed(score, flight)],
            criteria=context.criteria(score),
            needed=f"{score.criteria.usable_zone_readable_percent:g} %",
            zone=f"{100.0 * score.criteria.flying_zone:g} %",
            order=", ".join(words.cause_name(cause) for cause in CAUSES),
            recording=context.recording(score, flight),
            events=[
                (words.event_name(one["kind"]), words.moment(one["at_s"]), words.event_text(one), one["at_s"])
                for one in flight["events"]
            ],
            notes=[words.visible(note) for note in flight["notes"]],
            cautions=CAUTIONS,
        )
    )


@cache
def environment() -> Environment:
    """The template environment of every report: escaping always on, a missing name an error."""
    return Environment(
        loader=PackageLoader("fieldscore.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
