"""Delivers rows of the store to the outside: the outbox that follows the store, and the sinks
that send."""
