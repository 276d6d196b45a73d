"""What people ask of the daemon, from afar or through the store."""
