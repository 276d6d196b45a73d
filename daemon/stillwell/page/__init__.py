"""The tank on a phone: a web server that is a process of its own and ends when nobody looks.

It reads the store and writes nothing into it but what the command line writes too: requests to the
daemon and entries of the journal. The daemon does not know that it is there.
"""
