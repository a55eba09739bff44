"""Room: analysis."""
