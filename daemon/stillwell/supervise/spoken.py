"""Log lines for a person at a terminal, or for a file."""

from __future__ import annotations

import logging

SAID_AT = "said_at"
"""The attribute of a record that is a sentence for people: its time, by the tank's clock."""


class ForPeople(logging.Formatter):
    """Formats lines with the tank's time of day if the record has it, else with this machine's;
    warnings and errors also show their level."""

    def format(self, record: logging.LogRecord) -> str:
        said_at = getattr(record, SAID_AT, "")
        at = said_at or self.formatTime(record, "%a %H:%M:%S")
        level = "" if said_at or record.levelno < logging.WARNING else f"{record.levelname} "
        return f"{at}  {level}{super().format(record)}"
