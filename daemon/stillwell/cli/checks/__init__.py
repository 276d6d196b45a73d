"""What ``stillwell check`` looks at, a part a module. Each yields points; none of them prints."""
