"""stillwell: reads the probes and floats of a small saltwater tank, keeps every reading, and
warns."""

__version__ = "0.1.0"
"""The version, which stands nowhere else: packages and the change log's head are held to it."""
