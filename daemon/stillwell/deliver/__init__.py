"""From the store to the far side: the outbox that follows the store, and the sinks that send."""
