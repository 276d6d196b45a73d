"""The drivers that come with stillwell: one file per kind of hardware."""
