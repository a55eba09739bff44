"""Room: rules."""
