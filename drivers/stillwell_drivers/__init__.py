"""The drivers that come with stillwell: one file a kind of hardware."""
