"""Makes log records plain: a text from outside must not control a terminal, end a line and forge
another, or show an address with a password."""

from __future__ import annotations

import logging

from stillwell.shown import plain, plain_lines, without_passwords

_EXCEPTIONS = logging.Formatter()


def made_plain(record: logging.LogRecord) -> bool:
    """A filter for handlers. The further lines of a message are indented, so that none looks like a
    record of its own."""
    try:
        said = record.getMessage()
    except Exception as error:
        # A record whose arguments don't fit must not raise here, since this may be the watch's own
        # thread.
        said = f"{record.msg} ({type(error).__name__} in its arguments)"
    record.msg = "\n  ".join(map(plain, without_passwords(said).split("\n")))
    record.args = None
    if record.exc_info and record.exc_info[0] is not None and not record.exc_text:
        told = without_passwords(_EXCEPTIONS.formatException(record.exc_info))
        record.exc_text = plain_lines(told)
    return True
