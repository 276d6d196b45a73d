"""What ``stillwell init`` does at the edge: it asks on the terminal, looks at sensors, writes the
file."""
