"""The keeper's journal: which kinds of entries there are, which values are possible, what a
correction does, and what the entries are evidence of. Pure; the store keeps them.
"""

from __future__ import annotations

from stillwell.journal.drafting import (
    Circumstances,
    Draft,
    corrected,
    drafted,
    struck,
)
from stillwell.journal.evidence import (
    cycle_happenings,
    cycle_tests,
    salinity_of,
    salt_events,
)
from stillwell.journal.kinds import KINDS, REMINDERS, Kind, Rule, kind_named
from stillwell.journal.refusal import JournalError
from stillwell.journal.standing import standing
from stillwell.journal.times import when
from stillwell.journal.wording import in_words, number_and_unit
