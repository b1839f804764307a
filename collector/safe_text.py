"""Text from outside, made safe for a terminal, a log and a page: the one place that does it.

A control character in a tank's name can clear a screen, colour a log line as another, or end it and begin a
forged one; a direction mark turns the rest of a line round. They are shown as what they are, ``\\x1b``.
Emoji, accents and every script's letters stay.
"""

from __future__ import annotations

import re

__all__ = ["has_control", "safe_lines", "safe_text"]

# C0 and C1 (Unicode category Cc), line and paragraph separators (Zl, Zp), the characters that change the
# writing direction (Bidi_Control in Unicode's PropList.txt), halves of surrogate pairs (Cs)
_CONTROL = "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
_UNSAFE = re.compile(f"[{_CONTROL}]")
_UNSAFE_IN_LINES = re.compile(f"(?![\n\t])[{_CONTROL}]")


def has_control(text: str) -> bool:
    """Whether there is anything in it that `safe_text` would show as an escape."""
    return _UNSAFE.search(text) is not None


def safe_text(text: str, most: int | None = None) -> str:
    """One line without control characters; cut off with ``…`` behind `most` characters of `text`."""
    cut = most is not None and len(text) > most
    safe = _UNSAFE.sub(_escape, text[:most])
    return safe + "…" if cut else safe


def safe_lines(text: str) -> str:
    """The same for text of several lines: line feeds and tabs stay."""
    return _UNSAFE_IN_LINES.sub(_escape, text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"
