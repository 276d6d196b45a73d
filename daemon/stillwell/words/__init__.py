"""From facts to words: what an alarm says to one person, in their units and zone, in plain English.

One file a family of alarms, one function a class of facts. Nothing else in the program words an
alarm, and nothing is worded before it is known who reads it.
"""

from stillwell.words.reader import Reader

__all__ = ["Reader"]
