"""Words for facts that are text already."""

from __future__ import annotations

from stillwell.notice import EitherProse, Message, Prose, Said
from stillwell.units import System
from stillwell.words.figures import Figures


def message(facts: Message, figures: Figures) -> Said:
    first, stop, rest = " ".join(facts.what.split()).partition(". ")
    return Said(f"{first}." if stop else first, facts.do, rest, facts.likely, facts.caution)


def either(facts: EitherProse, figures: Figures) -> Said:
    return prose(facts.us if figures.units is System.US else facts.metric, figures)


def prose(facts: Prose, figures: Figures) -> Said:
    return Said(facts.title, seen=facts.text)
