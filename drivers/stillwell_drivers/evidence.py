"""What a driver received, as the evidence that is kept with a reading."""

from __future__ import annotations

LONGEST_RAW = 80


def printable(line: str, note: str = "") -> str:
    """Returns the line with its control characters made visible, cut so that the note still
    fits."""
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in line)
    room = LONGEST_RAW - len(note)
    return (shown if len(shown) <= room else shown[: room - 1] + "…") + note
