"""One file a schema change, oldest first."""
