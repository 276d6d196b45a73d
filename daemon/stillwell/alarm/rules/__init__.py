"""Whether a condition stands: each rule judges readings, one a module. Pure."""
