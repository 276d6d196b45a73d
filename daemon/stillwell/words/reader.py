"""Words for one reader: the units and the time zone in which somebody is told what was found."""

from __future__ import annotations

import json
import logging
from dataclasses import dataclass, replace

from stillwell.alarm.catalogue import BY_NAME
from stillwell.alarm.house import WorkOver
from stillwell.finding import Finding
from stillwell.form import typed
from stillwell.notice import Facts, Kept, Notice, Prose, Said, Told, Transition
from stillwell.reading import Moment
from stillwell.shown import shortened
from stillwell.units import Dimension, System, show
from stillwell.words.cautions import IN_SHORT
from stillwell.words.figures import Figures
from stillwell.words.spoken import WORDS

log = logging.getLogger(__name__)

LONGEST_TITLE = 60
"""The most characters that a phone's lock screen shows."""
NAMED = 6
"""How many of the standing alarms are named when work is over."""
UNREADABLE = Prose("What was found can't be shown", "Another version of stillwell has kept it.")
_NO_ALARM = frozenset({"review", "reminder", "blind", "maintenance", "merged"})


@dataclass(frozen=True, slots=True)
class Reader:
    """Makes words for one person: about an alarm's change, a finding, a notice."""

    zone: str = "UTC"
    """IANA name."""
    units: System = System.METRIC

    def in_units(self, units: System | None) -> Reader:
        """Returns the reader who wants these units; None: the same reader."""
        return self if units is None else replace(self, units=units)

    def alarm(self, transition: Transition) -> Said:
        """Returns what an alarm says after this change of it."""
        t = transition
        return self._say(t.alarm, t.facts, t.active, t.since, t.moment)

    def finding(self, finding: Finding, now: Moment) -> Said:
        """Returns what a finding says at `now`."""
        return self._say(finding.alarm, finding.facts, finding.active, finding.since or now, now)

    def notice(self, notice: Notice) -> Told:
        """Returns the words of a notice."""
        facts = facts_of(notice.facts)
        at = notice.moment
        since = Moment(at.mono_ms - notice.lasted_ms, at.utc_ms - notice.lasted_ms, at.epoch)
        said = self._say(notice.subject, facts, notice.kind != "returned", since, at)
        if notice.kind in _NO_ALARM:
            return Told(said.title, "\n".join(said.parts))
        if notice.kind == "repeated":
            return _repeated(said, notice)
        title = f"Worse: {said.title}" if notice.kind == "worse" else said.title
        return Told(shortened(title, LONGEST_TITLE), "\n".join((*said.parts, _about(notice))))

    def _say(self, alarm: str, facts: Facts, active: bool, since: Moment, now: Moment) -> Said:
        facts = facts_of(facts)
        figures = Figures(self.zone, self.units, alarm, active, since, now)
        if isinstance(facts, WorkOver):
            return self._work_over(facts, now)
        if facts is UNREADABLE and active and alarm in BY_NAME:
            seen = f"{BY_NAME[alarm].means} So {figures.from_then()}."
            return Said(f"{alarm} stands.", "Look at the tank.", seen, UNREADABLE.text)
        return WORDS[type(facts)](facts, figures)

    def _work_over(self, facts: WorkOver, now: Moment) -> Said:
        """Returns the words when the work at the tank is over: what stands."""
        if not facts.stands:
            return Said("Work over, alarms ring again: nothing stands.")
        titles = []
        for each in facts.stands[:NAMED]:
            ago_ms = max(0, now.utc_ms - each.since_ms)
            since = Moment(now.mono_ms - ago_ms, each.since_ms, now.epoch)
            titles.append(self._say(each.alarm, each.facts, True, since, now).title)
        left = len(facts.stands) - NAMED
        return Said(
            f"Work over, alarms ring again: {len(facts.stands)} stand.",
            "See whether heater and pump run. What does not pass in the next minutes rings.",
            "\n".join([*titles, *([f"and {left} more"] if left > 0 else [])]),
        )


def facts_of(facts: Facts) -> Facts:
    """Returns facts that the store has kept, in their own class; where they can't be read, facts
    that say so."""
    if not isinstance(facts, Kept):
        return facts
    try:
        name, fields = json.loads(facts.text)
        kind = next(each for each in (*WORDS, WorkOver) if each.__name__ == name)
        return typed(fields, kind)
    except (ValueError, TypeError, StopIteration):
        log.warning("these facts can't be read: %s", facts.text)
        return UNREADABLE


def _repeated(said: Said, notice: Notice) -> Told:
    """Returns the words of a repeat: the cause with the present figures, and the first thing to
    do."""
    gone = show(notice.unanswered_ms / 1000, Dimension.DURATION)
    first, stop, _ = said.do.partition(". ")
    deed = [f"{first}." if stop else first, IN_SHORT if said.caution else ""]
    text = "\n".join((" ".join(filter(None, deed)), f"Unanswered for {gone}. {_about(notice)}"))
    return Told(shortened(said.title, LONGEST_TITLE), text.lstrip())


def _about(notice: Notice) -> str:
    """Returns which alarm it is, and how to answer it."""
    return f"({notice.subject})" if notice.kind == "returned" else _answer(notice)


def _answer(notice: Notice) -> str:
    return f"To answer: stillwell ack {notice.subject}"
