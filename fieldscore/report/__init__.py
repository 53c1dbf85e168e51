"""Results as files and words: flight.json, timeline, arrays, page, terminal summary; and read back."""

from fieldscore.report.files import write_flight
from fieldscore.report.flight import dump_json, flight_json
from fieldscore.report.html import render_html
from fieldscore.report.load import load_record
from fieldscore.report.names import folder_name
from fieldscore.report.summary import plain_verdict, terminal_summary
from fieldscore.report.words import moment, plural

__all__ = [
    "dump_json",
    "flight_json",
    "folder_name",
    "load_record",
    "plain_verdict",
    "render_html",
    "terminal_summary",
    "moment",
    "plural",
    "write_flight",
]
