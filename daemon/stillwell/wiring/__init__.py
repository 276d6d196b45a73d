"""From settings to parts: the only place that knows all of them. It translates and decides nothing:
each figure stands with the part whose idea it is."""
