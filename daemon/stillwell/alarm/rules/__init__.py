"""The rules that judge whether a condition stands, one rule a module. Pure."""
