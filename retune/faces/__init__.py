"""Room: faces."""
