"""The checks of ``stillwell check``, one module each. Each yields points; none of them prints."""
