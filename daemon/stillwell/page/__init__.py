"""The tank on a phone: a web server in a process of its own, which ends when nobody looks.

It reads the store, and writes into it only what the command line writes too: requests to the daemon
and entries of the journal. The daemon does not know that it exists.
"""
