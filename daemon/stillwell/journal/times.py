"""When something was done, as people write it."""

from __future__ import annotations

import datetime as dt
import re

from stillwell.journal.refusal import JournalError

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_AHEAD = dt.timedelta(minutes=5)


def when(text: str, zone: dt.tzinfo, now_ms: int) -> int:
    """Returns UTC ms of ``18:30`` (the last one that has come, in the tank's zone) or of an ISO
    8601 time such as ``2026-01-31T18:30`` (without an offset: in the tank's zone).

    Raises JournalError for anything else.
    """
    now = dt.datetime.fromtimestamp(now_ms / 1000, zone)
    clock = _CLOCK.fullmatch(text.strip())
    if clock:
        then = now.replace(
            hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0, fold=0
        )
        if then > now + _AHEAD:
            then = (then.replace(tzinfo=None) - dt.timedelta(days=1)).replace(tzinfo=zone)
    else:
        try:
            then = dt.datetime.fromisoformat(text.strip())
            then = then if then.tzinfo else then.replace(tzinfo=zone)
            then.timestamp()
        except (ValueError, OverflowError):
            raise JournalError(
                f'"{text[:40]}" is no time.', "Write it like 18:30 or 2026-01-31T18:30."
            ) from None
    return round(then.timestamp() * 1000)
