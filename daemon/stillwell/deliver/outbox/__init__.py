"""What is between the store and one sink: a cursor for each stream, a verdict, a back-off.

`Outbox.step` does one round, with the time as an argument, and never sleeps; `OutboxThread` is the
thin shell that calls it. Nothing is queued here: a row that the sink does not take stays in the
store, and the cursor stays before it.

A row is sent at least once: the cursor moves after the verdict, and is kept after it has moved. A
daemon that is killed in between sends the same row, with the same key, again.
"""

from stillwell.deliver.outbox.cursors import ahead_name
from stillwell.deliver.outbox.rounds import IDLE_S, NOT_STARTED, Outbox, name_of
from stillwell.deliver.outbox.thread import OutboxThread
