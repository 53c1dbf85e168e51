"""A folder name from any flight name: legal on every common file system, and distinct for distinct names."""

from __future__ import annotations

import hashlib
import unicodedata

MAX_BYTES = 100  # of UTF-8: leaves room for the path before it on systems that allow 255 a name, 260 a path
_HASH_DIGITS = 8  # 32 bits: two altered names of one run agree by chance once in billions
_FORBIDDEN = frozenset('<>:"/\\|?*')  # not allowed in a name by Windows file systems; / by any other
_SEEN = frozenset("LMNPSZ")  # major categories of characters that can be seen; the rest is control and format
# Names that Windows gives to devices, with any ending and in any case (from memory).
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789\u00b9\u00b2\u00b3"}
)


def folder_name(name: str) -> str:
    """A safe folder name: the name itself where it is harmless, else a cleaned form and a short hash of it.

    No separators, control or direction characters, leading dots or dashes, trailing dots or blanks, device
    names; at most MAX_BYTES bytes of UTF-8.
    """
    clean = "".join(one if _allowed(one) else "_" for one in name)
    clean = clean.strip(" .").lstrip("-")
    if clean.split(".")[0].strip().casefold() in _DEVICES:
        clean = f"_{clean}"
    if clean == name and clean and len(clean.encode()) <= MAX_BYTES:
        return clean
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:_HASH_DIGITS]
    room = MAX_BYTES - _HASH_DIGITS - 1
    short = clean.encode()[:room].decode("utf-8", "ignore").rstrip(" .")
    return f"{short or 'flight'}-{digest}"


def _allowed(one: str) -> bool:
    category = unicodedata.category(one)
    return category[0] in _SEEN and category not in {"Zl", "Zp"} and one not in _FORBIDDEN
