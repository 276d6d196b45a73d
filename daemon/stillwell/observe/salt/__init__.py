"""The watch over the salt balance: it follows the journal and the level, and raises alarms."""
