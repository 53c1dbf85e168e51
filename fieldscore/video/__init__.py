"""Reading and writing clips: the only user of PyAV.

`find_flights` turns names into flights, `probe` says what a file is, `Flight` reads it picture by picture,
`ClipWriter` writes clips. No array handed out is converted: luma and chroma are the code values of the
stream.
"""

from fieldscore.video.account import Tally
from fieldscore.video.flights import find_flights
from fieldscore.video.probe import probe
from fieldscore.video.reader import Flight
from fieldscore.video.records import ClipInfo, CodedFrame, Losses, Problem
from fieldscore.video.stretch import Key, Stretch, UnfitError
from fieldscore.video.writer import ClipWriter, Encoding

__all__ = [
    "ClipInfo",
    "ClipWriter",
    "CodedFrame",
    "Encoding",
    "Flight",
    "Key",
    "Losses",
    "Problem",
    "Stretch",
    "Tally",
    "UnfitError",
    "find_flights",
    "probe",
]
