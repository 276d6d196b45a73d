"""Makes parts from settings: the only place that knows all parts. It translates and decides
nothing: each figure is in the part that it belongs to."""
