"""Results as files and words: flight.json, timeline, arrays, page, terminal summary; and read back."""

from fieldscore.report.compare_page import evidence_moments, render_comparison
from fieldscore.report.comparison import comparison_json, comparison_lines, pairs_csv
from fieldscore.report.files import write_comparison, write_flight, write_recovery
from fieldscore.report.flight import dump_json, flight_json
from fieldscore.report.html import render_html
from fieldscore.report.load import load_record
from fieldscore.report.names import folder_name
from fieldscore.report.recovery import Tested, recovery_json, recovery_lines
from fieldscore.report.summary import plain_verdict, terminal_summary
from fieldscore.report.verdict import verdict
from fieldscore.report.words import moment, plural

__all__ = [
    "Tested",
    "comparison_json",
    "comparison_lines",
    "dump_json",
    "evidence_moments",
    "flight_json",
    "folder_name",
    "load_record",
    "pairs_csv",
    "plain_verdict",
    "recovery_json",
    "recovery_lines",
    "render_comparison",
    "render_html",
    "terminal_summary",
    "moment",
    "plural",
    "verdict",
    "write_comparison",
    "write_flight",
    "write_recovery",
]
