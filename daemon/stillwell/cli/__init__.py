"""The command line: one file a command. Each prints for people, and JSON on request."""
