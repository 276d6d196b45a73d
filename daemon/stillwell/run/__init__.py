"""One run of the daemon: what it takes over from the run before, its clock, and what becomes of its
file."""
