"""What goes into the log, made plain: a text from outside must not obey a terminal, end a line and
begin a forged one, or hold an address with a password."""

from __future__ import annotations

import logging

from stillwell.shown import plain, plain_lines, without_passwords

_EXCEPTIONS = logging.Formatter()


def made_plain(record: logging.LogRecord) -> bool:
    """A filter for handlers. Further lines of a message are set in, so that none looks like a
    record of its own."""
    try:
        said = record.getMessage()
    except Exception as error:
        # Whose arguments don't fit must not fail at logging, which may be the watch's own thread.
        said = f"{record.msg} ({type(error).__name__} in its arguments)"
    record.msg = "\n  ".join(map(plain, without_passwords(said).split("\n")))
    record.args = None
    if record.exc_info and record.exc_info[0] is not None and not record.exc_text:
        told = without_passwords(_EXCEPTIONS.formatException(record.exc_info))
        record.exc_text = plain_lines(told)
    return True
