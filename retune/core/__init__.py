"""Room: core."""
