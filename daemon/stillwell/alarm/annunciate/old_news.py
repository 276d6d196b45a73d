"""Old news in one message: "3 alarms while you were out of reach". Pure.

After an outage, or after the quiet hours, a phone gets one message about everything that
happened, with what still stands first, instead of one message for each.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence

from stillwell.alarm.annunciate.escalation import address, turn_of
from stillwell.alarm.annunciate.state import URGENCY
from stillwell.alarm.notices import rings_as
from stillwell.notice import Notice, Prose, Told

OLD_MS = 10 * 60_000
"""A notice is old news when it is older than this by the time it can be sent."""
LONGEST_LIST = 12
OVER = "returned"


def is_old(notice: Notice, now_utc_ms: int) -> bool:
    """Whether `notice` is old news at `now_utc_ms`. A notice from the future is not: a clock was
    wrong, and nobody should have to wait until that time."""
    return now_utc_ms - notice.moment.utc_ms > OLD_MS


def merged(
    notices: Sequence[Notice], at: Callable[[int], str], words: Callable[[Notice], Told]
) -> Notice:
    """Returns one notice for one or more old ones.

    Args:
        notices: in order; at least one.
        at: turns a UTC time in ms into the keeper's local time.
        words: words a notice for the person who gets this.

    Each subject has one line, its newest notice. What is not over comes first, then the more
    urgent, then the newer. A single notice is returned as it is.
    """
    newest = {notice.subject: notice for notice in notices}
    if len(notices) == 1:
        return notices[0]
    lines = sorted(
        newest.values(),
        key=lambda n: (n.kind == OVER, -URGENCY[n.priority], -n.moment.utc_ms),
    )
    alarms = [notice for notice in lines if _is_alarm(notice)]
    standing = sum(notice.kind != OVER for notice in alarms)
    head = _counted(len(alarms), "alarm") if alarms else _counted(len(lines), "message")
    title = f"{head} while you were out of reach"
    if alarms:
        title += f"; {'all over' if not standing else f'{standing} not known to be over'}"
    text = [f"{at(n.moment.utc_ms)}  {_said(n, words(n))}" for n in lines[:LONGEST_LIST]]
    if len(lines) > LONGEST_LIST:
        text.append(f"and {len(lines) - LONGEST_LIST} more")
    urgent = [words(n).text for n in lines if n.kind != OVER and _is_alarm(n)]
    text += [f"\n{each}" for each in urgent[:1] if each]
    name = hashlib.sha256("\n".join(n.key for n in notices).encode()).hexdigest()[:16]
    last = notices[-1]
    notice = Notice(
        key=f"merged:{name}",
        subject="merged",
        kind="merged",
        priority=max(map(rings_as, lines), key=URGENCY.__getitem__),
        moment=last.moment,
        facts=Prose(title, "\n".join(text)),
    )
    return address(notice, max(turn_of(n) for n in notices))


def _is_alarm(notice: Notice) -> bool:
    return notice.kind in ("raised", "worse", "repeated", OVER)


def _said(notice: Notice, told: Told) -> str:
    if notice.kind == OVER:
        return f"{told.title} ({notice.subject}, over)"
    return f"{told.title} ({notice.subject})" if _is_alarm(notice) else told.title


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
