"""The command line: one file per command. Each prints for people, and JSON on request."""
