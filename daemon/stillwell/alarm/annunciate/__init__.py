"""What becomes of an alarm once its condition stands, in the terms of ANSI/ISA-18.2-2016 and IEC
62682: its state, which cause keeps it quiet, shelves, and what is repeated to whom.
"""
