"""From facts to words: what an alarm says to one person, in their units and time zone, in plain
English.

There is one file for each family of alarms, and one function for each class of facts. Nothing else
in the program words an alarm, and nothing is worded before the reader is known.
"""

from stillwell.words.reader import Reader
