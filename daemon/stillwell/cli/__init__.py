"""The command line: one file a command. Each command prints for people by default and JSON on request."""
